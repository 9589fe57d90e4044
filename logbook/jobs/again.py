"""Again: imports that were read beside one that is taken back are read once more, from their kept originals.

What a later import set aside as a copy, or found to contradict, or took the place of, it decided by what the logbook
held then. When an earlier import goes, the later ones that lie in its time are taken back with it and come in again
under their numbers, in their order, so that the logbook holds what they alone would have given it.
"""

from __future__ import annotations

import shutil
from contextlib import contextmanager
from dataclasses import dataclass, replace
from pathlib import Path
from tempfile import mkdtemp
from typing import TYPE_CHECKING, Any

from logbook.errors import LogbookError
from logbook.jobs.copies import REACH_MS, TAKES_PLACE, copies_among, is_of_copies, without_copies
from logbook.jobs.era import BY_NOTE, eras_of, within
from logbook.jobs.era import KIND as OTHER_ERA
from logbook.jobs.receipts import receipt_from_json
from logbook.jobs.remembered import memory_of
from logbook.store import list_imports, stored_receipt
from logbook.store.intake import CONTRADICTS, commit_again
from logbook.store.originals import bring_back
from logbook.store.readings import readings_between

if TYPE_CHECKING:
    from collections.abc import Iterator, Sequence

    from sqlalchemy.engine import Connection

    from logbook.ingest import ImportOptions, Question
    from logbook.schema.pack import Pack
    from logbook.schema.receipt import Receipt
    from logbook.schema.recording import Recording
    from logbook.store import ImportRow, Store

NAMES = {
    "positive": "positive current",
    "date_order": "order of day and month",
    "charging_direction": "charging direction",
    "time_zone": "time zone",
    "temperature_unit": "temperature unit",
    "current_unit": "current unit",
    "power_unit": "power unit",
    "soc_unit": "percent unit",
    "date_base": "spreadsheet days",
}
"""Key of a question to its name in a receipt, where they differ."""


ALIKE = 0.1
"""Series of one monitor have intervals no further apart than this share (ours)."""


class NotAgain(LogbookError):
    """A file can't be read again as it was."""


@dataclass(frozen=True)
class Later:
    """An import that came after another and lies in its time."""

    row: ImportRow
    receipt: Receipt


def beside(store: Store, row: ImportRow) -> list[Later]:
    """The later imports that are to be read again when this one goes, in their order; none where nothing hangs on it."""
    if row.first_ms is None or row.last_ms is None:
        return []
    spans = [(row.first_ms, row.last_ms)]
    found: list[Later] = []
    for other in list_imports(store, row.pack_id):
        if other.id <= row.id:
            continue
        receipt = receipt_from_json(stored_receipt(store, other.id))
        if other.first_ms is None or other.last_ms is None:
            found += [Later(other, receipt)] if _depends(receipt) else []
        elif any(other.first_ms - REACH_MS <= last and first <= other.last_ms + REACH_MS for first, last in spans):
            found.append(Later(other, receipt))
            spans.append((other.first_ms, other.last_ms))
    took_place = _took_place(receipt_from_json(stored_receipt(store, row.id)))
    if took_place or any(_depends(later.receipt) or _has_rival(store, row, later) for later in found):
        return found
    return []


def _has_rival(store: Store, row: ImportRow, later: Later) -> bool:
    """Whether another import before it holds another series of its time, to which this one may not have seemed to belong."""
    for other in list_imports(store, row.pack_id):
        if other.id == row.id or other.id >= later.row.id or not _overlap(other, later.row):
            continue
        interval_s = receipt_from_json(stored_receipt(store, other.id)).interval_s
        if not later.receipt.rows_already_known or not _alike(interval_s, later.receipt.interval_s):
            return True
    return False


def _overlap(first: ImportRow, second: ImportRow) -> bool:
    spans = [(entry.first_ms, entry.last_ms) for entry in (first, second)]
    if any(start is None or end is None for start, end in spans):
        return False
    (a, b), (c, d) = spans
    return bool(a <= d and c <= b)  # type: ignore[operator]


def _alike(first_s: float | None, second_s: float | None) -> bool:
    return bool(first_s and second_s) and abs(first_s - second_s) < ALIKE * min(first_s, second_s)  # type: ignore[operator, type-var]


def _depends(receipt: Receipt) -> bool:
    """Whether an import decided anything by what the logbook held."""
    return _took_place(receipt) or any(
        is_of_copies(reason) or reason == CONTRADICTS for reason in receipt.set_aside_reasons
    )


def _took_place(receipt: Receipt) -> bool:
    return any(TAKES_PLACE in warning for warning in receipt.warnings)


def read_again(store: Store, connection: Connection, pack: Pack, later: Later) -> None:
    """Take a later import in once more, within the transaction in which it was taken back.

    Raises NotAgain where its file was not kept, or is not read as it was.
    """
    recording = _recording(store, connection, pack, later)
    commit_again(connection, pack, recording, later.row)


def _recording(store: Store, connection: Connection, pack: Pack, later: Later) -> Recording:
    from logbook.ingest import lines_of, read_export  # noqa: PLC0415 - the whole importer, seldom needed to undo

    options = _options(pack, later)
    with _original(store, later.row) as path:
        try:
            recording = read_export(path, options, ask=_answers(later.receipt))
            recording = within(recording, *_eras(store, pack, later)) if _is_part(later.receipt) else recording
        except LogbookError as error:
            raise NotAgain(str(error)) from error
        if _own(recording.receipt) != _own(later.receipt):
            raise NotAgain("it is read otherwise by this version.", where=later.row.file_name)
        copies = copies_among(
            lambda start, end: readings_between(connection, pack.id, start, end),
            recording.readings,
            trusted=_zone_said(later.receipt),
        )
        recording = without_copies(recording, copies, lambda lines: lines_of(path, options, lines))
    now, was = recording.receipt, later.receipt
    told = replace(now, columns=was.columns, inferences=was.inferences, mapping=was.mapping, changes=was.changes)
    return replace(recording, receipt=told)


def _own(receipt: Receipt) -> tuple[Any, ...]:
    """What a file gave by itself: rows, and those set aside whatever the logbook held."""
    aside = {
        reason: count
        for reason, count in receipt.set_aside_reasons.items()
        if not is_of_copies(reason) and reason != CONTRADICTS
    }
    return receipt.rows_read, sorted(aside.items()), sorted((entry.kind, entry.count) for entry in receipt.repairs)


def _zone_said(receipt: Receipt) -> bool:
    return any(
        entry.question == "time zone" and entry.evidence.startswith("as you said") for entry in receipt.inferences
    )


def _is_part(receipt: Receipt) -> bool:
    return any(entry.kind == OTHER_ERA for entry in receipt.repairs)


def _eras(store: Store, pack: Pack, later: Later) -> Sequence[Any]:
    if not any(entry.kind == OTHER_ERA and BY_NOTE in entry.message for entry in later.receipt.repairs):
        raise NotAgain("the dates given with it are not known any more.", where=later.row.file_name)
    return eras_of(store, pack)


def _options(pack: Pack, later: Later) -> ImportOptions:
    """What was settled for a file, as if it had been given."""
    from logbook.ingest import ImportOptions, parse_mapping  # noqa: PLC0415

    said = {entry.question: entry.answer for entry in later.receipt.inferences}
    positive, clock = said.get("positive current"), said.get("clock")
    return ImportOptions(
        time_zone=said.get("time zone"),
        positive="charge" if positive == "charge" else "discharge" if positive == "discharge" else None,
        clock="before" if clock == "before" else "after" if clock == "after" else None,
        mapping=parse_mapping(later.receipt.mapping) if later.receipt.mapping else None,
        cells_in_series=pack.cells_in_series,
        rated_ah=pack.rated_ah,
        default_time_zone=pack.time_zone,
        device=said.get("device"),
        charging=said.get("charging direction"),
        remembered=(memory_of(later.row.id, later.receipt.as_json()),),
        max_bytes=1 << 40,
        max_ratio=1e6,
    )


def _answers(receipt: Receipt) -> Any:
    said = {entry.question: entry.answer for entry in receipt.inferences}

    def ask(question: Question) -> str | None:
        answer = said.get(question.key, said.get(NAMES.get(question.key, ""))) or ""
        return next((choice for choice in question.choices if answer.endswith(choice)), answer or None)

    return ask


@contextmanager
def _original(store: Store, row: ImportRow) -> Iterator[Path]:
    """The file of an import, unpacked for a while under the name it had."""
    if row.original is None:
        raise NotAgain("its file was not kept.", where=row.file_name)
    folder = Path(mkdtemp(prefix="logbook-"))
    path = folder / (Path(row.file_name).name or "export")
    try:
        bring_back(store.originals_folder, row.sha256, path)
        yield path
    except NotAgain:
        raise
    except LogbookError as error:
        raise NotAgain(str(error)) from error
    finally:
        shutil.rmtree(folder, ignore_errors=True)
