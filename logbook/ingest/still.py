"""Still: a stretch in which too little moves to tell a copy by another clock from a pack that rests on.

What is left to compare are its edges: where an export, or what lies between two gaps, begins and ends, and where a value
changes. Rest that goes on has edges of its own; in a copy they stand as far off as everything else does.
"""

from __future__ import annotations

from dataclasses import dataclass
from typing import TYPE_CHECKING

import numpy as np

from logbook.ingest.moved import QUANTITIES, SHIFTS_MS, STORED_ROUNDING, common_rows, equal_values, moves, places
from logbook.ingest.run import nearly_all
from logbook.units import MS_PER_HOUR, MS_PER_S, S_PER_MINUTE

if TYPE_CHECKING:
    from numpy.typing import NDArray

    from logbook.ingest.frame import Frame

WITHOUT_HOLE = 1.6
"""Neighbours no further apart than so many usual steps have no reading missing between them."""
SURE_EDGES, LIKELY_EDGES = 2, 1
"""Edges that coincide make a copy sure enough to be set aside, or likely enough to be asked about (ours)."""
COARSE_MS = 5 * S_PER_MINUTE * MS_PER_S
"""Of rows further apart one edge coincides by chance: half an hour holds only a few of them (ours)."""
LEAST_AGAINST = 0.05


@dataclass(frozen=True)
class Still:
    """Rows that may be a copy of earlier ones by another clock."""

    shift_ms: int
    sure: bool
    """Whether their edges say so; else it is as likely as not."""


@dataclass(frozen=True, eq=False)
class _Edges:
    begins: NDArray[np.bool_]
    ends: NDArray[np.bool_]


def still_between(earlier: Frame, later: Frame, *, open_start: bool = False) -> Still | None:
    """How far off the later rows may be a copy of the earlier ones, where values that move do not tell; both ascending.

    With `open_start` the earlier rows begin where they were cut, which is no edge.
    """
    if min(len(earlier), len(later)) < 2:
        return None
    step = float(np.median(np.diff(later.ts_ms)))
    overlapping = later.ts_ms[0] <= earlier.ts_ms[-1] and earlier.ts_ms[0] <= later.ts_ms[-1]
    gap = max(later.ts_ms[0] - earlier.ts_ms[-1], earlier.ts_ms[0] - later.ts_ms[-1])
    if not overlapping and gap <= WITHOUT_HOLE * step:
        return None  # it goes on where the other ended
    shifts = [
        shift
        for shift in SHIFTS_MS
        if (common := common_rows(earlier, later, shift)) and _alike(earlier, later, common)
    ]
    if not shifts:
        return None
    edges = _edges(earlier, step), _edges(later, step)
    edges[0].begins[0] &= not open_start
    as_it_stands, against = _here(earlier, later, edges)
    if as_it_stands >= SURE_EDGES:
        return None
    counted = {shift: _coincident(earlier, later, edges, shift) + against for shift in shifts}
    best = max(counted, key=lambda shift: (counted[shift], -abs(shift)))
    more = int(step > COARSE_MS)
    if counted[best] - as_it_stands < LIKELY_EDGES + more:
        undecided = as_it_stands < LIKELY_EDGES and overlapping and _wholly_still(edges[1], shifts)
        return Still(undecided, sure=False) if undecided else None
    return Still(best, overlapping and counted[best] - as_it_stands >= SURE_EDGES + more)


def nothing_tells(earlier: Frame, later: Frame) -> int | None:
    """By how many ms the later rows may be a copy that nothing tells from rest, or use, that came again; None where they go on.

    Said where neither the values nor the edges decide. Rows that begin where the others end, or with the last of
    them, go on: a copy would do so by chance only.
    """
    if min(len(earlier), len(later)) < 2:
        return None
    step = float(np.median(np.diff(later.ts_ms)))
    if 0 <= later.ts_ms[0] - earlier.ts_ms[-1] <= WITHOUT_HOLE * step:
        return None
    for shift in SHIFTS_MS:
        common = common_rows(earlier, later, shift)
        if common is None:
            continue
        equal = equal_values(earlier, common[0], later, common[1], STORED_ROUNDING)
        if nearly_all(equal) and not _equal_here(earlier, later, common[1]).all():
            return shift
    return None


def _equal_here(earlier: Frame, later: Frame, rows: NDArray[np.intp]) -> NDArray[np.bool_]:
    """Which of these later rows stand among the earlier ones at their own times."""
    place, there = places(earlier, later.ts_ms[rows])
    return there & equal_values(earlier, place, later, rows, STORED_ROUNDING)


def _wholly_still(later: _Edges, shifts: list[int]) -> int | None:
    """The summer-time hour by which a stretch without any edge but its ends may be off; None where it has one, or cannot be."""
    if later.begins[1:].any() or later.ends[:-1].any():
        return None
    return next((shift for shift in shifts if abs(shift) == MS_PER_HOUR), None)


def _alike(earlier: Frame, later: Frame, common: tuple[NDArray[np.intp], NDArray[np.intp]]) -> bool:
    """Whether common rows are equal and hardly anything moves in them; what moves and comes again has edges anywhere."""
    first, second = common
    some = slice(None, None, max(len(first) // 200, 1))
    if not nearly_all(equal_values(earlier, first[some], later, second[some], STORED_ROUNDING)):
        return False
    equal = equal_values(earlier, first, later, second, STORED_ROUNDING)
    return nearly_all(equal) and not moves(earlier, later, common, equal)


def _edges(frame: Frame, step: float) -> _Edges:
    """Rows at which something begins, or ends, [n] each."""
    gaps = np.diff(frame.ts_ms) > WITHOUT_HOLE * step
    changed = np.zeros(len(frame) - 1, bool)
    for name in QUANTITIES:
        if name in frame.columns:
            values = frame.columns[name]
            changed |= np.abs(np.diff(values)) > STORED_ROUNDING
    return _Edges(np.concatenate([[True], gaps | changed]), np.concatenate([gaps, [True]]))


def _here(earlier: Frame, later: Frame, edges: tuple[_Edges, _Edges]) -> tuple[int, int]:
    """How many edges coincide at the times as they stand, and 1 where the values there speak against each other."""
    place, there = places(earlier, later.ts_ms)
    rows = np.flatnonzero(there)
    if not len(rows):
        return 0, 0
    equal = equal_values(earlier, place[rows], later, rows)
    return _coincident(earlier, later, edges, 0), int((~equal).mean() > LEAST_AGAINST)


def _coincident(earlier: Frame, later: Frame, edges: tuple[_Edges, _Edges], shift: int) -> int:
    place, there = places(earlier, later.ts_ms - shift)
    rows = np.flatnonzero(there)
    place = place[rows]
    same = equal_values(earlier, place, later, rows, STORED_ROUNDING)
    begin = edges[0].begins[place] & edges[1].begins[rows] & same
    end = edges[0].ends[place] & edges[1].ends[rows] & same
    return int(np.count_nonzero(begin)) + int(np.count_nonzero(end))
