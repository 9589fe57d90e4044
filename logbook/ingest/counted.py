"""Counted: the direction of a current without signs, row by row, from a counter that moves with it.

What a counter of charge did just before and just after a row it did in the direction of that row's current; where
the two disagree, or it stood, the row may be of either.
"""

from __future__ import annotations

from typing import TYPE_CHECKING

import numpy as np

from logbook.ingest.run import more_than_few
from logbook.ingest.sign import MOST_STEP_MS

if TYPE_CHECKING:
    from numpy.typing import NDArray

    from logbook.ingest.frame import Frame
    from logbook.ingest.ledger import Ledger

LEVELS = ("remaining_ah", "consumed_ah", "soc_percent")
"""Counters that rise with one direction and fall with the other, the finest first."""
LEAST_SHARE = 0.6
"""Of the rows with a current so many must be told, or the file is refused (ours)."""
LEAST_ROWS = 10
ALIKE = 3.0
"""Charge counted and counter agree within this factor, row by row, in most rows (ours)."""


def by_counter(frame: Frame, ledger: Ledger) -> Frame | None:
    """The frame with signs as its counter rises (+) and falls (-), or None where none tells both directions of most rows."""
    current = frame.get("current_a")
    flows = np.abs(current) > 0
    best: tuple[int, str, NDArray[np.float64]] | None = None
    for name, level in _levels(frame):
        rows = np.flatnonzero(np.isfinite(level))
        moved = np.diff(level[rows])
        moved[np.diff(frame.ts_ms[rows]) > MOST_STEP_MS] = 0.0
        way = np.sign(moved)
        told = np.zeros(len(frame))
        told[rows[1:-1]] = np.where(way[:-1] == way[1:], way[1:], 0.0)
        told *= flows
        count = int(np.count_nonzero(told))
        if (best is None or count > best[0]) and _follows(current[rows], moved, told[rows], frame.ts_ms[rows]):
            best = count, name, told
    if best is None or best[0] < max(LEAST_SHARE * np.count_nonzero(flows), LEAST_ROWS):
        return None
    count, name, told = best
    if not (more_than_few(told > 0) and more_than_few(told < 0)):
        return None
    unknown = flows & (told == 0)
    share = count / int(np.count_nonzero(flows))
    ledger.infer(
        "direction of the current",
        f"as its {name} rises and falls",
        "strong" if share >= 1 - LEAST_SHARE / 6 else "fair",
        f"the current has no sign; {name} moved the same way just before and after {count} of {int(np.count_nonzero(flows))} "
        "rows, by about the charge that flowed",
    )
    ledger.repair("no direction", "currents without a known direction, left empty", frame.lines[unknown])
    return frame.with_columns(current_a=np.where(unknown, np.nan, np.abs(current) * np.where(told < 0, -1.0, 1.0)))


def _levels(frame: Frame) -> list[tuple[str, NDArray[np.float64]]]:
    found = [(name, frame.get(name)) for name in LEVELS if frame.has(name)]
    if frame.has("charged_ah") and frame.has("discharged_ah"):
        found.insert(0, ("charged_ah less discharged_ah", frame.get("charged_ah") - frame.get("discharged_ah")))
    return found


def _follows(
    current: NDArray[np.float64], moved: NDArray[np.float64], told: NDArray[np.float64], ts_ms: NDArray[np.int64]
) -> bool:
    """Whether the counter moves by about the same share of what flows, so that it is this current that it counts."""
    rows = np.flatnonzero(told)
    rows = rows[rows < len(moved)]
    charge = np.abs(current[rows]) * np.diff(ts_ms)[rows]
    if len(rows) < LEAST_ROWS:
        return False
    share = np.abs(moved[rows]) / charge
    usual = float(np.median(share))
    return bool(np.mean((share >= usual / ALIKE) & (share <= usual * ALIKE)) >= 1 - LEAST_SHARE / 2)
