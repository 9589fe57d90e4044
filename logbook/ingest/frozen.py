"""Frozen rows: a logger that lost its link repeats its last row, while charge flows and the percentage should move.

Rest at rounded values repeats too, so a run counts as frozen only when the charge that its own current claims
would have moved the state of charge by several steps, and the first row after it shows that it did.
"""

from __future__ import annotations

from typing import TYPE_CHECKING

import numpy as np

from logbook.ingest.run import Runs, runs_of
from logbook.units import MS_PER_HOUR, MS_PER_S, S_PER_MINUTE

if TYPE_CHECKING:
    from numpy.typing import NDArray

    from logbook.ingest.frame import Frame
    from logbook.ingest.ledger import Ledger

LEAST_MS = 5 * S_PER_MINUTE * MS_PER_S
LEAST_ROWS = 5
LEAST_CHANGE_PERCENT = 3.0
SHARE_SEEN = 0.4
"""Of the change the current claims, at least so much must show after the run."""
FULL_PERCENT, EMPTY_PERCENT = 99.0, 1.0
FROZEN = "frozen: the row before repeats itself while charge flows"


def without_frozen(frame: Frame, rated_ah: float | None, ledger: Ledger) -> Frame:
    """Repeats of frozen rows set aside, the first of each kept; rows in ascending time."""
    names = [name for name in ("voltage_v", "current_a", "temperature_c", "soc_percent") if frame.has(name)]
    if len(frame) < LEAST_ROWS or not {"voltage_v", "current_a", "soc_percent"} <= set(names):
        return frame
    same = np.ones(len(frame) - 1, bool)
    for name in names:
        values = _filled(frame.get(name))
        same &= values[1:] == values[:-1]
    runs = runs_of(np.concatenate([[False], same]))
    frozen = _long(runs, frame) & _claims_charge(runs, frame, rated_ah)
    mask = runs.mask(len(frame), frozen)
    if not mask.any():
        return frame
    ledger.set_aside(frame.lines[mask], FROZEN)
    return frame.take(~mask)


def _filled(values: NDArray[np.float64]) -> NDArray[np.float64]:
    """An empty cell shows what the row before showed; alone it thaws nothing."""
    empty = np.isnan(values)
    if not empty.any():
        return values
    return values[np.maximum.accumulate(np.where(empty, 0, np.arange(len(values))))]


def _long(runs: Runs, frame: Frame) -> NDArray[np.bool_]:
    lasted = frame.ts_ms[runs.last] - frame.ts_ms[runs.first]
    return (lasted >= LEAST_MS) & (runs.last - runs.first >= LEAST_ROWS - 2)


def _claims_charge(runs: Runs, frame: Frame, rated_ah: float | None) -> NDArray[np.bool_]:
    soc, current = frame.get("soc_percent"), frame.get("current_a")
    start = runs.first - 1
    after = np.minimum(runs.last + 1, len(frame) - 1)
    hours = (frame.ts_ms[after] - frame.ts_ms[start]) / MS_PER_HOUR
    ah_per_percent = (rated_ah or _ah_per_percent(frame)) / 100.0
    claimed = current[runs.first] * hours / ah_per_percent if ah_per_percent else np.zeros(len(runs))
    seen = soc[after] - soc[start]
    here = soc[runs.first]
    clamped = ((here >= FULL_PERCENT) & (claimed > 0)) | ((here <= EMPTY_PERCENT) & (claimed < 0))
    moved = (
        (np.abs(claimed) >= LEAST_CHANGE_PERCENT)
        & (seen * claimed > 0)
        & (np.abs(seen) >= np.maximum(SHARE_SEEN * np.abs(claimed), 2.0))
    )
    inside = runs.last + 1 < len(frame)
    near = frame.ts_ms[after] - frame.ts_ms[runs.last] <= np.maximum(
        2 * (frame.ts_ms[runs.last] - frame.ts_ms[runs.first]), LEAST_MS
    )
    return moved & ~clamped & inside & near


def _ah_per_percent(frame: Frame) -> float:
    """Rated Ah that the file's own percentage seems to count against; 0 where it cannot be told."""
    soc, current = frame.get("soc_percent"), frame.get("current_a")
    step_ms = np.minimum(np.diff(frame.ts_ms, append=frame.ts_ms[-1:]), MS_PER_HOUR // 4)
    counted = np.concatenate([[0.0], np.cumsum(np.nan_to_num(current) * step_ms / MS_PER_HOUR)[:-1]])
    moved = np.flatnonzero(np.abs(np.diff(soc)) > 0) + 1
    if len(moved) < 10:
        return 0.0
    ratio = np.abs(np.diff(counted[moved])) / np.maximum(np.abs(np.diff(soc[moved])), 0.1)
    return float(np.median(ratio) * 100.0)
