"""Cycles: how hard the pack was used, as equivalent full cycles and as a histogram of depths.

Rainflow counting by ASTM E1049-85 section 5.4.4, through the `rainflow` library, on the counted
state of charge; reversals under 2 % are left out, and nothing is joined across a pause in the log.
"""

from __future__ import annotations

from typing import TYPE_CHECKING

import numpy as np
import rainflow

from logbook.analysis.tally import stands_for
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


def cycles(
    hours: pd.DataFrame,
    openings: pd.DataFrame,
    pack: Pack,
    *,
    capacity_ah: float,
    offset_a: float,
    hidden_a: float = 0.0,
    tallied: pd.DataFrame | None = None,
) -> Cycles:
    """Throughput, equivalent full cycles (in and out over twice rated) and rainflow depths of `capacity_ah`.

    `hidden_a` flows out, or in where it is negative, while the sensor shows exactly nothing.
    """
    if hours.empty:
        return Cycles(0.0, 0.0, 0.0, 0.0, 0.0, (), "There are no readings yet.")
    if tallied is not None:
        hours = hours.assign(**stands_for(hours, tallied)[["charge_ah", "discharge_ah"]])
    true_in, true_out = _without_offset(hours, offset_a)
    false_in, false_out = _while_open_ah(openings, offset_a)
    unseen_ah = hidden_a * _zero_hours(hours, openings)
    charge_ah = true_in - false_in + max(-unseen_ah, 0.0)
    discharge_ah = true_out - false_out + max(unseen_ah, 0.0)
    depths = np.zeros(100 // BIN_PERCENT)
    for stretch in _turning_points(hours, offset_a):
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
        charge_wh=round(float(hours["charge_wh"].sum()), 3),
        discharge_wh=round(float(hours["discharge_wh"].sum()), 3),
        depth_histogram=histogram,
        hot_hours=_hours(hours["hot_s"]),
        full_and_warm_hours=_hours(hours["full_warm_s"]),
        nearly_empty_hours=_hours(hours["nearly_empty_s"]),
    )


def _without_offset(hours: pd.DataFrame, offset_a: float) -> tuple[float, float]:
    """Ah in and out with the sensor's offset taken from what went in and put to what came out.

    In an hour of both, time is shared out as the charge is.
    """
    charge, discharge = hours["charge_ah"].to_numpy(float), hours["discharge_ah"].to_numpy(float)
    total = charge + discharge
    share_in = np.divide(charge, total, out=np.zeros(len(hours)), where=total > 0)
    share_out = np.where(total > 0, 1.0 - share_in, 0.0)
    false_ah = offset_a * hours["live_s"].to_numpy(float) / S_PER_HOUR
    true_in = np.maximum(charge - false_ah * share_in, 0.0)
    return float(true_in.sum()), float(np.maximum(discharge + false_ah * share_out, 0.0).sum())


def _zero_hours(hours: pd.DataFrame, openings: pd.DataFrame) -> float:
    """Hours in which the board was closed and the sensor showed exactly nothing."""
    open_s = float(openings["open_s"].sum()) if len(openings) else 0.0
    return max(float(hours["logged_s"].sum() - hours["live_s"].sum()) - open_s, 0.0) / S_PER_HOUR


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


def _turning_points(hours: pd.DataFrame, offset_a: float) -> Iterator[NDArray[np.float64]]:
    """Counted charge at each hour's low and high in their order, Ah, one array a pause-free stretch."""
    start_ms = hours["start_ms"].to_numpy()
    net = (hours["charge_ah"] - hours["discharge_ah"]).to_numpy(float) - offset_a * hours["live_s"].to_numpy(
        float
    ) / S_PER_HOUR
    base = np.cumsum(net) - net
    low, high = base + hours["sum_low_ah"].to_numpy(float), base + hours["sum_high_ah"].to_numpy(float)
    low_first = hours["low_first"].to_numpy(float) > 0
    points = np.column_stack([np.where(low_first, low, high), np.where(low_first, high, low)])
    paused = (np.diff(start_ms) > MS_PER_HOUR) | (hours["logged_s"].to_numpy(float)[:-1] < WHOLE_HOUR_S)
    for stretch in np.split(points, np.flatnonzero(paused) + 1):
        yield stretch.ravel()
