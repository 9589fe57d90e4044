"""Intake: a file's readings go in with everything that belongs to them, in one transaction, or not at all."""

from __future__ import annotations

import time
from concurrent.futures import ThreadPoolExecutor
from dataclasses import dataclass, field, replace
from functools import cache, partial
from typing import TYPE_CHECKING

import numpy as np
import pyarrow as pa
import sqlalchemy as sa

from logbook.schema.joined import joined
from logbook.schema.reading import QUANTITY_NAMES
from logbook.schema.receipt import Receipt, SetAside
from logbook.store import dialect, models, originals, replaced, stale
from logbook.store.imports import ImportRow, known_in
from logbook.store.merge import Merge, merge, resolution
from logbook.store.parts import parts_of
from logbook.store.readings import replace_readings, samples_between, strictly_ascending
from logbook.store.rollups import all_levels, store_rollups
from logbook.store.samples import MISSING, Samples, thousandths
from logbook.store.side import store_side_tables
from logbook.units import MS_PER_S, THOUSANDTHS, iso_from_ms

if TYPE_CHECKING:
    from collections.abc import Callable, Iterator
    from concurrent.futures import Future
    from pathlib import Path

    from numpy.typing import NDArray
    from sqlalchemy.engine import Connection

    from logbook.schema.pack import Pack
    from logbook.schema.recording import Recording
    from logbook.store.batch import Batch
    from logbook.store.engine import Store

CONTRADICTS = "contradicts a reading stored already"
FINEST = np.ones(len(QUANTITY_NAMES), np.int64)
"""Resolutions where there is nothing stored to compare with, and so none are worked out."""
FIRST_SET_ASIDE = 20
"""Rows set aside that a receipt itself shows."""


@dataclass
class Tally:
    """What comparing with the stored readings found."""

    new: int = 0
    known: int = 0
    completed: int = 0
    contradictions: list[SetAside] = field(default_factory=list)
    touched: list[tuple[int, int]] = field(default_factory=list)

    def add(self, part: Merge, recording: Recording) -> None:
        """Count one part."""
        self.new += len(part.new)
        self.completed += len(part.completed)
        self.known += len(part.shared) - len(part.completed)
        self.contradictions += contradictions(part, recording)
        changed = [samples.ts_ms for samples in (part.new, part.completed) if len(samples)]
        if changed:
            self.touched.append((int(min(times[0] for times in changed)), int(max(times[-1] for times in changed)) + 1))


@dataclass(frozen=True, eq=False)
class Part:
    """Some days of a recording, ready for the database."""

    start_ms: int
    end_ms: int
    merge: Merge
    rows: Batch
    """Its new readings."""
    rollups: list[pa.Table]


def commit_import(
    store: Store, pack: Pack, recording: Recording, original: Path | None, *, dry_run: bool = False
) -> Receipt:
    """Take a recording in, whole or not at all; the same file again stores nothing.

    `original` is the file to keep, None to keep none. With `dry_run` nothing is written and the receipt says what
    would be.
    """
    return commit_pieces(store, pack, iter((recording,)), original, dry_run=dry_run)


def commit_pieces(
    store: Store, pack: Pack, recordings: Iterator[Recording], original: Path | None, *, dry_run: bool = False
) -> Receipt:
    """Take a file in as `commit_import` does, from recordings that follow each other in time, one in memory at once."""
    begun = [next(recordings)]
    draft = begun[0].receipt
    recordings = _going_on(begun, recordings)
    with store.reading() if dry_run else store.writing() as connection:
        known = known_in(connection, pack.id, draft.sha256)
        if known:
            return _again(draft, known, pack, dry_run=dry_run)
        if dry_run:
            return _compared(connection, pack, recordings)
        with originals.kept(store.originals_folder, original, draft.sha256) as name:
            return _commit(connection, pack, recordings, name)


def commit_again(connection: Connection, pack: Pack, recording: Recording, row: ImportRow) -> Receipt:
    """Take in anew what was taken back in the same transaction, under the number it had."""
    return _commit(connection, pack, iter((recording,)), row.original, row)


def _commit(
    connection: Connection,
    pack: Pack,
    recordings: Iterator[Recording],
    kept: str | None,
    former: ImportRow | None = None,
) -> Receipt:
    draft, last_ms = None, None
    tally, beside, aside = Tally(), list[tuple[int, int]](), list[SetAside]()
    recording = _next(recordings)
    import_id = _add_row(connection, pack.id, recording, kept, former) if recording else 0
    while recording:
        replaced.take_out(connection, pack.id, import_id, recording)
        for part in _parts(connection, pack.id, recording, import_id):
            dialect.bulk_insert(connection, models.reading, part.rows)
            _store_shared(connection, pack.id, part.merge)
            replace_readings(connection, pack.id, part.merge.completed)
            store_rollups(connection, pack.id, part.start_ms, part.end_ms, part.rollups)
            tally.add(part.merge, recording)
            del part
        beside += store_side_tables(connection, pack.id, import_id, recording)
        aside += recording.set_aside
        draft = joined(draft, recording.receipt) if draft else recording.receipt
        last_ms = int(recording.readings.ts_ms[-1]) if len(recording.readings) else last_ms
        recording = None  # its readings leave the memory before the next come
        recording = _next(recordings)
    if draft is None:
        raise ValueError("there is nothing to take in")
    _store_set_aside(connection, pack.id, import_id, [*aside, *tally.contradictions])
    stale.mark(connection, pack.id, stale.joined([*tally.touched, *beside]))
    receipt = _receipt(draft, pack, tally, import_id)
    table = models.imports
    whole = {"receipt": receipt.as_json(), "last_ms": last_ms}
    connection.execute(sa.update(table).where(table.c.id == import_id).values(**whole))
    return receipt


def _compared(connection: Connection, pack: Pack, recordings: Iterator[Recording]) -> Receipt:
    """Give the receipt there would be."""
    draft: Receipt | None = None
    tally = Tally()
    while recording := _next(recordings):
        for part in _parts(connection, pack.id, recording, import_id=0):
            tally.add(part.merge, recording)
            del part
        draft = joined(draft, recording.receipt) if draft else recording.receipt
        del recording
    if draft is None:
        raise ValueError("there is nothing to take in")
    return _receipt(draft, pack, tally, None)


def _going_on(begun: list[Recording], following: Iterator[Recording]) -> Iterator[Recording]:
    """Give what was looked at already, and let go of it, then the rest."""
    yield begun.pop()
    yield from following


def _next(recordings: Iterator[Recording]) -> Recording | None:
    recording = next(recordings, None)
    if recording is not None and not strictly_ascending(recording.readings):
        raise ValueError("a recording's times must ascend, one reading each")
    return recording


def _add_row(
    connection: Connection, pack_id: int, recording: Recording, kept: str | None, former: ImportRow | None
) -> int:
    times = recording.readings.ts_ms
    row: dict[str, object] = {
        "pack_id": pack_id,
        "sha256": recording.receipt.sha256,
        "file_name": recording.receipt.file_name,
        "imported_ms": round(time.time() * MS_PER_S),
        "first_ms": int(times[0]) if len(times) else None,
        "last_ms": int(times[-1]) if len(times) else None,
        "original": kept,
        "receipt": {},
    }
    if former:
        row |= {"id": former.id, "file_name": former.file_name, "imported_ms": former.imported_ms}
    statement = sa.insert(models.imports).values(**row).returning(models.imports.c.id)
    return int(connection.execute(statement).scalar_one())


def _parts(connection: Connection, pack_id: int, recording: Recording, import_id: int) -> Iterator[Part]:
    """Give the recording part by part; the next is made ready while the database stores the one before."""
    steps = cache(partial(_steps, recording))
    ts_ms = recording.readings.ts_ms
    with ThreadPoolExecutor(1) as beside:
        coming: Future[Part] | None = None
        for start, end, rows in parts_of(connection, pack_id, ts_ms):
            stored = replaced.without(samples_between(connection, models.reading, pack_id, start, end), recording)
            incoming = partial(Samples.from_readings, recording.readings, import_id, rows)
            following = beside.submit(_part, pack_id, (start, end), stored, incoming, steps)
            if coming is not None:
                yield coming.result()
            coming = following
        if coming is not None:
            yield coming.result()


def _part(
    pack_id: int,
    span: tuple[int, int],
    stored: Samples,
    incoming: Callable[[], Samples],
    steps: Callable[[], NDArray[np.int64]],
) -> Part:
    merged = merge(stored, incoming(), steps() if len(stored) else FINEST)
    rows = dialect.laid_out(models.reading, merged.new.as_arrow(pack_id))
    return Part(*span, merged, rows, all_levels(merged.result, pack_id))


def _steps(recording: Recording) -> NDArray[np.int64]:
    """Resolution of each quantity in the whole file."""
    columns = (thousandths(getattr(recording.readings, name)) for name in QUANTITY_NAMES)
    return np.array([resolution(column[column != MISSING]) for column in columns], np.int64)


def _store_shared(connection: Connection, pack_id: int, part: Merge) -> None:
    """Note what this import brought at times that are stored already.

    A reading's first import is noted only where the reading gains values from a later one: elsewhere the reading
    itself is what that import brought.
    """
    dialect.bulk_insert(connection, models.shared_reading, part.shared.as_arrow(pack_id))
    if not len(part.before):
        return
    start, end = int(part.before.ts_ms[0]), int(part.before.ts_ms[-1]) + 1
    noted = samples_between(connection, models.shared_reading, pack_id, start, end)
    fresh = part.before.taken(~part.before.found_in(noted))
    dialect.bulk_insert(connection, models.shared_reading, fresh.as_arrow(pack_id))


def _store_set_aside(connection: Connection, pack_id: int, import_id: int, rows: list[SetAside]) -> None:
    columns = {
        "pack_id": np.full(len(rows), pack_id, np.int64),
        "import_id": np.full(len(rows), import_id, np.int64),
        "ordinal": np.arange(len(rows)),
        "line": pa.array([row.line for row in rows], pa.int64()),
        "reason": pa.array([row.reason for row in rows], pa.string()),
        "text": pa.array([row.text for row in rows], pa.string()),
    }
    dialect.bulk_insert(connection, models.set_aside, pa.table(columns))


def contradictions(part: Merge, recording: Recording) -> list[SetAside]:
    """Say what was brought and what is stored, with the line it came from; 0 where the recording knows no lines."""
    times = part.contradicting.ts_ms
    lines = np.zeros(len(times), np.int64)
    if recording.lines is not None:
        lines = recording.lines[np.searchsorted(recording.readings.ts_ms, times)]
    rows = zip(lines, times, part.contradicting.values.T, part.contradicted.values.T, strict=True)
    return [
        SetAside(
            int(line), CONTRADICTS, f"{iso_from_ms(int(moment))} brought {_words(brought)}; stored {_words(stored)}"
        )
        for line, moment, brought, stored in rows
    ]


def _words(values: NDArray[np.int64]) -> str:
    there = [(name, value) for name, value in zip(QUANTITY_NAMES, values, strict=True) if value != MISSING]
    return ", ".join(f"{name} {value / THOUSANDTHS:g}" for name, value in there)


def _receipt(draft: Receipt, pack: Pack, tally: Tally, import_id: int | None) -> Receipt:
    against = tally.contradictions
    reasons, warnings = dict(draft.set_aside_reasons), list(draft.warnings)
    if against:
        reasons[CONTRADICTS] = reasons.get(CONTRADICTS, 0) + len(against)
        warnings.append(
            f"{len(against)} readings contradict those stored at the same times; the stored ones were kept,"
            " these were set aside."
        )
    if tally.completed:
        warnings.append(f"{tally.completed} stored readings gained values that they did not have.")
    return replace(
        draft,
        rows_stored=tally.new + tally.completed,
        rows_already_known=tally.known,
        rows_set_aside=draft.rows_set_aside + len(against),
        set_aside_reasons=reasons,
        set_aside_first=(*draft.set_aside_first, *against)[:FIRST_SET_ASIDE],
        warnings=tuple(warnings),
        import_id=import_id,
        pack_name=pack.name,
        dry_run=import_id is None,
    )


def _again(draft: Receipt, known: ImportRow, pack: Pack, *, dry_run: bool) -> Receipt:
    return replace(
        draft,
        rows_stored=0,
        rows_already_known=draft.rows_read - draft.rows_set_aside,
        import_id=known.id,
        pack_name=pack.name,
        already_imported=iso_from_ms(known.imported_ms),
        dry_run=dry_run,
    )
