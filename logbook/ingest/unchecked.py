"""Unchecked: the ends of a file in which nothing tells which way its current counts, though it does elsewhere.

A monitor that is updated or set anew may count the other way from then on. Where loads are too small for the steps that
tell each by itself (`sign`), all changes of an end together still may: voltage rises with the current by Ohm's law.
"""

from __future__ import annotations

from dataclasses import dataclass
from typing import TYPE_CHECKING

import numpy as np

from logbook.ingest.run import thinned
from logbook.ingest.sign import (
    MOST_STEP_MS,
    OPEN_SHARE,
    PLATEAU_CELL_V,
    cells_likely,
    step_votes,
)
from logbook.ingest.turn import LIKELY_OHM, MIRROR_LEAST_A, MIRROR_OHM, MIRROR_SHARE, smallest_step

if TYPE_CHECKING:
    from numpy.typing import NDArray

    from logbook.ingest.frame import Frame
    from logbook.ingest.sign import VotesOfSources

LEAST_ROWS, LEAST_SHARE, SHARE_AGAINST = 20, 0.25, 0.08
"""An end of fewer rows with a current, or of less of the time a current flowed, is not worth a word; of one with votes
against the rest much less is (ours)."""
MANY_AGAINST = 3
"""So many votes against the rest, and none with it, are worth a word however little flowed."""
LEAST_FLOW_A = 0.2
LEAST_CHANGE_A, LEAST_CHANGES = 0.05, 8
SURE = 4.0
"""Standard errors from which on the slope of voltage over current has a sign."""


@dataclass(frozen=True)
class End:
    """Rows of an end, both included, and what Ohm's law says of them."""

    first: int
    last: int
    lean: float
    """Standard errors by which the voltage goes with (+) the current or against it (-)."""
    contradicted: bool
    """Whether votes enough speak against the rest there, whatever Ohm's law says."""


def unchecked_ends(frame: Frame, found: VotesOfSources, cells_in_series: int | None = None) -> list[End]:
    """The ends before the first and after the last vote that hold a good part of the time, or in which the sign seems to turn.

    A lone last vote against all is none.
    """
    most = 1.0 if sum(float(votes.signs.sum()) for votes in found) >= 0 else -1.0
    agreeing = [votes.rows[votes.signs == most] for votes in found]
    if not any(map(len, agreeing)):
        return []
    voted = np.zeros(len(frame), bool)
    voted[np.concatenate(agreeing)] = True
    votes = np.flatnonzero(voted)
    ends = [(0, int(votes[0]) - 1), (int(votes[-1]) + 1, len(frame) - 1)]
    large = _large(frame, found, ends)
    found_ends = [
        End(first, last, ohm_lean(frame, first, last), _against(found, (first, last)) >= MANY_AGAINST)
        for first, last in large
    ]
    # a percentage may have moved by what flowed before the turn: the vote before it is the last sure one
    wider = [(0, int(votes[min(1, len(votes) - 1)]) - 1), (int(votes[max(len(votes) - 2, 0)]) + 1, len(frame) - 1)]
    found_ends += [
        End(*seeming, 0.0, contradicted=True)
        for at_start, end, wide in zip((True, False), ends, wider, strict=True)
        if end not in large and (seeming := _seeming(frame, wide, most, cells_in_series, at_start=at_start))
    ]
    return sorted(found_ends, key=lambda end: end.first)


def _seeming(
    frame: Frame, end: tuple[int, int], most: float, cells_in_series: int | None, *, at_start: bool
) -> tuple[int, int] | None:
    """What of an end seems turned: where steps of its own size, up and down, all disagree, or its current is mirrored.

    A file's largest loads make such steps too small to vote; those of one direction alone may be a taper.
    """
    first, last = end
    part = frame.take(slice(first, last + 1))
    if len(part) < LEAST_ROWS:
        return None
    rows, signs = _flat_steps(frame, part, cells_in_series)
    agreeing = rows[signs * most > 0]
    if len(agreeing):
        first, last = (first, first + int(agreeing[0]) - 1) if at_start else (first + int(agreeing[-1]) + 1, last)
    if last - first + 1 < LEAST_ROWS:
        return None
    against = rows[(rows + end[0] >= first) & (rows + end[0] <= last)]
    up = part.get("current_a")[against] > part.get("current_a")[against - 1]
    to_and_fro = up.any() and not up.all()
    return (first, last) if to_and_fro or _mirrored(frame.take(slice(first, last + 1))) else None


def _flat_steps(frame: Frame, part: Frame, cells_in_series: int | None) -> tuple[NDArray[np.intp], NDArray[np.float64]]:
    """Votes of steps of a part's own size where the voltage is flat: near full and empty it moves by itself."""
    rows, signs, _ = step_votes(part, cells_in_series)
    if not len(rows):
        return rows, signs
    voltage = part.get("voltage_v")
    low, high = OPEN_SHARE * float(np.nanmedian(thinned(frame.get("voltage_v")))), np.inf
    if cells := cells_in_series or cells_likely(frame.get("voltage_v")):
        low, high = (limit * cells for limit in PLATEAU_CELL_V)
    flat = (np.minimum(voltage[rows], voltage[rows - 1]) > low) & (np.maximum(voltage[rows], voltage[rows - 1]) < high)
    return rows[flat], signs[flat]


def _mirrored(part: Frame) -> bool:
    """Whether a current becomes its own mirror image while a voltage fine enough to show that stands."""
    current, voltage = part.get("current_a"), part.get("voltage_v")
    before, after = current[:-1], current[1:]
    size = np.abs(before) + np.abs(after)
    mirrored = (before * after < 0) & (np.abs(before + after) <= MIRROR_SHARE * size / 2) & (size >= 2 * MIRROR_LEAST_A)
    mirrored &= (np.abs(np.diff(voltage)) <= MIRROR_OHM * size) & (np.diff(part.ts_ms) <= MOST_STEP_MS)
    return bool((mirrored & (LIKELY_OHM * size >= smallest_step(voltage))).any())


def _large(frame: Frame, found: VotesOfSources, ends: list[tuple[int, int]]) -> list[tuple[int, int]]:
    """Those ends, first and last row, in which current flows for a good part of the file's time."""
    ends = [(first, last) for first, last in ends if last - first + 1 >= LEAST_ROWS]
    if not ends:
        return []
    current = frame.get("current_a")
    flows = ((current >= LEAST_FLOW_A) | (current <= -LEAST_FLOW_A))[:-1]
    steps_ms = np.minimum(np.diff(frame.ts_ms), MOST_STEP_MS)
    whole_ms = np.add.reduce(steps_ms, where=flows)
    inside = ((end, slice(end[0], end[1] + 1)) for end in ends)
    return [
        end
        for end, rows in inside
        if (against := _against(found, end)) >= MANY_AGAINST
        or (
            np.count_nonzero(flows[rows]) >= LEAST_ROWS
            and np.add.reduce(steps_ms[rows], where=flows[rows])
            >= (SHARE_AGAINST if against else LEAST_SHARE) * whole_ms
        )
    ]


def _against(found: VotesOfSources, end: tuple[int, int]) -> int:
    """Votes in an end, all of which speak against the rest, as it holds none that agree."""
    return sum(int(np.count_nonzero((rows >= end[0]) & (rows <= end[1]))) for rows, _, _ in found)


def ohm_lean(frame: Frame, first: int, last: int) -> float:
    """Slope of the voltage's changes over the current's between two rows, in its standard errors; 0 where too few change."""
    inside = slice(first, last + 1)
    current, voltage = frame.get("current_a")[inside], frame.get("voltage_v")[inside]
    if not np.isfinite(voltage).any():
        return 0.0
    closed = voltage > OPEN_SHARE * float(np.nanmedian(thinned(frame.get("voltage_v"))))
    step_a, step_v = np.diff(current), np.diff(voltage)
    near = (np.diff(frame.ts_ms[inside]) <= MOST_STEP_MS) & closed[1:] & closed[:-1]
    near &= np.isfinite(step_a) & np.isfinite(step_v) & (np.abs(step_a) >= LEAST_CHANGE_A)
    step_a, step_v = step_a[near], step_v[near]
    if len(step_a) < LEAST_CHANGES or not step_v.any():
        return 0.0
    slope = float((step_a * step_v).sum() / (step_a**2).sum())
    # a register's step at the least: a voltage that follows exactly is still rounded
    spread = max(float(np.sqrt(((step_v - slope * step_a) ** 2).mean())), smallest_step(voltage) / np.sqrt(12))
    return slope * float(np.sqrt((step_a**2).sum())) / spread
