"""Cycles: how hard the pack was used, as equivalent full cycles and as a histogram of depths.

Rainflow counting by ASTM E1049-85 section 5.4.4, through the `rainflow` library, on the counted
state of charge; reversals under 2 % are left out, and nothing is joined across a pause in the log.
"""

from __future__ import annotations

from typing import TYPE_CHECKING

import numpy as np
import rainflow

from logbook.analysis.quiet import charger_may_hold, fed_zero_s, lasting_h
from logbook.analysis.resolution import current_step_a
from logbook.schema.health import Cycles, DepthBin
from logbook.units import MS_PER_HOUR, S_PER_HOUR

if TYPE_CHECKING:
    from collections.abc import Iterator, Sequence

    import pandas as pd
    from numpy.typing import NDArray

    from logbook.schema.pack import Pack

LEAST_DEPTH_PERCENT = 2.0
BIN_PERCENT = 10
WHOLE_HOUR_S = 3000.0
COARSE_STEP_A = 0.1
NOISE_C_RATE = 0.003
"""A sensor for hundreds of amperes flickers by some tenths of one (ours)."""
PROVED = ("full", "nearly_full")
NO_CURRENT = "The readings carry no current, so nothing of this was counted. Export the current beside the voltage."


def cycles(
    hours: pd.DataFrame,
    openings: pd.DataFrame,
    pack: Pack,
    *,
    capacity_ah: float,
    offset_a: float,
    anchors: pd.DataFrame | None = None,
    behind_zero_a: tuple[float, float] = (0.0, 0.0),
) -> Cycles:
    """Throughput, equivalent full cycles (in and out over twice rated) and rainflow depths of `capacity_ah`.

    `anchors` (as `spans.placed` gives them) hold the count to what was proved, so that its drift is no cycle.
    `behind_zero_a` flows out, or in where it is negative, while the sensor shows exactly nothing: where nothing comes in,
    and where something may feed the loads.
    """
    if hours.empty:
        return Cycles(0.0, 0.0, 0.0, 0.0, 0.0, (), "There are no readings yet.")
    if not hours["logged_s"].any():
        return Cycles(0.0, 0.0, 0.0, 0.0, 0.0, (), NO_CURRENT)
    true_in_ah, true_out_ah = _without_offset(hours, offset_a, NOISE_C_RATE * pack.rated_ah)
    true_in, true_out = float(true_in_ah.sum()), float(true_out_ah.sum())
    false_in, false_out = _while_open_ah(openings, offset_a)
    unseen_ah = _behind_zero_ah(hours, openings, pack, behind_zero_a, offset_a)
    charge_ah = true_in - false_in + float(np.maximum(-unseen_ah, 0.0).sum())
    discharge_ah = true_out - false_out + float(np.maximum(unseen_ah, 0.0).sum())
    depths = np.zeros(100 // BIN_PERCENT)
    for stretch in _turning_points(hours, offset_a, _proved(anchors, offset_a, capacity_ah)):
        for depth, count in depth_counts(stretch / capacity_ah * 100):
            depths[min(int(depth // BIN_PERCENT), len(depths) - 1)] += count
    histogram = tuple(
        DepthBin(float(place * BIN_PERCENT), float((place + 1) * BIN_PERCENT), float(count))
        for place, count in enumerate(depths)
    )
    return Cycles(
        equivalent_full_cycles=round((charge_ah + discharge_ah) / (2 * pack.rated_ah), 3),
        charge_ah=round(charge_ah, 4),
        discharge_ah=round(discharge_ah, 4),
        charge_wh=round(_energy_wh(hours, "charge", true_in_ah, charge_ah), 3),
        discharge_wh=round(_energy_wh(hours, "discharge", true_out_ah, discharge_ah), 3),
        depth_histogram=histogram,
        hot_hours=_hours(hours["hot_s"]),
        full_and_warm_hours=_hours(hours["full_warm_s"]),
        nearly_empty_hours=_hours(hours["nearly_empty_s"]),
    )


def _without_offset(
    hours: pd.DataFrame, offset_a: float, noise_a: float
) -> tuple[NDArray[np.float64], NDArray[np.float64]]:
    """Ah in and out of each hour with the sensor's offset taken off, each for its own time; what turns over goes over.

    Of an hour with no current beyond `noise_a` only what is left of both counts: a flicker about zero is no throughput.
    """
    charge_h = hours["charge_s"].to_numpy(float) / S_PER_HOUR
    discharge_h = hours["live_s"].to_numpy(float) / S_PER_HOUR - charge_h
    shown_in_ah = hours["charge_ah"].to_numpy(float) - offset_a * charge_h
    shown_out_ah = hours["discharge_ah"].to_numpy(float) + offset_a * discharge_h
    true_in_ah = np.maximum(shown_in_ah, 0.0) + np.maximum(-shown_out_ah, 0.0)
    true_out_ah = np.maximum(shown_out_ah, 0.0) + np.maximum(-shown_in_ah, 0.0)
    flickers = hours[["max_charge_a", "max_discharge_a"]].max(axis=1).to_numpy(float) <= noise_a
    common_ah = np.where(flickers, np.minimum(true_in_ah, true_out_ah), 0.0)
    return true_in_ah - common_ah, true_out_ah - common_ah


def _energy_wh(hours: pd.DataFrame, way: str, true_ah: NDArray[np.float64], told_ah: float) -> float:
    """Energy of the charge that is told, at the mean voltage of what was counted that way, Wh.

    Each hour's true charge moves at the voltage at which it was counted; what flowed unseen has no voltage of its own.
    """
    counted_wh, counted_ah = hours[f"{way}_wh"].to_numpy(float), hours[f"{way}_ah"].to_numpy(float)
    all_wh, all_ah = ((hours[f"charge_{unit}"] + hours[f"discharge_{unit}"]).to_numpy(float) for unit in ("wh", "ah"))
    resting_v = hours["min_voltage_v"].to_numpy(float)
    mean_v = np.divide(all_wh, all_ah, out=np.nan_to_num(resting_v), where=all_ah > 0)
    volts = np.divide(counted_wh, counted_ah, out=mean_v, where=counted_ah > 0)
    known = volts > 0
    total_ah = float(true_ah[known].sum())
    return float((volts * true_ah)[known].sum()) / total_ah * told_ah if total_ah > 0 else 0.0


def _behind_zero_ah(
    hours: pd.DataFrame, openings: pd.DataFrame, pack: Pack, behind_zero_a: tuple[float, float], offset_a: float
) -> NDArray[np.float64]:
    """What flowed out while the board was closed and the sensor showed exactly nothing, Ah: where nothing came in, and else.

    Where a sensor rounds to a tenth of an ampere and somebody lives aboard, a zero is as good a reading as any other; but
    where a charger holds the pack, zero is what mostly flows.
    """
    zero_s = (hours["logged_s"] - hours["live_s"]).to_numpy(float)
    hidden_a, fed_a = behind_zero_a
    if current_step_a(hours) >= COARSE_STEP_A:
        parked = lasting_h(hours, pack) > 0
        parked_s = float(zero_s[parked].sum())
        used_s = max(float(zero_s[~parked & ~charger_may_hold(hours, pack)].sum()) - _open_s(openings), 0.0)
        return np.array([hidden_a * parked_s, offset_a * used_s]) / S_PER_HOUR
    fed_s = float(fed_zero_s(hours, pack).sum())
    alone_s = max(float(zero_s.sum()) - fed_s - _open_s(openings), 0.0)
    return np.array([hidden_a * alone_s, fed_a * fed_s]) / S_PER_HOUR


def _open_s(openings: pd.DataFrame) -> float:
    return float(openings["open_s"].sum()) if len(openings) else 0.0


def _hours(seconds: pd.Series) -> float:
    return round(float(seconds.sum()) / S_PER_HOUR, 2)


def depth_counts(percent: Sequence[float] | NDArray[np.float64]) -> list[tuple[float, float]]:
    """(depth, count) of each rainflow cycle or half cycle at least 2 % deep in a history of state of charge, percent."""
    return [(depth, count) for depth, count in rainflow.count_cycles(list(percent)) if depth >= LEAST_DEPTH_PERCENT]


def _while_open_ah(openings: pd.DataFrame, offset_a: float) -> tuple[float, float]:
    """What the sensor's zero counted in and out while the board was open and nothing flowed, its offset aside."""
    if openings.empty:
        return 0.0, 0.0
    zero_a = openings["zero_a"].fillna(0.0).to_numpy(float)
    hours = openings["open_s"].to_numpy(float) / S_PER_HOUR
    false_in = np.where(zero_a > 0, zero_a - offset_a, 0.0) * hours
    false_out = np.where(zero_a < 0, offset_a - zero_a, 0.0) * hours
    return float(false_in.sum()), float(false_out.sum())


def _proved(
    anchors: pd.DataFrame | None, offset_a: float, capacity_ah: float
) -> tuple[NDArray[np.int64], NDArray[np.float64]]:
    """Times at which the pack was proved full, and by how much the count stands too high there, Ah."""
    if anchors is None or anchors.empty:
        return np.empty(0, np.int64), np.empty(0)
    full = anchors[anchors["kind"].isin(PROVED)]
    counted_ah = (full["net_ah"] - offset_a * full["live_s"] / S_PER_HOUR).to_numpy(float)
    return full["start_ms"].to_numpy(np.int64), counted_ah - full["soc"].to_numpy(float) * capacity_ah


def _turning_points(
    hours: pd.DataFrame, offset_a: float, proved: tuple[NDArray[np.int64], NDArray[np.float64]]
) -> Iterator[NDArray[np.float64]]:
    """Counted charge at each hour's low and high in their order, Ah, one array a pause-free stretch.

    Within a stretch the count is set right at every proved state and evenly between them.
    """
    start_ms = hours["start_ms"].to_numpy(np.int64)
    false_ah = offset_a * hours["live_s"].to_numpy(float) / S_PER_HOUR
    net = (hours["charge_ah"] - hours["discharge_ah"]).to_numpy(float) - false_ah
    base = np.cumsum(net) - net
    low, high = base + hours["sum_low_ah"].to_numpy(float), base + hours["sum_high_ah"].to_numpy(float)
    low_first = hours["low_first"].to_numpy(float) > 0
    points = np.column_stack([np.where(low_first, low, high), np.where(low_first, high, low)])
    paused = (np.diff(start_ms) > MS_PER_HOUR) | (hours["logged_s"].to_numpy(float)[:-1] < WHOLE_HOUR_S)
    proved_ms, too_high_ah = proved
    for inside in np.split(np.arange(len(hours)), np.flatnonzero(paused) + 1):
        first, last = np.searchsorted(proved_ms, [start_ms[inside[0]], start_ms[inside[-1]] + MS_PER_HOUR])
        stretch = points[inside]
        if last > first:
            middle_ms = start_ms[inside] + MS_PER_HOUR // 2
            stretch = stretch - np.interp(middle_ms, proved_ms[first:last], too_high_ah[first:last])[:, None]
        yield stretch.ravel()
