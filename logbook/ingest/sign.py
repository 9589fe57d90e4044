"""Sign: which way a positive current flows, shown by state of charge, by voltage steps and by the top of charge.

Charging raises the state of charge; a step of current towards charging raises the terminal voltage (R > 0);
a voltage that rises above 3.5 V a cell is lifted by a charger.
"""

from __future__ import annotations

import math
from dataclasses import dataclass
from typing import TYPE_CHECKING

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
MOST_STEP_MS = 900_000
"""Samples further apart say nothing about steps."""
SMALLEST_STEP_A = 0.5
LEAST_OF_USUAL = 0.2
"""Share of the charge that usually moves the percentage by one, under which it is no vote (ours)."""
MOST_AT_ONCE, LARGE_WITHIN = 2.0, 2.0
"""What moves the percentage by more at once is a correction, unless the charge that flowed moves it so, within a factor."""
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
        telling = [vote for vote in self.votes if vote.total >= 5]
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


VotesOfSources = tuple[tuple["NDArray[np.intp]", "NDArray[np.float64]"], ...]
"""Rows and votes (+1 charging is positive, -1 it is negative) of each source."""


def sign_evidence(found: VotesOfSources, lines: NDArray[np.int64] | None = None) -> SignEvidence:
    """All votes counted; with the lines of the rows also whether the sign may turn over among them."""
    pairs = zip(SOURCES, found, strict=True)
    return SignEvidence(
        tuple(Votes(name, int((signs > 0).sum()), int((signs < 0).sum())) for name, (_, signs) in pairs),
        "" if lines is None else _split(found, lines),
    )


UNLIKELY = 40
"""So many ways at least to place the fewer votes, of which only two are one end."""


SURE_VOTES, SURE = 4, 10_000
"""Fewer votes than `FLIP_VOTES` show a turn too, where all before it are one way and all after it the other."""


def _in_order(found: VotesOfSources) -> tuple[NDArray[np.intp], NDArray[np.float64]]:
    """The votes of all sources, by row."""
    return _by_row((np.concatenate([part[0] for part in found]), np.concatenate([part[1] for part in found])))


def _by_row(votes: tuple[NDArray[np.intp], NDArray[np.float64]]) -> tuple[NDArray[np.intp], NDArray[np.float64]]:
    order = np.argsort(votes[0], kind="stable")
    return votes[0][order], votes[1][order]


def _steps_stand(sure: tuple[NDArray[np.intp], NDArray[np.float64]], row: int) -> bool:
    """Whether voltage goes with the current on both sides of a row alike, whatever the percentage did there."""
    rows, signs = sure
    sides = (signs[rows < row], signs[rows >= row])
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


def _one_turn(signs: NDArray[np.float64]) -> list[int]:
    turn = _turn(signs, SURE_VOTES, SURE)
    return [] if turn is None else [turn + 1]


def _split(found: VotesOfSources, lines: NDArray[np.int64]) -> str:
    """Told where the votes that speak against the others are all at one end: by chance they seldom are."""
    soc, step, top, _words = found
    sure = _by_row((np.concatenate([step[0], top[0]]), np.concatenate([step[1], top[1]])))
    for rows, signs in (_in_order(found), sure, soc):
        turn = _turn(signs, 2, UNLIKELY)
        if turn is not None and not (rows is soc[0] and _steps_stand(sure, int(rows[turn + 1]))):
            first, last = lines[rows[turn]], lines[rows[turn + 1]]
            return f"; but from between lines {first} and {last} on all of it goes the other way, as if the sign turned over"
    return ""


def _word_votes(frame: Frame) -> tuple[NDArray[np.intp], NDArray[np.float64]]:
    """First row of each stretch in which the monitor says charging or discharging, and whether the current agrees."""
    if "status" not in frame.words:
        return np.empty(0, np.intp), np.empty(0)
    codes, words = frame.words["status"]
    way = {KIND_CHARGING: 1.0, KIND_DISCHARGING: -1.0}
    says = np.array([way.get(status_kind(word), 0.0) for word in words] + [0.0])[codes]
    current = np.nan_to_num(frame.get("current_a"))
    telling = np.where(np.abs(current) >= SMALLEST_STEP_A, says * np.sign(current), 0.0)
    begins = np.flatnonzero((telling != 0) & (np.diff(says, prepend=0.0) != 0))
    return begins, telling[begins]


def gathered_votes(frame: Frame, cells_in_series: int | None) -> VotesOfSources:
    """Votes of every source; rows in ascending time."""
    return soc_votes(frame), step_votes(frame, cells_in_series), top_votes(frame, cells_in_series), _word_votes(frame)


@dataclass(frozen=True)
class Flip:
    """The row that begins the other sign; rows from `unsure` up to it, and from it up to `sure`, may be of either."""

    row: int
    unsure: int
    sure: int


def flips(frame: Frame, found: VotesOfSources) -> list[Flip]:
    """Where the sign of the current turns over, by change points in the votes.

    Each stretch between flips needs votes enough of its own, nearly all one way.
    """
    soc, step, top, _words = found
    sure = (np.concatenate([step[0], top[0]]), np.concatenate([step[1], top[1]]))
    by_steps = len(sure[0]) >= 2 * FLIP_VOTES
    rows, signs = sure if by_steps else soc
    order = np.argsort(rows, kind="stable")
    rows, signs = rows[order], signs[order]
    cuts = _change_points(signs)
    if not cuts and by_steps:
        by_steps, (rows, signs) = False, soc
        cuts = _change_points(signs)
    if not cuts:
        by_steps = False
        rows, signs = _by_row(sure)
        cuts = _one_turn(signs)
    if not cuts:
        rows, signs = _in_order(found)
        cuts = _one_turn(signs)
    if cuts and not by_steps and any(_steps_stand(sure, int(rows[cut])) for cut in cuts):
        return []
    if by_steps and _torn(soc, [int(rows[cut]) for cut in cuts]):
        return []
    # a step at the very turn, and a percentage that moved across it, may have voted as before
    percentages = soc_votes(frame, with_large=True) if cuts else soc
    found_at = {
        _with_percentages(
            _boundary(frame, max(int(rows[max(cut - 2, 0)]) - 1, 0), int(rows[cut])),
            percentages,
            float(np.sign(signs[max(cut - FLIP_VOTES, 0) : cut].sum())),
        )
        for cut in cuts
    }
    return sorted(found_at, key=lambda flip: flip.row)


def _with_percentages(flip: Flip, soc: tuple[NDArray[np.intp], NDArray[np.float64]], before: float) -> Flip:
    """A turn unsure as far as percentages right beside it speak against it: a tapering charge steps down as voltage rises."""
    rows, signs = soc
    unsure, sure = flip.unsure, flip.sure
    later = int(np.searchsorted(rows, flip.row)) + 1  # of what flowed after the turn alone
    while later < len(rows) and signs[later] == before:
        sure, later = max(sure, int(rows[later])), later + 1
    earlier = int(np.searchsorted(rows, flip.row, side="right")) - 1
    while earlier > 0 and signs[earlier] == -before:
        unsure, earlier = min(unsure, int(rows[earlier - 1])), earlier - 1
    return Flip(flip.row, unsure, sure)


def _torn(soc: tuple[NDArray[np.intp], NDArray[np.float64]], turns: list[int]) -> bool:
    """Whether the percentage, which went with the current alike all along, would not any more once it is turned there."""
    rows, signs = soc
    if len(signs) < SURE_VOTES:
        return False
    turned = np.where(np.searchsorted(turns, rows, side="right") % 2, -signs, signs)
    return bool(abs(turned.mean()) < abs(signs.mean()))


FLIP_VOTES = 8
FLIP_SHARE = 0.85


def _change_points(signs: NDArray[np.float64], offset: int = 0) -> list[int]:
    """Binary segmentation of a row of +1 and -1."""
    if len(signs) < 2 * FLIP_VOTES:
        return []
    run = np.cumsum(signs)
    left, right = run[FLIP_VOTES - 1 : -FLIP_VOTES], run[-1] - run[FLIP_VOTES - 1 : -FLIP_VOTES]
    gain = np.where(left * right < 0, np.abs(left) + np.abs(right), 0.0)
    best = int(gain.argmax()) + FLIP_VOTES
    sides = (signs[:best], signs[best:])
    if gain.max(initial=0.0) <= abs(run[-1]) + FLIP_VOTES or any(
        abs(side[: 4 * FLIP_VOTES].mean()) < 2 * FLIP_SHARE - 1 for side in (sides[0][::-1], sides[1])
    ):
        return []
    best = _at_turn(signs, best)
    sides = (signs[:best], signs[best:])
    return [*_change_points(sides[0], offset), best + offset, *_change_points(sides[1], best + offset)]


def _at_turn(signs: NDArray[np.float64], cut: int) -> int:
    """A cut moved to where the votes turn; a side that needed votes enough may have borrowed them from the other."""
    before = np.sign(signs[:cut].sum())
    while cut < len(signs) - 1 and signs[cut] == before:
        cut += 1
    while cut > 1 and signs[cut - 1] == -before:
        cut -= 1
    return cut


MIRROR_SHARE, MIRROR_LEAST_A = 0.25, 0.5
"""A current that becomes its own mirror image, within so much of its size, while the voltage stands."""
MIRROR_OHM = 2e-3
"""A true step would move the voltage by more than this times the step (from memory: packs with leads 5 to 20 mΩ)."""


def _boundary(frame: Frame, last: int, first: int) -> Flip:
    """The row between two votes that begins the new sign: after the longest gap, or where the current is mirrored."""
    steps = np.diff(frame.ts_ms[last : first + 1])
    if len(steps) and steps.max() > 2 * np.median(steps):
        row = last + 1 + int(steps.argmax())
        return Flip(row, row, row)
    current, voltage = frame.get("current_a")[last : first + 1], frame.get("voltage_v")[last : first + 1]
    before, after = current[:-1], current[1:]
    size = np.abs(before) + np.abs(after)
    mirrored = (before * after < 0) & (np.abs(before + after) <= MIRROR_SHARE * size / 2) & (size >= 2 * MIRROR_LEAST_A)
    mirrored &= np.abs(np.diff(voltage)) <= MIRROR_OHM * size
    places = np.flatnonzero(mirrored)
    if len(places) == 1:
        row = last + 1 + int(places[0])
        return Flip(row, row, row)
    return Flip(first, last + 1, first)


SOURCES = ("state of charge", "voltage in steps", "voltage at the top of charge", "status words")


def soc_votes(frame: Frame, *, with_large: bool = False) -> tuple[NDArray[np.intp], NDArray[np.float64]]:
    """At which row the reported state of charge moved, and whether with (+1) or against (-1) the charge counted since.

    `with_large` also where it moved by several at once, as much as the charge that flowed tells.
    """
    soc, current = frame.get("soc_percent"), frame.get("current_a")
    both = np.isfinite(soc) & np.isfinite(current)
    held = np.flatnonzero(both)
    if len(held) < 3:
        return held[:0], np.empty(0)
    times = frame.ts_ms
    if not both.all():
        soc, current, times = soc[both], current[both], times[both]
    moved = np.flatnonzero(soc[1:] != soc[:-1]) + 1
    if len(moved) < 2:
        return held[:0], np.empty(0)
    step_ms = np.zeros(len(times), np.int64)
    np.subtract(times[1:], times[:-1], out=step_ms[:-1])
    step_ms[(step_ms < 0) | (step_ms > MOST_STEP_MS)] = 0
    change = np.diff(soc[np.concatenate([[0], moved])])[1:]
    charge = np.add.reduceat(current * step_ms, moved)[:-1]
    size = np.abs(np.divide(charge, change, out=np.zeros(len(change)), where=change != 0))
    # a percentage that goes to and fro about a half is moved by next to nothing
    usual = float(np.median(size))
    usable = (charge != 0) & (size >= LEAST_OF_USUAL * usual)
    moved_by_charge = np.abs(change) <= MOST_AT_ONCE
    if with_large:
        moved_by_charge |= (size >= usual / LARGE_WITHIN) & (size <= usual * LARGE_WITHIN)
    usable &= moved_by_charge
    return held[moved[1:]][usable], np.sign(change * charge)[usable]


def step_votes(frame: Frame, cells_in_series: int | None = None) -> tuple[NDArray[np.intp], NDArray[np.float64]]:
    """At which row current and voltage stepped, and whether the same way (+1) or not (-1)."""
    voltage, current = frame.get("voltage_v"), frame.get("current_a")
    if len(frame) < 2 or not np.isfinite(current).any() or not np.isfinite(voltage).any():
        return np.empty(0, np.intp), np.empty(0)
    usual = float(np.nanmedian(thinned(voltage)))
    change_a, change_v = np.diff(current), np.diff(voltage)
    size = max(SMALLEST_STEP_A, 0.1 * float(np.nanpercentile(np.abs(thinned(current)), USUALLY_BELOW)))
    rows = np.flatnonzero((np.abs(change_a) >= size) & (np.abs(change_v) > 0))
    closed = np.minimum(voltage[rows], voltage[rows + 1]) > OPEN_SHARE * usual
    apart = frame.ts_ms[rows + 1] - frame.ts_ms[rows]
    if cells_in_series:
        low, high = (limit * cells_in_series for limit in PLATEAU_CELL_V)
        plateau = (voltage[rows] > low) & (voltage[rows + 1] < high)
        closed &= (apart <= MOST_BESIDE_MS) | plateau
    rows = rows[closed & (apart <= MOST_STEP_MS)]
    return rows + 1, np.sign(change_a[rows] * change_v[rows])


def top_votes(frame: Frame, cells_in_series: int | None) -> tuple[NDArray[np.intp], NDArray[np.float64]]:
    """Rows at which the voltage rises above 3.5 V a cell, and whether their current is positive or negative."""
    voltage, current = frame.get("voltage_v"), frame.get("current_a")
    cells = cells_in_series or cells_likely(voltage)
    if not cells:
        return np.empty(0, np.intp), np.empty(0)
    high = np.flatnonzero(voltage > TOP_CELL_V * cells)
    high = high[high > 0]
    rows = high[(voltage[high] > voltage[high - 1]) & (np.abs(current[high]) > SMALLEST_STEP_A)]
    return rows, np.sign(current[rows])


def cells_likely(voltage_v: NDArray[np.float64]) -> int | None:
    """Cells in series by the usual voltage of a LiFePO4 pack (3.2 to 3.4 V a cell at rest)."""
    sample = thinned(voltage_v)
    usual = float(np.nanmedian(sample)) if np.isfinite(sample).any() else 0.0
    near = [cells for cells in (1, 4, 8, 16) if 3.0 <= usual / cells <= 3.6]
    return near[0] if near else None
