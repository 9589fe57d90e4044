"""Turn: where the sign of a file's current turns over, as after an update of the monitor, and how surely the row is known.

Between the last vote for the old way and the first for the new one nothing tells which of them counts.
"""

from __future__ import annotations

import itertools
from dataclasses import dataclass
from typing import TYPE_CHECKING

import numpy as np

from logbook.ingest.sign import (
    MOST_BESIDE_MS,
    PLATEAU_CELL_V,
    SURE_VOTES,
    Ballot,
    cells_likely,
    merged,
    one_turn,
    steps_stand,
)
from logbook.units import MS_PER_HOUR

if TYPE_CHECKING:
    from numpy.typing import NDArray

    from logbook.ingest.frame import Frame
    from logbook.ingest.sign import VotesOfSources

FLIP_VOTES = 8
"""A stretch between turns needs so many votes of its own."""
FLIP_SHARE = 0.85
"""Of the votes on either side of a turn so many go one way (ours)."""
TURN_COSTS = 4
"""A turn explains votes better where at least so many more would be wrong without it (ours)."""
LEAST_TURNED_MS = 2 * MS_PER_HOUR
"""Nobody sets a monitor anew and back within so little time; what speaks against the rest there is told and no turn (ours)."""
BESIDE = 4 * FLIP_VOTES
STRAY, COARSE_MS = 1, 60_000
"""So many percentages beside a turn may be wrong, by what flowed before or by rounding, and so many steps of readings so
far apart, between which the voltage moves by itself."""
MIRROR_SHARE, MIRROR_LEAST_A = 0.25, 0.5
"""A current that becomes its own mirror image, within so much of its size, while the voltage stands."""
MIRROR_OHM = 2e-3
"""A true step would move the voltage by more than this times the step (from memory: packs with leads 5 to 20 mΩ)."""
LIKELY_OHM = 5e-3
"""A voltage whose own step is larger than this times the current's would stand at a true one too."""


FIRM_WITHIN = 2.5
"""A step within this factor of the usual resistance is one of Ohm's law (ours)."""


@dataclass(frozen=True)
class Flip:
    """The row that begins the other sign; rows from `unsure` up to it, and from it up to `sure`, may be of either."""

    row: int
    unsure: int
    sure: int


def flips(frame: Frame, found: VotesOfSources, cells_in_series: int | None = None) -> list[Flip]:
    """Where the sign of the current turns over; each stretch between turns has votes enough of its own, nearly all one way."""
    soc, step, top, words = found
    sure = merged(firm(frame, step, cells_in_series), top)
    by_steps = len(sure.rows) >= 2 * FLIP_VOTES
    votes = sure if by_steps else soc
    cuts = _turns(votes.signs)
    if not cuts and by_steps:
        by_steps, votes = False, soc
        cuts = _turns(soc.signs)
    if not cuts:
        by_steps, votes = False, sure
        cuts = one_turn(sure.signs)
    if not cuts:
        votes = merged(soc, sure, words)
        cuts = one_turn(votes.signs)
    if not cuts:
        return []
    rows = [int(votes.rows[cut]) for cut in cuts]
    if any(frame.ts_ms[after] - frame.ts_ms[before] < LEAST_TURNED_MS for before, after in itertools.pairwise(rows)):
        return []
    edges = [0, *rows, len(frame)]
    if not by_steps and any(steps_stand(sure, edges[at + 1], edges[at], edges[at + 2]) for at in range(len(cuts))):
        return []
    if by_steps and _torn(soc, rows):
        return []
    # a percentage that moved across the turn may have voted as before
    return [
        _placed(
            frame,
            [_near(ballot, edges[at], edges[at + 1], edges[at + 2]) for ballot in (merged(sure, words), soc)],
            (edges[at], edges[at + 2]),
            float(np.sign(votes.signs[:cut][votes.rows[:cut] >= edges[at]].sum())),
        )
        for at, cut in enumerate(cuts)
    ]


def firm(frame: Frame, step: Ballot, cells_in_series: int | None) -> Ballot:
    """Steps where the voltage is flat that move it about as far as most do: near full and empty it goes its own way."""
    if not len(step.rows):
        return step
    current, voltage = frame.get("current_a"), frame.get("voltage_v")
    before, after = voltage[step.begins], voltage[step.rows]
    ohm = np.abs((after - before) / (current[step.rows] - current[step.begins]))
    usual = float(np.median(ohm))
    kept = (ohm >= usual / FIRM_WITHIN) & (ohm <= usual * FIRM_WITHIN)
    if cells := cells_in_series or cells_likely(voltage):
        low, high = (limit * cells for limit in PLATEAU_CELL_V)
        higher = np.maximum(before, after)
        kept &= (higher > low) & (higher < high)
    return step.chosen(kept)


def _torn(soc: Ballot, turns: list[int]) -> bool:
    """Whether the percentage, which went with the current alike all along, would not any more once it is turned there."""
    if len(soc.signs) < SURE_VOTES:
        return False
    turned = np.where(np.searchsorted(turns, soc.rows, side="right") % 2, -soc.signs, soc.signs)
    return bool(abs(turned.mean()) < abs(soc.signs.mean()))


def _turns(signs: NDArray[np.float64]) -> list[int]:
    """The votes that begin another way, where each stretch has enough of them and nearly all beside a turn agree."""
    costs = TURN_COSTS
    while cuts := stretches(signs, costs):
        if _clear(signs, cuts):
            return cuts
        costs *= 2
    return []


def _clear(signs: NDArray[np.float64], cuts: list[int]) -> bool:
    edges = [0, *cuts, len(signs)]
    for before, cut, after in zip(edges, edges[1:], edges[2:], strict=False):
        sides = signs[before:cut], signs[cut:after]
        if min(map(len, sides)) < FLIP_VOTES:
            return False
        near = sides[0][-BESIDE:], sides[1][:BESIDE]
        if any(abs(side.mean()) < 2 * FLIP_SHARE - 1 for side in near):
            return False
    return True


def stretches(signs: NDArray[np.float64], costs: int) -> list[int]:
    """The votes that begin another way, where a wrong vote costs 1 and a turn `costs`, at the least cost in all.

    An end of votes goes another way where more than `costs` of them outnumber the others, what lies inside where
    more than twice as many do.
    """
    if not len(signs):
        return []
    walk = np.concatenate([[0.0], np.cumsum(signs if signs.sum() >= 0 else -signs)])
    if (np.maximum.accumulate(walk) - walk).max() <= costs:
        return []
    up = signs > 0
    begins = np.concatenate([[0], np.flatnonzero(up[1:] != up[:-1]) + 1])
    lengths = np.diff(begins, append=len(signs)).tolist()
    return _cheapest(begins.tolist(), lengths, [bool(way) for way in up[begins]], costs)


def _cheapest(begins: list[int], lengths: list[int], ways: list[bool], costs: int) -> list[int]:
    """Dynamic programming over runs of equal votes, two states."""
    down, up = 0, 0
    from_up, from_down = [], []  # whether each state was reached by a turn
    for length, way in zip(lengths, ways, strict=True):
        from_up.append(up + costs < down)
        from_down.append(down + costs < up)
        down, up = min(down, up + costs), min(up, down + costs)
        if way:
            down += length
        else:
            up += length
    state, cuts = up <= down, []
    for at in range(len(begins) - 1, 0, -1):
        if (from_down if state else from_up)[at]:
            cuts.append(begins[at])
            state = not state
    return cuts[::-1]


def _near(ballot: Ballot, first: int, row: int, last: int) -> Ballot:
    """The votes next to a row, on both sides, up to the next turns."""
    low, at, high = (int(place) for place in np.searchsorted(ballot.rows, [first, row, last]))
    return ballot.chosen(slice(max(low, at - BESIDE), min(high, at + BESIDE)))


def _placed(frame: Frame, sources: list[Ballot], span: tuple[int, int], before: float) -> Flip:
    """Where a turn may lie by what each source says; where two speak against each other, anywhere either says."""
    sure, percentages = sources
    coarse = bool(np.median(np.diff(frame.ts_ms[span[0] : span[1]])) >= COARSE_MS)
    first, last = _between(sure, before, span, STRAY * coarse)
    other = _between(percentages, before, span, STRAY)
    if max(first, other[0]) <= min(last, other[1]):
        first, last = max(first, other[0]), min(last, other[1])
    else:
        both = _between(merged(sure, percentages), before, span, STRAY)
        first, last = min(both[0], last, other[1]), max(both[1], first, other[0])
    last = min(last, len(frame) - 1)
    row = _mirrored(frame, first, last)
    return Flip(last, first, last) if row is None else Flip(row, row, row)


def _between(votes: Ballot, before: float, span: tuple[int, int], stray: int) -> tuple[int, int]:
    """First and last row that can begin the new way with the fewest wrong votes, or `stray` more of them."""
    old = votes.signs == before
    falls, rises = np.sort(votes.begins[old]) + 1, np.sort(votes.rows[~old]) + 1
    places = np.unique(np.concatenate([[span[0]], falls, rises]))
    places = places[(places >= span[0]) & (places <= span[1])]
    wrong = len(falls) - np.searchsorted(falls, places, side="right") + np.searchsorted(rises, places, side="right")
    fit = np.flatnonzero(wrong <= wrong.min() + (stray if min(len(falls), len(rises)) >= SURE_VOTES else 0))
    ends = np.concatenate([places[1:] - 1, [span[1]]])
    return int(places[fit[0]]), int(ends[fit[-1]])


def _mirrored(frame: Frame, first: int, last: int) -> int | None:
    """The only row between two at which the current becomes its own mirror image while a voltage that would show it stands."""
    begin = max(first - 1, 0)
    places = mirrors(frame, np.arange(begin, min(last, len(frame) - 1)))
    return int(places[0]) + 1 if len(places) == 1 else None


def mirrors(frame: Frame, rows: NDArray[np.intp]) -> NDArray[np.intp]:
    """Those of some rows after which the current is mirrored though the voltage, which is fine enough to show it, stands."""
    current, voltage = frame.get("current_a"), frame.get("voltage_v")
    before, after = current[rows], current[rows + 1]
    size = np.abs(before) + np.abs(after)
    found = (before * after < 0) & (np.abs(before + after) <= MIRROR_SHARE * size / 2) & (size >= 2 * MIRROR_LEAST_A)
    rows, size = rows[found], size[found]
    if not len(rows):
        return rows
    still = np.abs(voltage[rows + 1] - voltage[rows]) <= MIRROR_OHM * size
    still &= smallest_step(voltage) <= LIKELY_OHM * size
    return rows[still & (frame.ts_ms[rows + 1] - frame.ts_ms[rows] <= MOST_BESIDE_MS)]


def smallest_step(values: NDArray[np.float64]) -> float:
    """The smallest change of a column."""
    steps = np.abs(np.diff(values[np.isfinite(values)]))
    steps = steps[steps > 1e-9]
    return float(steps.min()) if len(steps) else 1e-9
