"""Unchecked: the ends of a file in which nothing tells which way its current counts, though it does elsewhere.

A monitor that is updated or set anew may count the other way from then on. Where loads are too small for the steps that
tell each by itself (`sign`), all changes of an end together still may: voltage rises with the current by Ohm's law.
"""

from __future__ import annotations

from dataclasses import dataclass
from typing import TYPE_CHECKING

import numpy as np

from logbook.ingest.run import thinned
from logbook.ingest.sign import MOST_STEP_MS, OPEN_SHARE

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


def unchecked_ends(frame: Frame, found: VotesOfSources) -> list[End]:
    """The ends before the first and after the last vote that hold a good part of the time; a lone last vote against all is none."""
    most = 1.0 if sum(float(signs.sum()) for _, signs in found) >= 0 else -1.0
    agreeing = [rows[signs == most] for rows, signs in found]
    if not any(map(len, agreeing)):
        return []
    first_vote = min(int(rows.min()) for rows in agreeing if len(rows))
    last_vote = max(int(rows.max()) for rows in agreeing if len(rows))
    ends = [(0, first_vote - 1), (last_vote + 1, len(frame) - 1)]
    return [
        End(first, last, ohm_lean(frame, first, last), _against(found, (first, last)) >= MANY_AGAINST)
        for first, last in _large(frame, found, ends)
    ]


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
    return sum(int(np.count_nonzero((rows >= end[0]) & (rows <= end[1]))) for rows, _ in found)


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
    spread = max(float(np.sqrt(((step_v - slope * step_a) ** 2).mean())), _step(voltage) / np.sqrt(12))
    return slope * float(np.sqrt((step_a**2).sum())) / spread


def _step(values: NDArray[np.float64]) -> float:
    """The smallest change of a column."""
    steps = np.abs(np.diff(values[np.isfinite(values)]))
    steps = steps[steps > 1e-9]
    return float(steps.min()) if len(steps) else 1e-9
