"""Contrary: stretches of a file in which what tells the sign of the current speaks against all the rest."""

from __future__ import annotations

import itertools
from dataclasses import dataclass
from typing import TYPE_CHECKING

import numpy as np

from logbook.ingest.sign import MOST_STEP_MS, NO_VOTES, merged
from logbook.ingest.turn import firm, mirrors, stretches
from logbook.ingest.unchecked import LEAST_SHARE, MANY_AGAINST

if TYPE_CHECKING:
    from numpy.typing import NDArray

    from logbook.ingest.frame import Frame
    from logbook.ingest.sign import Ballot, VotesOfSources

STEADY_SHARE, STEADY_COSTS, STEADY_VOTES = 0.85, 2, 25
"""A source is heard on a stretch where so many of its votes agree with those around them (ours)."""
AGAINST_COSTS = 1
"""Three votes more against the rest than with it make a stretch that is told (ours)."""
MUCH_AGAINST, MUCH_MS = 3.0, 30 * 60_000
"""So many votes more against the rest than with it, for so long, are a warning, and one more for each tenfold of votes beyond
a hundred: a year of use has stretches of three by chance (ours)."""


@dataclass(frozen=True)
class Untold:
    """First and last row of stretches whose current may be of the other sign."""

    contrary: tuple[tuple[int, int], ...]
    """Where much speaks for it."""
    slight: tuple[tuple[int, int], ...]
    """Where a vote or two do, as chance lets them in a long log."""


def heard(frame: Frame, found: VotesOfSources, cells_in_series: int | None) -> VotesOfSources:
    """The votes that say something of a stretch: firm ones, of sources that are steady; the others' are none."""
    soc, step, top, words = found
    sources = (soc, firm(frame, step, cells_in_series), top, words)
    return tuple(source if _steady(source) else NO_VOTES for source in sources)


def untold(frame: Frame, found: VotesOfSources, steps: NDArray[np.intp]) -> Untold:
    """What is to be told of a file whose turns, if any, are mended; `found` as by `heard`."""
    votes = merged(*found)
    if not len(votes.rows):
        return Untold((), ())
    most = 1.0 if votes.signs.sum() >= 0 else -1.0
    against = _joined(_against(frame, votes, steps, most))
    contrary = [part for part in against if _much(frame, votes, part, most)]
    slight = [part for part in against if part not in contrary]
    return Untold(tuple(contrary), tuple(slight))


def _much(frame: Frame, votes: Ballot, part: tuple[int, int], most: float) -> bool:
    """Whether a stretch speaks against the rest for longer and by more votes than chance lets one in a long log."""
    inside = (votes.rows >= part[0]) & (votes.rows <= part[1])
    outnumber = -float(votes.signs[inside].sum()) * most
    return outnumber >= max(MUCH_AGAINST, 1.0 + np.log10(len(votes.rows))) and bool(
        frame.ts_ms[part[1]] - frame.ts_ms[part[0]] >= MUCH_MS
    )


def _against(frame: Frame, votes: Ballot, steps: NDArray[np.intp], most: float) -> list[tuple[int, int]]:
    """From the last vote with the rest before it to the first one after it.

    Also where the current becomes its own mirror image between two such votes, as if the sign turned over and back.
    """
    cuts = [0, *stretches(votes.signs, AGAINST_COSTS), len(votes.rows)]
    end = len(frame) - 1
    against = [
        (int(votes.begins[first - 1]) + 1 if first else 0, int(votes.rows[last]) - 1 if last < len(votes.rows) else end)
        for first, last in itertools.pairwise(cuts)
        if votes.signs[first:last].sum() * most < (0 if first > 0 and last < len(votes.rows) else 1 - MANY_AGAINST)
    ]
    sure = votes.chosen(votes.signs == most)
    if len(sure.rows):
        alone = votes.rows[votes.signs != most]
        around = [_beside(sure, int(row), end) for row in alone]
        against += [part for part in around if part[0] and part[1] < end and _share(frame, *part) >= LEAST_SHARE]
        against += [_beside(sure, int(row) + 1, end) for row in mirrors(frame, steps)]
    return against


def _beside(sure: Ballot, row: int, end: int) -> tuple[int, int]:
    """The rows about a row between two votes, one of which may rest on what flowed on both sides of a turn."""
    place = int(np.searchsorted(sure.rows, row, side="left"))
    first = int(sure.begins[place - 1]) + 1 if place else 0
    return first, int(sure.rows[place]) - 1 if place < len(sure.rows) else end


def _share(frame: Frame, first: int, last: int) -> float:
    """Of the time, so much lies between two rows; gaps count little."""
    spent = np.minimum(np.diff(frame.ts_ms[first : last + 1]), MOST_STEP_MS)
    return float(spent.sum()) / max(float(frame.ts_ms[-1] - frame.ts_ms[0]), 1.0)


def _steady(source: Ballot) -> bool:
    """Whether nearly all votes of a source go as those around them; others say nothing of a stretch."""
    if len(source.signs) < STEADY_VOTES:
        return True
    cuts = stretches(source.signs, STEADY_COSTS)
    parts = np.split(source.signs, cuts)
    agreeing = sum(abs(float(part.sum())) for part in parts) / len(source.signs)
    return agreeing >= 2 * STEADY_SHARE - 1 and len(cuts) <= max(2, len(source.signs) // STEADY_VOTES)


def _joined(parts: list[tuple[int, int]]) -> list[tuple[int, int]]:
    joined: list[tuple[int, int]] = []
    for first, last in parts:
        if joined and first <= joined[-1][1] + 1:
            joined[-1] = (joined[-1][0], max(joined[-1][1], last))
        elif last >= first:
            joined.append((first, last))
    return joined
