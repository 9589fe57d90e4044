"""Piecewise: a long export is read and stored piece by piece, so that its length does not decide on the memory it takes.

What a file is, and which way its numbers count, is decided from all of it where it is short. A long one is taken in
pieces, each compared with the first; where one is understood otherwise, or does not follow the one before it in time,
nothing is stored of any, and the file is read as a whole.
"""

from __future__ import annotations

from contextlib import suppress
from dataclasses import replace
from typing import TYPE_CHECKING

import numpy as np

from logbook.errors import LogbookError
from logbook.ingest.frozen import FROZEN, LEAST_ROWS
from logbook.ingest.piece import Pieces
from logbook.ingest.read import FUTURE
from logbook.ingest.shifted import WRONG_COLUMNS
from logbook.ingest.spike import LEAST_LEAP_V, SOC_STEP, SURGE_A
from logbook.ingest.temperature import CODES_C, SPIKE_C
from logbook.jobs.allocator import give_back, keep_no_more
from logbook.jobs.copies import REACH_MS, copies_among, is_of_copies
from logbook.jobs.remembered import memory_of
from logbook.schema.receipt import Inference
from logbook.schema.recording import COUNTERS
from logbook.schema.shown import LEAST_TOLD_A
from logbook.store.intake import commit_pieces

if TYPE_CHECKING:
    from collections.abc import Callable, Iterator
    from pathlib import Path

    from logbook.ingest.memory import Remembered
    from logbook.schema.pack import Pack
    from logbook.schema.reading import Readings
    from logbook.schema.receipt import Receipt
    from logbook.schema.recording import Recording
    from logbook.store import Store

    Read = Callable[[Pieces | None, tuple[Remembered, ...]], Recording]
    """Reads the present piece, or the whole file, with what is known of how to understand it."""

STATEMENTS = {"sign of the current", "where the sign shows"}
"""What is told of each piece and decides nothing."""
OF_THE_WHOLE = {"clock", "order of rows", "rows on change", "seconds", "shape", "start", "tables"}
"""What only a whole file can decide well."""
PARTIAL = {"charge_current_a", "direction", "discharge_current_a", "elapsed", "quantity"}
"""Columns whose times count on from a file's beginning, of which a row is but a part of a reading, or whose cells may be
empty or full of noughts for days."""
OF_CONTEXT = (
    "another device",
    "clock",
    "direction",
    "no direction",
    "other era",
    "sensor code",
    "sign",
    "wrapped temperature",
    *(f"no value ({name})" for name in COUNTERS),
)
"""Beginnings of kinds of repairs that rest on what stands elsewhere in the file."""
NOT_PLAIN = {"stands above the table", FUTURE, WRONG_COLUMNS, FROZEN}
"""Why rows were set aside for what stands elsewhere in the file, or for a share of all its rows."""
TOLD_OF_PIECES = ("Which way the current counts shows nowhere", "Its temperatures, from")
"""Beginnings of warnings that say of a piece what they would of the whole; any other one asks for the whole."""
LEAPS = {"voltage_v": LEAST_LEAP_V, "current_a": 0.9 * SURGE_A, "soc_percent": SOC_STEP, "temperature_c": SPIKE_C}
NEAR_VOLTAGE, LEAST_SHOWN_V = (0.8, 1.2), 0.5
"""A value so near to the usual voltage, in a row without one, may stand in the wrong column."""


class _NotAlike(Exception):
    """A piece is understood otherwise than the first, or does not follow the one before it."""


def take_in(store: Store, pack: Pack, read: Read, original: Path | None, *, dry_run: bool) -> Receipt:
    """Read a file and store it, whole or not at all, in as many pieces as its length asks for."""
    with suppress(_NotAlike):
        return commit_pieces(store, pack, _recordings(read, Pieces()), original, dry_run=dry_run)
    return commit_pieces(store, pack, (read(None, ()) for _ in range(1)), original, dry_run=dry_run)


def _recordings(read: Read, pieces: Pieces) -> Iterator[Recording]:
    """The pieces of a file, one in memory at once; _NotAlike where they are better read as one."""
    try:
        recording = read(pieces, ())
    except LogbookError as error:
        if pieces.is_last():
            raise
        raise _NotAlike from error
    if pieces.is_last():
        yield recording
        return
    keep_no_more()
    first, decided, number = recording.receipt, _decided(recording), 1
    if not pieces.is_one_table or not _is_plain(recording):
        raise _NotAlike
    memory = replace(memory_of(0, first.as_json()), mapping=None, told=f"as in the lines before {pieces.next_line}")
    recalled = () if any(entry.question == "mapping" for entry in first.inferences) else (memory,)
    while True:
        before = _end_of(recording)
        yield recording
        del recording
        if pieces.is_last():
            return
        give_back()
        pieces.go_on()
        number += 1
        try:
            recording = read(pieces, recalled)
        except LogbookError as error:
            raise _NotAlike from error
        alike = pieces.is_one_table and _is_plain(recording) and _decided(recording) == decided
        if not alike or not _follows(recording, before):
            raise _NotAlike
        if pieces.is_last():
            recording = replace(recording, receipt=_with_number(recording.receipt, number))


def _end_of(recording: Recording) -> Readings:
    """What a copy of the last readings, an hour or more on, would be a copy of."""
    last_ms = int(recording.readings.ts_ms[-1])
    end = recording.readings.between(last_ms - 2 * REACH_MS, last_ms + 1)
    return end.taken(np.arange(len(end)))


def _follows(recording: Recording, before: Readings) -> bool:
    """Whether a piece begins after another ended, joins on to it, and is no copy of its end."""
    first_ms, last_ms = int(recording.readings.ts_ms[0]), int(before.ts_ms[-1])
    if first_ms <= last_ms or not _joins_on(recording.readings, before):
        return False
    near = recording.readings.between(first_ms, last_ms + 2 * REACH_MS)
    copies = copies_among(before.between, near)
    return not any(mask.any() for mask, _ in copies.aside()) and not copies.unsure and copies.replaces is None


def _joins_on(readings: Readings, before: Readings) -> bool:
    """Whether nothing at the edge of two pieces would be judged by what stands on its other side.

    That are a lone spike, a code of a sensor, and rows that repeat themselves while a current flows.
    """
    for name, leap in LEAPS.items():
        end, begin = float(getattr(before, name)[-1]), float(getattr(readings, name)[0])
        if abs(begin - end) > leap or (name == "temperature_c" and not {end, begin}.isdisjoint(CODES_C)):
            return False
    if not abs(float(readings.current_a[0])) >= LEAST_TOLD_A:
        return True
    return _repeated_at_the_edge(readings, before) < LEAST_ROWS


def _repeated_at_the_edge(readings: Readings, before: Readings) -> int:
    """How many rows around the edge of two pieces, at most twice `LEAST_ROWS`, are like the first after it."""
    ends = before.taken(slice(-LEAST_ROWS, None)), readings.taken(slice(0, LEAST_ROWS))
    count = 0
    for part in (ends[0].taken(slice(None, None, -1)), ends[1]):
        alike = np.ones(len(part), bool)
        for name in LEAPS:
            first, values = getattr(readings, name)[0], getattr(part, name)
            alike &= (values == first) | (np.isnan(values) & np.isnan(first))
        count += int(np.minimum.accumulate(alike).sum())
    return count


def _is_plain(recording: Recording) -> bool:
    """Whether what was understood of a piece rests on nothing that stands elsewhere in its file, or in the logbook."""
    return _is_understood_by_itself(recording.receipt) and not _may_be_shifted(recording.readings)


def _may_be_shifted(readings: Readings) -> bool:
    """Whether a row shows no voltage a pack has but, in another column, what may be one; the whole file decides on these."""
    voltage = readings.voltage_v
    shows = voltage > LEAST_SHOWN_V
    if not shows.any():
        return False
    usual = float(np.median(voltage[shows]))
    odd = np.flatnonzero(~shows | (voltage > 1.8 * usual) | (voltage < 0.2 * usual))
    others = np.stack([getattr(readings, name)[odd] for name in ("current_a", "temperature_c", "soc_percent")])
    return bool(((others > NEAR_VOLTAGE[0] * usual) & (others < NEAR_VOLTAGE[1] * usual)).any())


def _is_understood_by_itself(receipt: Receipt) -> bool:
    times = [column for column in receipt.columns if column.quantity in {"time", "date", "clock"}]
    return not (
        len(times) != 1
        or any(column.quantity in PARTIAL for column in receipt.columns)
        or any(entry.question in OF_THE_WHOLE for entry in receipt.inferences)
        or any(repair.kind.startswith(OF_CONTEXT) for repair in receipt.repairs)
        or any(entry.shown and not entry.shown.places for entry in receipt.inferences)
        or any(reason in NOT_PLAIN or is_of_copies(reason) for reason in receipt.set_aside_reasons)
        or not all(warning.startswith(TOLD_OF_PIECES) for warning in receipt.warnings)
    )


def _decided(recording: Recording) -> tuple[object, ...]:
    receipt = recording.receipt
    cells = 0 if recording.cells_v is None else recording.cells_v.shape[1]
    columns = [(column.header, column.quantity, column.unit) for column in receipt.columns]
    answers = {(entry.question, entry.answer) for entry in receipt.inferences if entry.question not in STATEMENTS}
    return columns, answers, cells


def _with_number(receipt: Receipt, number: int) -> Receipt:
    told = Inference("length", f"read and stored in {number} pieces", "strong", "all of them are understood alike")
    return replace(receipt, inferences=(*receipt.inferences, told))
