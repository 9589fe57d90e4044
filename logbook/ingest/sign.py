"""Sign: which way a positive current flows, shown by state of charge, by voltage steps and by the top of charge.

Charging raises the state of charge; a step of current towards charging raises the terminal voltage (R > 0);
a voltage that rises above 3.5 V a cell is lifted by a charger.
"""

from __future__ import annotations

import math
from dataclasses import dataclass
from typing import TYPE_CHECKING, NamedTuple

import numpy as np

from logbook.ingest.run import thinned
from logbook.schema.status import KIND_CHARGING, KIND_DISCHARGING, status_kind

if TYPE_CHECKING:
    from numpy.typing import NDArray

    from logbook.ingest.frame import Frame

TOP_CELL_V = 3.5
"""14.0 V for four cells in series: above it only a charger lifts the voltage (common practice, no source)."""
PLATEAU_CELL_V, MOST_BESIDE_MS = (3.1, 3.4), 120_000
"""Beside it what flowed between two readings so far apart moves the voltage more than the current's step does: at 5 A through
10 mΩ 0.05 V, in ten minutes of a 100 Ah pack more than 0.1 V (from memory: half a volt a cell over the last tenth)."""
OPEN_SHARE = 0.6
"""Below this share of the usual voltage the protection board has opened, and steps say nothing."""
MINUTE_MS, MOST_STEP_MS = 60_000, 1_200_000
"""Samples further apart say nothing about steps: a quarter of an hour, and what its clock strays."""
SMALLEST_STEP_A = 0.5
LEAST_OF_USUAL = 0.2
"""Share of the charge that usually moves the percentage by one, under which it is no vote (ours)."""
MOST_AT_ONCE, LARGE_WITHIN = 2.0, 2.0
"""What moves the percentage by more at once is a correction, unless the charge that flowed moves it so, within a factor."""
TELLING = 5
"""A source of fewer votes decides nothing (ours)."""
USUALLY_BELOW = 95
"""A tenth of what 95 % of the currents stay below is a step; a rare large load does not hide the others."""


@dataclass(frozen=True)
class Votes:
    """How many observations say charging is positive, and how many say it is negative."""

    source: str
    charge: int
    discharge: int

    @property
    def total(self) -> int:
        """All votes."""
        return self.charge + self.discharge

    @property
    def share(self) -> float:
        """Share that says positive is charging."""
        return self.charge / self.total if self.total else 0.5

    def sentence(self) -> str:
        """The votes in words."""
        most = max(self.charge, self.discharge)
        way = "with" if self.charge >= self.discharge else "against"
        return f"{self.source} went {way} the current {most} of {self.total} times"


@dataclass(frozen=True)
class SignEvidence:
    """All votes together."""

    votes: tuple[Votes, ...]
    split: str = ""
    """What speaks for a sign that turns over, where too little shows it."""

    @property
    def positive(self) -> str:
        """What the votes say a positive current does."""
        return "charge" if self._lean() >= 0 else "discharge"

    @property
    def strength(self) -> str:
        """`strong`, `fair` or `thin`."""
        if self.split:
            return "thin"
        telling = [vote for vote in self.votes if vote.total >= TELLING]
        leans = {vote.share > 0.5 for vote in telling}
        if not telling or len(leans) > 1:
            return "thin"
        best = max(telling, key=lambda vote: abs(vote.share - 0.5) * min(vote.total, 40))
        sure = max(best.share, 1 - best.share)
        if best.total >= 20 and sure >= 0.85:
            return "strong"
        return "fair" if sure >= 0.8 else "thin"

    @property
    def evidence(self) -> str:
        """The votes in words."""
        said = "; ".join(vote.sentence() for vote in self.votes if vote.total)
        return f"{said}{self.split}" or "nothing in the file moves with the current"

    def _lean(self) -> float:
        return sum((vote.share - 0.5) * min(vote.total, 100) for vote in self.votes)


class Ballot(NamedTuple):
    """Votes of one source, ascending by row, [n] each."""

    rows: NDArray[np.intp]
    signs: NDArray[np.float64]
    """+1 where charging is positive, -1 where it is negative."""
    begins: NDArray[np.intp]
    """The first row whose current the vote rests on; `rows` is the last, or follows it."""

    def chosen(self, chosen: slice | NDArray[np.bool_]) -> Ballot:
        """Some of the votes."""
        return Ballot(self.rows[chosen], self.signs[chosen], self.begins[chosen])


VotesOfSources = tuple[Ballot, ...]
"""The votes of `SOURCES`."""
NO_VOTES = Ballot(np.empty(0, np.intp), np.empty(0), np.empty(0, np.intp))


def sign_evidence(found: VotesOfSources, lines: NDArray[np.int64] | None = None) -> SignEvidence:
    """All votes counted; with the lines of the rows also whether the sign may turn over among them."""
    pairs = zip(SOURCES, found, strict=True)
    return SignEvidence(
        tuple(Votes(name, int((votes.signs > 0).sum()), int((votes.signs < 0).sum())) for name, votes in pairs),
        "" if lines is None else _split(found, lines),
    )


UNLIKELY = 40
"""So many ways at least to place the fewer votes, of which only two are one end."""


SURE_VOTES, SURE = 4, 10_000
"""Fewer votes than `FLIP_VOTES` show a turn too, where all before it are one way and all after it the other."""


def merged(*found: Ballot) -> Ballot:
    """The votes of several sources, by row."""
    rows, signs, begins = (np.concatenate(parts) for parts in zip(*found, strict=True))
    order = np.argsort(rows, kind="stable")
    return Ballot(rows[order], signs[order], begins[order])


def steps_stand(sure: Ballot, row: int, first: int = 0, last: int | None = None) -> bool:
    """Whether voltage goes with the current on both sides of a row alike, whatever the percentage did there."""
    low, at = (int(place) for place in np.searchsorted(sure.rows, [first, row]))
    high = len(sure.rows) if last is None else int(np.searchsorted(sure.rows, last))
    sides = sure.signs[low:at], sure.signs[at:high]
    if min(map(len, sides)) < SURE_VOTES:
        return False
    return bool(np.sign(sides[0].mean()) == np.sign(sides[1].mean()) != 0)


def _turn(signs: NDArray[np.float64], least: int, unlikely: int) -> int | None:
    """The vote after which all go the other way, if there is one and chance seldom gives it."""
    up = signs > 0
    few = min(int(up.sum()), int((~up).sum()))
    turns = np.flatnonzero(up[1:] != up[:-1])
    if few < least or len(turns) != 1 or math.comb(len(signs), few) < unlikely:
        return None
    return int(turns[0])


def one_turn(signs: NDArray[np.float64]) -> list[int]:
    """The first vote of those that all go the other way, where only a turn explains that."""
    turn = _turn(signs, SURE_VOTES, SURE)
    return [] if turn is None else [turn + 1]


def _split(found: VotesOfSources, lines: NDArray[np.int64]) -> str:
    """Told where the votes that speak against the others are all at one end: by chance they seldom are."""
    soc, step, top, _words = found
    sure = merged(step, top)
    for votes in (merged(*found), sure, soc):
        rows, turn = votes.rows, _turn(votes.signs, 2, UNLIKELY)
        if turn is not None and not (votes is soc and steps_stand(sure, int(rows[turn + 1]))):
            first, last = lines[rows[turn]], lines[rows[turn + 1]]
            return f"; but from between lines {first} and {last} on all of it goes the other way, as if the sign turned over"
    return ""


def _word_votes(frame: Frame) -> Ballot:
    """First row of each stretch in which the monitor says charging or discharging, and whether the current agrees."""
    if "status" not in frame.words:
        return NO_VOTES
    codes, words = frame.words["status"]
    way = {KIND_CHARGING: 1.0, KIND_DISCHARGING: -1.0}
    says = np.array([way.get(status_kind(word), 0.0) for word in words] + [0.0])[codes]
    current = np.nan_to_num(frame.get("current_a"))
    telling = np.where(np.abs(current) >= SMALLEST_STEP_A, says * np.sign(current), 0.0)
    begins = np.flatnonzero((telling != 0) & (np.diff(says, prepend=0.0) != 0))
    return Ballot(begins, telling[begins], begins)


def gathered_votes(frame: Frame, cells_in_series: int | None, steps: NDArray[np.intp] | None = None) -> VotesOfSources:
    """Votes of every source; rows in ascending time, `steps` as by `large_steps`."""
    step = step_votes(frame, cells_in_series, steps)
    return soc_votes(frame), step, top_votes(frame, cells_in_series), _word_votes(frame)


SOURCES = ("state of charge", "voltage in steps", "voltage at the top of charge", "status words")


def soc_votes(frame: Frame) -> Ballot:
    """At which row the reported state of charge moved, and whether with (+1) or against (-1) the charge counted since.

    Where it moved by several at once only if by as much as the charge that flowed tells.
    """
    soc, current = frame.get("soc_percent"), frame.get("current_a")
    both = np.isfinite(soc) & np.isfinite(current)
    held = np.flatnonzero(both)
    if len(held) < 3:
        return NO_VOTES
    times = frame.ts_ms
    if not both.all():
        soc, current, times = soc[both], current[both], times[both]
    moved = np.flatnonzero(soc[1:] != soc[:-1]) + 1
    if len(moved) < 2:
        return NO_VOTES
    step_ms = np.zeros(len(times), np.int64)
    np.subtract(times[1:], times[:-1], out=step_ms[:-1])
    step_ms[(step_ms < 0) | (step_ms > MOST_STEP_MS)] = 0
    change = np.diff(soc[np.concatenate([[0], moved])])[1:]
    charge = np.add.reduceat(current * step_ms, moved)[:-1]
    size = np.abs(np.divide(charge, change, out=np.zeros(len(change)), where=change != 0))
    # a percentage that goes to and fro about a half is moved by next to nothing
    usual = float(np.median(size))
    usable = (charge != 0) & (size >= LEAST_OF_USUAL * usual)
    usable &= (np.abs(change) <= MOST_AT_ONCE) | ((size >= usual / LARGE_WITHIN) & (size <= usual * LARGE_WITHIN))
    return Ballot(held[moved[1:][usable]], np.sign(change * charge)[usable], held[moved[:-1][usable]])


def step_votes(frame: Frame, cells_in_series: int | None = None, steps: NDArray[np.intp] | None = None) -> Ballot:
    """At which row current and voltage stepped, and whether the same way (+1) or not (-1)."""
    voltage, current = frame.get("voltage_v"), frame.get("current_a")
    if len(frame) < 2 or not np.isfinite(current).any() or not np.isfinite(voltage).any():
        return NO_VOTES
    usual = float(np.nanmedian(thinned(voltage)))
    rows = large_steps(frame) if steps is None else steps
    change_a, change_v = current[rows + 1] - current[rows], voltage[rows + 1] - voltage[rows]
    moved = np.abs(change_v) > 0
    rows, change_a, change_v = rows[moved], change_a[moved], change_v[moved]
    closed = np.minimum(voltage[rows], voltage[rows + 1]) > OPEN_SHARE * usual
    apart = frame.ts_ms[rows + 1] - frame.ts_ms[rows]
    if cells_in_series:
        low, high = (limit * cells_in_series for limit in PLATEAU_CELL_V)
        plateau = (voltage[rows] > low) & (voltage[rows + 1] < high)
        closed &= (apart <= MOST_BESIDE_MS) | plateau
    closed &= apart <= MOST_STEP_MS
    return Ballot(rows[closed] + 1, np.sign(change_a * change_v)[closed], rows[closed])


def large_steps(frame: Frame) -> NDArray[np.intp]:
    """Rows after which the current steps by a good part of what it usually is."""
    current = frame.get("current_a")
    if len(frame) < 2 or not np.isfinite(current).any():
        return np.empty(0, np.intp)
    return np.flatnonzero(np.abs(np.diff(current)) >= _large_a(current))


def _large_a(current_a: NDArray[np.float64]) -> float:
    return max(SMALLEST_STEP_A, 0.1 * float(np.nanpercentile(np.abs(thinned(current_a)), USUALLY_BELOW)))


def top_votes(frame: Frame, cells_in_series: int | None) -> Ballot:
    """Rows at which the voltage rises above 3.5 V a cell, and whether their current is positive or negative.

    One a minute at most, and none by a small current: when a charge has ended the voltage stays up for minutes, and
    flickers, while a load draws already.
    """
    voltage, current = frame.get("voltage_v"), frame.get("current_a")
    cells = cells_in_series or cells_likely(voltage)
    if not cells or not np.isfinite(current).any():
        return NO_VOTES
    high = np.flatnonzero(voltage > TOP_CELL_V * cells)
    high = high[high > 0]
    rows = high[(voltage[high] > voltage[high - 1]) & (np.abs(current[high]) >= _large_a(current))]
    minute = frame.ts_ms[rows] // MINUTE_MS
    rows = rows[np.diff(minute, prepend=minute[:1] - 1) != 0]
    return Ballot(rows, np.sign(current[rows]), rows)


def cells_likely(voltage_v: NDArray[np.float64]) -> int | None:
    """Cells in series by the usual voltage of a LiFePO4 pack (3.2 to 3.4 V a cell at rest)."""
    sample = thinned(voltage_v)
    usual = float(np.nanmedian(sample)) if np.isfinite(sample).any() else 0.0
    near = [cells for cells in (1, 4, 8, 16) if 3.0 <= usual / cells <= 3.6]
    return near[0] if near else None
