"""Merging what a file brings with what is stored: new, known, completing or contradicting; no database here."""

from __future__ import annotations

from dataclasses import dataclass
from typing import TYPE_CHECKING

import numpy as np

from logbook.store.samples import MISSING, Samples, joined

if TYPE_CHECKING:
    from numpy.typing import NDArray

STEPS = (1000, 100, 10)
"""Resolutions a coarser export may have, in thousandths of the unit."""
ENOUGH = 20
"""Values it takes to tell a resolution from chance."""


@dataclass(frozen=True, eq=False)
class Merge:
    """What becomes of the incoming samples."""

    new: Samples
    shared: Samples
    """Incoming samples that agree with what is stored at their times."""
    contradicting: Samples
    contradicted: Samples
    before: Samples
    completed: Samples
    """Stored samples that gain values they did not have, before and with those values."""
    result: Samples
    """All samples of the range afterwards."""


def resolutions(values: NDArray[np.int64]) -> NDArray[np.int64]:
    """Give the resolution of each quantity, in thousandths: the largest step that all its values are multiples of."""
    return np.array([resolution(column[column != MISSING]) for column in values], np.int64)


def resolution(values: NDArray[np.int64]) -> int:
    """Give the resolution of values that are all there."""
    if len(values) < ENOUGH:
        return 1
    return next((step for step in STEPS if not (values[:ENOUGH] % step).any() and not (values % step).any()), 1)


def merge(stored: Samples, incoming: Samples, steps: NDArray[np.int64]) -> Merge:
    """Compare by time; values that differ by no more than the coarser side's rounding are the same.

    `steps` are the resolutions of the whole file, which a part of it may not show.
    """
    position = np.searchsorted(stored.ts_ms, incoming.ts_ms)
    inside = position < len(stored)
    found = np.zeros(len(incoming), np.bool_)
    found[inside] = stored.ts_ms[position[inside]] == incoming.ts_ms[inside]
    here, there = incoming.taken(np.flatnonzero(found)), stored.taken(position[found])
    tolerance = np.maximum(steps, resolutions(there.values))[:, np.newaxis] // 2
    absent, brought = there.values == MISSING, here.values != MISSING
    # the difference is only looked at where both are there; elsewhere it may wrap around
    apart = np.abs(np.where(absent | ~brought, 0, there.values - here.values))
    differs: NDArray[np.bool_] = np.any(apart > tolerance, axis=0)
    completes = np.any(absent & brought, axis=0) & ~differs
    completed = Samples(
        there.ts_ms[completes],
        np.where(absent, here.values, there.values)[:, completes],
        there.import_id[completes],
    )
    new = incoming.taken(~found) if found.any() else incoming
    return Merge(
        new=new,
        shared=here.taken(~differs),
        contradicting=here.taken(differs),
        contradicted=there.taken(differs),
        before=there.taken(completes),
        completed=completed,
        result=joined(_replaced(stored, completed), new),
    )


def combined(brought: Samples) -> Samples:
    """Give one sample a time from several imports': the first value that is there, in order of import.

    `brought` is in order of time, then import; it is the same rule `merge` follows one import at a time.
    """
    if not len(brought):
        return brought
    starts = np.flatnonzero(np.diff(brought.ts_ms, prepend=brought.ts_ms[0] - 1))
    sizes = np.diff(starts, append=len(brought))
    values = brought.values[:, starts]
    for rank in range(1, int(sizes.max())):
        deep = np.flatnonzero(sizes > rank)
        later = brought.values[:, starts[deep] + rank]
        values[:, deep] = np.where(values[:, deep] == MISSING, later, values[:, deep])
    return Samples(brought.ts_ms[starts], values, brought.import_id[starts])


def _replaced(stored: Samples, changed: Samples) -> Samples:
    if not len(changed):
        return stored
    values = stored.values.copy()
    values[:, np.searchsorted(stored.ts_ms, changed.ts_ms)] = changed.values
    return Samples(stored.ts_ms, values, stored.import_id)
