"""Delivered: how much went out after each full charge before the log paused or the next full charge came.

It bounds capacity from below with no need to know where empty is, and it exposes a false empty: a
pack cannot deliver more later than it held before.
"""

from __future__ import annotations

from typing import TYPE_CHECKING, Any

import numpy as np
import pandas as pd

from logbook.analysis.quiet import alike_h
from logbook.units import MS_PER_HOUR, MS_PER_S, S_PER_HOUR

if TYPE_CHECKING:
    from numpy.typing import NDArray

    from logbook.schema.pack import Pack

TOPS = ("full", "held", "rested_full", "nearly_full")
LONGEST_PAUSE_S = 1800.0
EXPECTED_S = np.array([10.0, 60.0, 300.0, 900.0, 3600.0])
EXPECTED_AH2_PER_AH = np.array([2e-5, 1.2e-3, 0.4, 1.2, 7.7])
"""What point samples this far apart miss, Ah² for an Ah of throughput, before the log has shown it: a simulated van
(fridge, 80 A for 3 min twice a day, clouds; some 2400 Ah a month) was off by 0.2, 1.7, 31, 54 and 136 Ah a month (ours)."""
EXPECTED_WEIGHT_AH = 200.0
"""Throughput after which the log itself says more than that."""
COLUMNS = ("start_ms", "end_ms", "out_ah", "live_hours", "switched_ah", "scatter_ah2", "alike_h2")


def delivered(anchors: pd.DataFrame, hours: pd.DataFrame, pack: Pack, *, to_empty: bool = False) -> pd.DataFrame:
    """For each full charge the deepest count after it; `out_ah` as the samples count it, uncorrected.

    `anchors` carry running sums over the ledger (`spans.placed`). With `to_empty` nothing counts that goes on after the
    pack was empty: what a sensor shows then is its own zero.
    """
    if anchors.empty or hours.empty:
        return pd.DataFrame(columns=list(COLUMNS))
    net = _running(hours["charge_ah"] - hours["discharge_ah"])
    logged, live, switched, scatter = (
        _running(hours[name]) for name in ("logged_s", "live_s", "switched_ah", "sampling_var_ah2")
    )
    shared = _running(scatter_per_ah(hours) * (hours["charge_ah"] + hours["discharge_ah"]))
    hour_ms = hours["start_ms"].to_numpy()
    lowest = net[:-1] + hours["sum_low_ah"].to_numpy(float)
    tops = anchors[anchors["kind"].isin(TOPS) & (anchors["edge"] != "enter")]
    if tops.empty:
        return pd.DataFrame(columns=list(COLUMNS))
    until_ms = np.append(tops["start_ms"].to_numpy()[1:], hour_ms[-1] + MS_PER_HOUR)
    if to_empty:
        empties_ms = np.append(anchors.loc[anchors["kind"] == "empty", "start_ms"].to_numpy(), 2**62)
        next_ms = empties_ms[np.searchsorted(empties_ms, tops["start_ms"].to_numpy(), side="right")]
        until_ms = np.minimum(until_ms, next_ms + 1)
    alike = _running(alike_h(hours, pack) * hours["live_s"] / S_PER_HOUR)
    rows = []
    for top, stop_ms in zip(tops.itertuples(), until_ms, strict=True):
        begin = int(np.searchsorted(hour_ms, top.start_ms // MS_PER_HOUR * MS_PER_HOUR))
        inside = np.arange(begin, int(np.searchsorted(hour_ms, stop_ms)))
        inside = inside[_unpaused(hour_ms, logged, inside, top)]
        if not len(inside):
            continue
        deepest = int(inside[np.argmin(lowest[inside])])
        rows.append(
            (
                int(top.start_ms),
                int(hour_ms[deepest]) + MS_PER_HOUR,
                float(top.net_ah - lowest[deepest]),
                float(live[deepest + 1] - top.live_s) / S_PER_HOUR,
                float(switched[deepest + 1] - top.switched_ah),
                _scatter_ah2(top, own=scatter[deepest + 1] - scatter[begin], shared=shared[deepest + 1]),
                max(0.0, float(alike[deepest + 1] - top.alike_h2)),
            )
        )
    return pd.DataFrame(rows, columns=list(COLUMNS))


def _scatter_ah2(top: Any, *, own: float, shared: float) -> float:
    """The larger of a stretch's own scatter and its share of all: a delivery that saw too much load shows it itself."""
    return max(0.0, float(own) - float(top.hour_scatter_ah2), float(shared) - float(top.scatter_ah2))


def scatter_per_ah(hours: pd.DataFrame) -> NDArray[np.float64]:
    """Variance of the count in each hour for an Ah of throughput, Ah²/Ah, by all hours sampled alike.

    A stretch in which the samples happened to miss a heavy load shows no scatter of its own and too little
    charge; to weigh stretches by their own scatter would favour just those. So the scatter is shared out evenly,
    and a short log, which may have missed every heavy load, starts from what is to be expected.
    """
    alike = np.round(2 * np.log2(np.maximum(hours["interval_s"].to_numpy(float), 1.0))).astype(int)
    throughput_ah = (hours["charge_ah"] + hours["discharge_ah"]).to_numpy(float)
    kinds, kind = np.unique(alike, return_inverse=True)
    scatter = np.bincount(kind, weights=hours["sampling_var_ah2"].to_numpy(float), minlength=len(kinds))
    throughput = np.bincount(kind, weights=throughput_ah, minlength=len(kinds))
    typical = np.exp(np.interp(kinds / 2 * np.log(2), np.log(EXPECTED_S), np.log(EXPECTED_AH2_PER_AH)))
    per_ah = (scatter + typical * EXPECTED_WEIGHT_AH) / (throughput + EXPECTED_WEIGHT_AH)
    return np.asarray(per_ah[kind])


def _unpaused(
    hour_ms: NDArray[np.int64], logged: NDArray[np.float64], inside: NDArray[np.intp], top: Any
) -> NDArray[np.bool_]:
    """Hours before the log paused for longer than half an hour; the hour in which it ends still counts."""
    elapsed_s = (hour_ms[inside] + MS_PER_HOUR - top.start_ms) / MS_PER_S
    missing_s = elapsed_s - (logged[inside + 1] - top.logged_s)
    begun_s = np.append(0.0, missing_s[:-1]) + np.append(0, np.diff(hour_ms[inside]) - MS_PER_HOUR) / MS_PER_S
    goes_on = np.append(hour_ms[inside][1:] - hour_ms[inside][:-1] == MS_PER_HOUR, False)
    paused = (begun_s > LONGEST_PAUSE_S) | (goes_on & (missing_s > LONGEST_PAUSE_S))
    return np.asarray(np.cumsum(paused) == 0)


def _running(values: pd.Series) -> np.ndarray:
    return np.append(0.0, np.cumsum(values.to_numpy(float)))
