"""Silence: how long a log that is written on change says nothing because nothing changes.

Two signs of such a log, each of a UTC day by itself, so that the answer for a day does not depend on what else is
looked at. It repeats itself after a fixed time: its longest steps are alike, and the current after them is the one
before. Or no row ever repeats the one before, where rows taken by the clock would have: as often as their quantities
stand still one by one. What a row says holds until the next then, be that after a second or most of an hour.
"""

from __future__ import annotations

from typing import TYPE_CHECKING

import numpy as np

from logbook.schema.reading import QUANTITY_NAMES
from logbook.units import MS_PER_DAY, MS_PER_S

if TYPE_CHECKING:
    from numpy.typing import NDArray

    from logbook.schema.reading import Readings

SLACK = 1.05
LEAST_HEARTBEATS, MOSTLY_SAME = 4, 0.75
SAME_A, SAME_SHARE = 0.05, 0.02
BUSY_STEPS = 1.5
"""Steps up to this many times the usual short one are those between rows that follow each other at once (ours)."""
LEAST_EXPECTED, MOST_REPEATS = 5.0, 0.05
"""Rows that should have repeated the one before, if they were taken by the clock, and the share that may do so (ours)."""


def silence_s(readings: Readings, longest_s: float) -> NDArray[np.float64]:
    """How long each reading holds though no other follows, [n] in s: 0 where the log is not written on change."""
    step_s = np.diff(readings.ts_ms) / MS_PER_S
    day = readings.ts_ms // MS_PER_DAY
    starts = np.flatnonzero(np.append(True, day[1:] != day[:-1]))
    current_a = readings.current_a
    same = np.abs(np.diff(current_a)) <= SAME_A + SAME_SHARE * np.abs(current_a[:-1])
    result = np.zeros(len(day))
    for first, last in zip(starts, np.append(starts[1:], len(day)), strict=True):
        inside = step_s[first : last - 1]
        short = inside <= longest_s
        if not short.any():
            continue
        longest = float(inside[short].max())
        silent = short & (inside >= longest / SLACK)
        repeats = silent.sum() >= LEAST_HEARTBEATS and same[first : last - 1][silent].mean() >= MOSTLY_SAME
        if repeats or _never_repeats(readings, slice(first, last), inside):
            result[first:last] = SLACK * longest
    return result


def _never_repeats(readings: Readings, rows: slice, step_s: NDArray[np.float64]) -> bool:
    """Whether rows that follow each other at once are never the same, although each quantity often is."""
    busy = step_s <= BUSY_STEPS * float(np.partition(step_s, len(step_s) // 10)[len(step_s) // 10])
    if busy.sum() < LEAST_EXPECTED or busy.all():
        return False
    still = [_stands(getattr(readings, name)[rows])[busy] for name in QUANTITY_NAMES]
    expected = float(np.prod([stands.mean() for stands in still])) * busy.sum()
    return expected >= LEAST_EXPECTED and np.logical_and.reduce(still).sum() <= MOST_REPEATS * expected


def _stands(values: NDArray[np.float64]) -> NDArray[np.bool_]:
    before, after = values[:-1], values[1:]
    return np.asarray((before == after) | (np.isnan(before) & np.isnan(after)))
