"""Copies: readings of a file that the logbook holds already, at another hour, in other steps, or by another device.

Readings at the same instants are the store's business. Here a file is compared by its sequences of values with what
is stored around its time; what is a copy is set aside with its lines, never dropped, and finer steps take the place
of coarser ones.
"""

from __future__ import annotations

from collections import Counter
from dataclasses import dataclass, field, replace
from typing import TYPE_CHECKING

import numpy as np

from logbook.ingest.frame import Frame
from logbook.ingest.moved import ROUNDING, SHIFTS_MS, hours_of, places, rows_at, told_shift
from logbook.ingest.overlap import COARSER
from logbook.ingest.still import WITHOUT_HOLE, Still, nothing_tells, still_between
from logbook.schema.receipt import SetAside
from logbook.store import read_readings
from logbook.units import MS_PER_HOUR, iso_from_ms

if TYPE_CHECKING:
    from collections.abc import Callable, Iterator, Sequence

    from numpy.typing import NDArray

    from logbook.schema.reading import Readings
    from logbook.schema.receipt import Receipt
    from logbook.schema.recording import Recording
    from logbook.store import Store

REACH_MS = max(SHIFTS_MS)
BLOCK_ROWS, MOST_BLOCKS = 500, 400
"""Readings compared at once, and parts of a long file; a wrong clock moves far more of them."""
FEW = 20
"""So many readings at least make a series of their own."""
LEAST_COARSE = 6
"""So many of a coarser copy: half an hour of five-minute means."""
AGREE = 0.9
"""Share of the rows of a coarser copy that lie within what the finer one spans."""
LEAST_MIRRORED_A, ALIKE_V, ALIKE_SHARE = 0.2, 0.011, 0.05
"""Two exports of the same moment differ by their rounding (ours)."""
FIRST_SHOWN = 20
COARSE = "a coarser copy of readings that are in the logbook in finer steps"
SHIFTED = "the same readings are in the logbook"
BY_EDGES = "told by where they begin and end, for hardly anything in them moves"
TAKES_PLACE = "the finer ones take their place"
OTHER_DEVICE = "another series of a time the logbook has readings of, as of a second device"
Compared = ("voltage_v", "current_a")


@dataclass(frozen=True, eq=False)
class Copies:
    """What a file holds of what is stored; masks over its readings."""

    shifted: dict[int, NDArray[np.bool_]] = field(default_factory=dict)
    """Milliseconds by which they stand later than the stored ones, and which."""
    still: dict[int, NDArray[np.bool_]] = field(default_factory=dict)
    """The same of readings in which too little moves to tell, by their edges."""
    unsure: dict[int, NDArray[np.bool_]] = field(default_factory=dict)
    """The same where these say too little too; taken as readings of their own."""
    untold: dict[int, NDArray[np.bool_]] = field(default_factory=dict)
    """The same where nothing at all tells a copy from readings that came again; taken as readings of their own."""
    coarser: NDArray[np.bool_] | None = None
    other_device: NDArray[np.bool_] | None = None
    replaces: NDArray[np.int64] | None = None
    """Times of stored readings that are a coarser copy of the file's."""
    mirrored: int = 0
    """How many readings are the stored ones but for the sign of their current."""

    def aside(self) -> Iterator[tuple[NDArray[np.bool_], str]]:
        """What is to be set aside, and why."""
        for shift_ms, rows in self.shifted.items():
            yield rows, f"{SHIFTED}, {far(shift_ms)}"
        for shift_ms, rows in self.still.items():
            yield rows, f"{SHIFTED}, {far(shift_ms)}: {BY_EDGES}"
        for mask, reason in ((self.coarser, COARSE), (self.other_device, OTHER_DEVICE)):
            if mask is not None and mask.any():
                yield mask, reason


def is_of_copies(reason: str) -> bool:
    """Whether rows were set aside for what the logbook held."""
    return reason in {COARSE, OTHER_DEVICE} or reason.startswith(SHIFTED)


def far(shift_ms: int) -> str:
    """How far off the stored readings are from where a file has them."""
    return f"{hours_of(shift_ms)} h {'earlier' if shift_ms > 0 else 'later'}"


def copies_in(store: Store, pack_id: int, readings: Readings, *, trusted: bool = False) -> Copies:
    """Compare a file's readings with what is stored of the pack; `trusted` where its owner said what its clock shows."""
    return copies_among(lambda start, end: read_readings(store, pack_id, start, end), readings, trusted=trusted)


def copies_among(
    stored_between: Callable[[int, int], Readings], readings: Readings, *, trusted: bool = False
) -> Copies:
    """Compare a file's readings with those that are stored from a moment up to another."""
    if len(readings) < LEAST_COARSE:
        return Copies()
    first, last = int(readings.ts_ms[0]), int(readings.ts_ms[-1])
    stored = stored_between(first - REACH_MS, last + REACH_MS + 1)
    if len(stored) < LEAST_COARSE:
        return Copies()
    shifted, told = _shifted(stored, readings)
    still, unsure = ({}, {}) if told else _still(stored, readings, trusted=trusted)
    untold = {} if told or still or unsure or trusted else _untold(stored, readings)
    left = ~np.any([np.zeros(len(readings), bool), *shifted.values(), *still.values()], axis=0)
    here = stored.between(first - 4 * MS_PER_HOUR, last + 4 * MS_PER_HOUR)
    coarser, other, replaces = _second_series(here, readings, left)
    mirrored = 0 if other is None else _mirrored(here, readings)
    return Copies(shifted, still, unsure, untold, coarser, other, replaces, mirrored)


def without_copies(recording: Recording, copies: Copies, texts: Callable[[Sequence[int]], dict[int, str]]) -> Recording:
    """Set aside what is a copy, with its line and text, and say so; `texts` gives the text of lines of the file."""
    keep, whole = np.ones(len(recording.readings), bool), recording
    for mask, reason in copies.aside():
        recording = _with_set_aside(recording, mask & keep, reason, texts)
        keep &= ~mask
    receipt = _with_doubt(recording.receipt, copies, whole)
    if copies.mirrored:
        told = (
            f"{copies.mirrored} of its readings are in the logbook with a current of the other sign, and the same voltage: in this "
            "file or in the stored one the current counts the other way than was taken, in all of it. Undo the import that is "
            "wrong and import its file again with  --positive charge  or  --positive discharge"
        )
        receipt = replace(receipt, warnings=(*receipt.warnings, told))
    if copies.replaces is not None:
        number = len(copies.replaces)
        told = f"{number} stored readings are a coarser copy of these; {TAKES_PLACE}."
        receipt = replace(receipt, warnings=(*receipt.warnings, told))
    if keep.all():
        return replace(recording, receipt=receipt, replaces=copies.replaces)
    times = recording.readings.ts_ms[keep]
    ends = (int(times[0]), int(times[-1])) if len(times) else (None, None)
    receipt = replace(receipt, rows_stored=len(times), first_ms=ends[0], last_ms=ends[1])
    return replace(recording.taken(keep), receipt=receipt, replaces=copies.replaces)


def _with_doubt(receipt: Receipt, copies: Copies, whole: Recording) -> Receipt:
    """Say what was stored though it may be a copy, and what to do if it is."""
    for shift_ms, rows in copies.unsure.items():
        told = (
            f"{int(rows.sum())} readings in which hardly anything moves are taken as readings of their own, of a pack that "
            f"rested on; the logbook holds the same ones {far(shift_ms)}. If they are a copy by another clock, undo this "
            "import and import the file with  --timezone ZONE"
        )
        receipt = replace(receipt, warnings=(*receipt.warnings, told))
    for shift_ms, rows in copies.untold.items():
        places = np.flatnonzero(rows)
        lines = [] if whole.lines is None else [int(whole.lines[rows].min()), int(whole.lines[rows].max())]
        ends = " to ".join(f"{iso_from_ms(int(whole.readings.ts_ms[at]))}" for at in (places[0], places[-1]))
        where = f"Lines {lines[0]} to {lines[1]}, {ends}," if lines else f"Its readings from {ends}"
        told = (
            f"{where} are equal to {int(rows.sum())} readings {far(shift_ms)} in the logbook. Such readings stand still or come "
            "again, so nothing tells whether they are a copy by another clock; they were taken as readings of their own. If its "
            "clock ran in another zone, undo this import and import it again with  --timezone ZONE"
        )
        receipt = replace(receipt, warnings=(*receipt.warnings, told))
    return receipt


def _with_set_aside(
    recording: Recording, mask: NDArray[np.bool_], reason: str, texts: Callable[[Sequence[int]], dict[int, str]]
) -> Recording:
    lines = recording.lines if recording.lines is not None else np.zeros(len(mask), np.int64)
    wanted = sorted({int(line) for line in lines[mask]})
    text = texts(wanted)
    rows = tuple(
        sorted([*recording.set_aside, *(SetAside(line, reason, text.get(line, "")) for line in wanted)], key=_line)
    )
    receipt = recording.receipt
    told = f"{len(wanted)} readings were set aside: {reason}. {_way_out(reason)}"
    receipt = replace(
        receipt,
        rows_set_aside=len(rows),
        set_aside_reasons=dict(Counter(row.reason for row in rows)),
        set_aside_first=rows[:FIRST_SHOWN],
        warnings=(*receipt.warnings, told.strip()),
    )
    return replace(recording, set_aside=rows, receipt=receipt)


def _line(row: SetAside) -> int:
    return row.line


def _way_out(reason: str) -> str:
    if reason == COARSE:
        return ""
    if reason == OTHER_DEVICE:
        return "The stored ones are kept as the record. If these should be it, undo the other import and import this file again."
    if reason.endswith(BY_EDGES):
        return "If they are readings of their own, undo this import and import the file with  --timezone ZONE"
    return "If the clock of the stored ones is wrong, undo their import, and import both with  --timezone ZONE"


def _shifted(stored: Readings, readings: Readings) -> tuple[dict[int, NDArray[np.bool_]], bool]:
    """Blocks of readings whose sequence of values is stored hours apart, and whether any told that it is, or is not.

    A block that does not tell by itself is a copy as far off as others are, as far as it is equal there.
    """
    found: dict[int, NDArray[np.bool_]] = {}
    mute: list[slice] = []
    here, before = _frame(readings), _frame(stored)
    times = here.ts_ms
    length = max(BLOCK_ROWS, len(readings) // MOST_BLOCKS)
    told = False
    for start in range(0, len(readings), length):
        block = slice(start, min(start + length, len(times)))
        around = _around(before, times[block])
        if not len(around):
            continue
        rows = np.arange(block.start, block.stop)
        shift = told_shift(around, here.take(block))
        told |= shift is not None
        if shift == 0:  # what does not stand there may stand elsewhere
            rows = rows[~places(around, times[rows])[1]]
            shift = told_shift(around, here.take(rows)) if len(rows) else 0
        elif shift is None:
            mute.append(block)
        if shift:
            copied = found.setdefault(shift, np.zeros(len(times), bool))
            copied[rows] |= places(around, times[rows] - shift)[1]
    for block in mute if found else ():
        around, left = _around(before, times[block]), np.ones(block.stop - block.start, bool)
        for shift, copied in found.items():
            copied[block] |= left & rows_at(around, here.take(block), shift)
            left &= ~copied[block]
    return found, told


def _around(stored: Frame, times: NDArray[np.int64]) -> Frame:
    return stored.take(slice(*np.searchsorted(stored.ts_ms, (times[0] - REACH_MS, times[-1] + REACH_MS + 1)).tolist()))


def _still(
    stored: Readings, readings: Readings, *, trusted: bool
) -> tuple[dict[int, NDArray[np.bool_]], dict[int, NDArray[np.bool_]]]:
    """Readings in which too little moves to tell: those that are copies by their edges, and those that may be."""
    before, here = _frame(stored), _frame(readings)
    first, last = np.searchsorted(here.ts_ms, (before.ts_ms[0] - REACH_MS, before.ts_ms[-1] + REACH_MS + 1)).tolist()
    near = here.take(slice(first, last))
    cut = bool(before.ts_ms[0] - (here.ts_ms[0] - REACH_MS) < MS_PER_HOUR // 2)
    found: Still | None = still_between(before, near, open_start=cut)
    if found is None:
        return {}, {}
    copied, doubtful = np.zeros(len(here), bool), np.zeros(len(here), bool)
    copied[first:last] = rows_at(before, near, found.shift_ms)
    doubtful[first:last] = copied[first:last] & ~rows_at(before, near, 0)
    # who said which zone the clock is in has answered what the edges leave open
    if not doubtful.any() or (trusted and not found.sure):
        return {}, {}
    return ({found.shift_ms: copied}, {}) if found.sure and not trusted else ({}, {found.shift_ms: doubtful})


def _untold(stored: Readings, readings: Readings) -> dict[int, NDArray[np.bool_]]:
    """Readings that the logbook holds at another hour too, where neither values nor edges tell which of the two they are."""
    before, here = _frame(stored), _frame(readings)
    first, last = np.searchsorted(here.ts_ms, (before.ts_ms[0] - REACH_MS, before.ts_ms[-1] + REACH_MS + 1)).tolist()
    near = here.take(slice(first, last))
    shift_ms = nothing_tells(before, near)
    if shift_ms is None:
        return {}
    rows = np.zeros(len(here), bool)
    rows[first:last] = rows_at(before, near, shift_ms)
    return {shift_ms: rows}


def _frame(readings: Readings) -> Frame:
    names = ("voltage_v", "current_a", "temperature_c", "soc_percent")
    return Frame(np.zeros(len(readings), np.int64), readings.ts_ms, {name: getattr(readings, name) for name in names})


def _mirrored(stored: Readings, readings: Readings) -> int:
    """How many readings have a stored one of the same moment and voltage with the opposite current, where most have."""
    place = np.clip(np.searchsorted(stored.ts_ms, readings.ts_ms), 0, len(stored) - 1)
    current, before = readings.current_a, stored.current_a[place]
    flows = (stored.ts_ms[place] == readings.ts_ms) & (np.abs(current) >= LEAST_MIRRORED_A)
    same = flows & (np.abs(readings.voltage_v - stored.voltage_v[place]) <= ALIKE_V)
    opposite = same & (np.abs(current + before) <= ALIKE_SHARE * np.abs(current))
    count = int(np.count_nonzero(opposite))
    return count if count >= LEAST_COARSE and count >= AGREE * np.count_nonzero(flows) else 0


def _second_series(
    stored: Readings, readings: Readings, left: NDArray[np.bool_]
) -> tuple[NDArray[np.bool_] | None, NDArray[np.bool_] | None, NDArray[np.int64] | None]:
    """Readings among stored ones that leave no room for them: a coarser copy, another device, or finer ones."""
    stored = _comparable(stored, readings)
    if len(stored) < LEAST_COARSE or not left.any():
        return None, None, None
    amid = left & _amid(readings.ts_ms, stored.ts_ms)
    among = amid & ~_same(readings, stored)
    step, stored_step = _step(readings.ts_ms), _step(stored.ts_ms)
    if step * COARSER <= stored_step:
        covered = _amid(stored.ts_ms, readings.ts_ms[left]) & ~_same(stored, readings)
        if np.count_nonzero(covered) >= LEAST_COARSE and _within(stored, readings, covered, stored_step):
            return None, None, stored.ts_ms[covered]
    coarser = step >= COARSER * stored_step
    if np.count_nonzero(among) < (LEAST_COARSE if coarser else FEW) or among.sum() < 0.5 * amid.sum():
        return None, None, None
    if coarser and _within(readings, stored, among, step):
        return among, None, None
    return (None, None, None) if _holds(readings, stored) else (None, among, None)


def _holds(readings: Readings, stored: Readings) -> bool:
    """Whether nearly all stored readings of that time are among these: the same series, of which more rows came."""
    here = stored.between(int(readings.ts_ms[0]), int(readings.ts_ms[-1]) + 1)
    return len(here) >= FEW and float(_same(here, readings).mean()) >= AGREE


def _comparable(stored: Readings, readings: Readings) -> Readings:
    """Stored readings of a voltage or current that the file has too."""
    there = np.zeros(len(stored), bool)
    for name in Compared:
        if np.isfinite(getattr(readings, name)).any():
            there |= np.isfinite(getattr(stored, name))
    return stored if there.all() else stored.taken(there)


def _step(ts_ms: NDArray[np.int64]) -> float:
    return float(np.median(np.diff(ts_ms))) if len(ts_ms) > 1 else np.inf


def _amid(times: NDArray[np.int64], others: NDArray[np.int64]) -> NDArray[np.bool_]:
    """Which times lie between two neighbouring others with none missing between them, or at one of them."""
    place = np.searchsorted(others, times, side="right")
    inside = (place > 0) & (place < len(others))
    before, after = others[np.maximum(place - 1, 0)], others[np.minimum(place, len(others) - 1)]
    return inside & (after - before <= WITHOUT_HOLE * _step(others))


def _same(readings: Readings, stored: Readings) -> NDArray[np.bool_]:
    """Readings that stand at the same instant with the same values."""
    place = np.minimum(np.searchsorted(stored.ts_ms, readings.ts_ms), len(stored) - 1)
    same = stored.ts_ms[place] == readings.ts_ms
    for name in Compared:
        a, b = getattr(readings, name), getattr(stored, name)[place]
        same &= np.isnan(a) | np.isnan(b) | (np.abs(a - b) <= ROUNDING[name])
    return np.asarray(same)


def _within(coarse: Readings, fine: Readings, rows: NDArray[np.bool_], step_ms: float) -> bool:
    """Whether nearly all these rows lie within what the finer readings span around them, in each quantity."""
    chosen = np.flatnonzero(rows)
    chosen = chosen[:: max(len(chosen) // 2000, 1)]
    low = np.searchsorted(fine.ts_ms, coarse.ts_ms[chosen] - step_ms)
    high = np.searchsorted(fine.ts_ms, coarse.ts_ms[chosen] + step_ms, side="right")
    compared = False
    for name in Compared:
        values, finer = getattr(coarse, name)[chosen], getattr(fine, name)
        inside = [
            bool(np.nanmin(finer[a:b]) - ROUNDING[name] <= value <= np.nanmax(finer[a:b]) + ROUNDING[name])
            for value, a, b in zip(values, low, high, strict=True)
            if np.isfinite(value) and np.isfinite(finer[a:b]).any()
        ]
        compared |= len(inside) > 0
        if inside and float(np.mean(inside)) < AGREE:
            return False
    return compared
