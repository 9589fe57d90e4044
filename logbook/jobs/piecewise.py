"""Piecewise: a long export is read and stored piece by piece, so that its length does not decide on the memory it takes.

What a file is, and which way its numbers count, is decided from all of it where it is short. A long one is taken in
pieces, each compared with the first; where one is understood otherwise, or does not follow the one before it in time,
nothing is stored of any, and the file is read as a whole.
"""

from __future__ import annotations

from dataclasses import replace
from typing import TYPE_CHECKING

import numpy as np

from logbook.errors import LogbookError, Unanswered
from logbook.ingest.piece import Pieces
from logbook.jobs.allocator import give_back, keep_no_more
from logbook.jobs.copies import REACH_MS, TAKES_PLACE, copies_among, is_of_copies
from logbook.jobs.remembered import memory_of
from logbook.schema.receipt import Inference
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
)
"""Beginnings of kinds of repairs that rest on what stands elsewhere in the file."""
ABOVE = "stands above the table"


class _NotAlike(Exception):
    """A piece is understood otherwise than the first, or does not follow the one before it."""


def take_in(store: Store, pack: Pack, read: Read, original: Path | None, *, dry_run: bool) -> Receipt:
    """Read a file and store it, whole or not at all, in as many pieces as its length asks for."""
    pieces = Pieces()
    try:
        return commit_pieces(store, pack, _recordings(read, pieces), original, dry_run=dry_run)
    except (_NotAlike, Unanswered):
        if pieces.first_line == 1 and pieces.is_last():
            raise
    return commit_pieces(store, pack, (read(None, ()) for _ in range(1)), original, dry_run=dry_run)


def _recordings(read: Read, pieces: Pieces) -> Iterator[Recording]:
    """The pieces of a file, one in memory at once; _NotAlike where they are better read as one."""
    recording = read(pieces, ())
    if pieces.is_last():
        yield recording
        return
    keep_no_more()
    first, number = recording.receipt, 1
    if not pieces.is_one_table or not _is_plain(first):
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
        alike = pieces.is_one_table and _is_plain(recording.receipt) and _decided(recording.receipt) == _decided(first)
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
    """Whether a piece begins after another ended, and is no copy of its end."""
    first_ms, last_ms = int(recording.readings.ts_ms[0]), int(before.ts_ms[-1])
    if first_ms <= last_ms:
        return False
    near = recording.readings.between(first_ms, last_ms + 2 * REACH_MS)
    copies = copies_among(before.between, near)
    return not any(mask.any() for mask, _ in copies.aside()) and not copies.unsure and copies.replaces is None


def _is_plain(receipt: Receipt) -> bool:
    """Whether what was understood of a piece rests on nothing that stands elsewhere in its file, or in the logbook."""
    times = [column for column in receipt.columns if column.quantity in {"time", "date", "clock"}]
    return not (
        len(times) != 1
        or any(column.quantity in PARTIAL for column in receipt.columns)
        or any(entry.question in OF_THE_WHOLE for entry in receipt.inferences)
        or any(repair.kind.startswith(OF_CONTEXT) for repair in receipt.repairs)
        or any(reason == ABOVE or is_of_copies(reason) for reason in receipt.set_aside_reasons)
        or any(TAKES_PLACE in warning for warning in receipt.warnings)
    )


def _decided(receipt: Receipt) -> tuple[object, ...]:
    columns = [(column.header, column.quantity, column.unit) for column in receipt.columns]
    answers = {(entry.question, entry.answer) for entry in receipt.inferences if entry.question not in STATEMENTS}
    return columns, answers


def _with_number(receipt: Receipt, number: int) -> Receipt:
    told = Inference("length", f"taken in by {number} pieces", "strong", "all of them are understood alike")
    return replace(receipt, inferences=(*receipt.inferences, told))
