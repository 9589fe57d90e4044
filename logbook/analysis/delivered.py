"""Delivered: how much went out after each full charge before the log paused or the next full charge came.

It bounds capacity from below with no need to know where empty is, and it exposes a false empty: a
pack cannot deliver more later than it held before.
"""

from __future__ import annotations

from typing import TYPE_CHECKING, Any

import numpy as np
import pandas as pd

from logbook.units import MS_PER_HOUR, MS_PER_S, S_PER_HOUR

if TYPE_CHECKING:
    from numpy.typing import NDArray

TOPS = ("full", "rested_full", "nearly_full")
LONGEST_PAUSE_S = 1800.0
COLUMNS = ("start_ms", "end_ms", "out_ah", "live_hours", "switched_ah", "scatter_ah2")


def delivered(anchors: pd.DataFrame, hours: pd.DataFrame) -> pd.DataFrame:
    """For each full charge the deepest count after it; `out_ah` as the samples count it, uncorrected.

    `anchors` carry running sums over the ledger (`spans.placed`).
    """
    if anchors.empty or hours.empty:
        return pd.DataFrame(columns=list(COLUMNS))
    net = _running(hours["charge_ah"] - hours["discharge_ah"])
    logged, live, switched, scatter = (
        _running(hours[name]) for name in ("logged_s", "live_s", "switched_ah", "sampling_var_ah2")
    )
    hour_ms = hours["start_ms"].to_numpy()
    lowest = net[:-1] + hours["sum_low_ah"].to_numpy(float)
    tops = anchors[anchors["kind"].isin(TOPS) & (anchors["edge"] != "enter")]
    if tops.empty:
        return pd.DataFrame(columns=list(COLUMNS))
    until_ms = np.append(tops["start_ms"].to_numpy()[1:], hour_ms[-1] + MS_PER_HOUR)
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
                max(0.0, float(scatter[deepest + 1] - top.scatter_ah2)),
            )
        )
    return pd.DataFrame(rows, columns=list(COLUMNS))


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
