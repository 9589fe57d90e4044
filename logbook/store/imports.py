"""Imports: a file's readings in, with everything that belongs to them, in one transaction; and back out."""

from __future__ import annotations

import time
from collections.abc import Iterator
from dataclasses import dataclass, field, fields, replace
from typing import TYPE_CHECKING, Any

import numpy as np
import pandas as pd
import pyarrow as pa
import sqlalchemy as sa

from logbook.errors import UnknownName
from logbook.schema.reading import QUANTITY_NAMES
from logbook.schema.receipt import Receipt, SetAside
from logbook.store import dialect, models, originals, side, stale
from logbook.store.merge import Merge, combined, merge, resolutions
from logbook.store.readings import count_by_day, samples_between, strictly_ascending
from logbook.store.rollups import bucket_range, replace_rollups
from logbook.store.samples import MISSING, Samples
from logbook.units import MS_PER_DAY, iso_from_ms

if TYPE_CHECKING:
    from pathlib import Path

    from sqlalchemy.engine import Connection

    from logbook.schema.pack import Pack
    from logbook.schema.recording import Recording
    from logbook.store.engine import Store

PART_ROWS = 1_000_000
"""Readings looked at together, stored and incoming: bounds the memory."""
CONTRADICTS = "contradicts a reading stored already"
FIRST_SET_ASIDE = 20
"""Rows set aside that a receipt itself shows."""


@dataclass(frozen=True)
class ImportRow:
    """One import, as lists show it."""

    id: int
    pack_id: int
    sha256: str
    file_name: str
    imported_ms: int
    first_ms: int | None
    last_ms: int | None
    original: str | None
    """Name of the kept file below `Store.originals_folder`, None where its owner said no."""


@dataclass
class Tally:
    """What the merge found."""

    new: int = 0
    known: int = 0
    completed: int = 0
    contradictions: list[SetAside] = field(default_factory=list)
    touched: list[tuple[int, int]] = field(default_factory=list)

    def add(self, part: Merge) -> None:
        """Count one part."""
        self.new += len(part.new)
        self.completed += len(part.completed)
        self.known += len(part.shared) - len(part.completed)
        self.contradictions += contradictions(part)
        for samples in (part.new, part.completed):
            if len(samples):
                self.touched.append((int(samples.ts_ms[0]), int(samples.ts_ms[-1]) + 1))


def commit_import(
    store: Store, pack: Pack, recording: Recording, original: Path | None, *, dry_run: bool = False
) -> Receipt:
    """Take a recording in, whole or not at all; the same file again stores nothing.

    `original` is the file to keep, None to keep none. With `dry_run` nothing is written and the receipt says what
    would be.
    """
    if not strictly_ascending(recording.readings):
        raise ValueError("a recording's times must ascend, one reading each")
    with store.reading() if dry_run else store.writing() as connection:
        known = _known(connection, pack.id, recording.receipt.sha256)
        if known:
            return _again(recording.receipt, known, pack, dry_run=dry_run)
        if dry_run:
            tally = Tally()
            for start, end, incoming in _parts(connection, pack.id, recording, import_id=0):
                tally.add(_compare(connection, pack.id, start, end, incoming, _steps(recording)))
            return _receipt(recording, pack, tally, None)
        return _commit(store, connection, pack, recording, original)


def _commit(store: Store, connection: Connection, pack: Pack, recording: Recording, original: Path | None) -> Receipt:
    draft = recording.receipt
    kept = originals.keep(store.originals_folder, original, draft.sha256) if original else None
    times = recording.readings.ts_ms
    row = {
        "pack_id": pack.id,
        "sha256": draft.sha256,
        "file_name": draft.file_name,
        "imported_ms": round(time.time() * 1000),
        "first_ms": int(times[0]) if len(times) else None,
        "last_ms": int(times[-1]) if len(times) else None,
        "original": kept,
        "receipt": {},
    }
    import_id = connection.execute(sa.insert(models.imports).values(**row).returning(models.imports.c.id)).scalar_one()
    tally = Tally()
    for start, end, incoming in _parts(connection, pack.id, recording, import_id):
        part = _compare(connection, pack.id, start, end, incoming, _steps(recording))
        _store_part(connection, pack.id, start, end, part)
        tally.add(part)
    side.store_side_tables(connection, pack.id, import_id, recording)
    receipt = _receipt(recording, pack, tally, import_id)
    _store_set_aside(connection, pack.id, import_id, [*recording.set_aside, *tally.contradictions])
    target = models.imports
    connection.execute(sa.update(target).where(target.c.id == import_id).values(receipt=receipt.as_json()))
    stale.mark(connection, pack.id, stale.joined(tally.touched))
    return receipt


def _steps(recording: Recording) -> Any:
    return resolutions(Samples.from_readings(recording.readings, 0).values)


def _parts(
    connection: Connection, pack_id: int, recording: Recording, import_id: int
) -> Iterator[tuple[int, int, Samples]]:
    """Split into ranges of whole buckets that hold few enough readings, without long stretches of nothing."""
    samples = Samples.from_readings(recording.readings, import_id)
    if not len(samples):
        return
    days, firsts, counts = np.unique(samples.ts_ms // MS_PER_DAY, return_index=True, return_counts=True)
    start, end = int(days[0]) * MS_PER_DAY, (int(days[-1]) + 1) * MS_PER_DAY
    stored = count_by_day(connection, pack_id, start, end, MS_PER_DAY)
    for first, last in _runs(days, counts, stored):
        rows = slice(firsts[first], firsts[last] + counts[last])
        incoming = samples.taken(rows)
        yield *bucket_range(int(incoming.ts_ms[0]), int(incoming.ts_ms[-1])), incoming


def _runs(days: Any, counts: Any, stored: dict[int, int]) -> Iterator[tuple[int, int]]:
    """Give the first and last index of runs of days that follow each other and hold few enough readings."""
    first, held = 0, 0
    for index, day in enumerate(days):
        here = int(counts[index]) + stored.get(int(day), 0)
        if index > first and (held + here > PART_ROWS or day - days[index - 1] > 1):
            yield first, index - 1
            first, held = index, 0
        held += here
    yield first, len(days) - 1


def _compare(connection: Connection, pack_id: int, start: int, end: int, incoming: Samples, steps: Any) -> Merge:
    return merge(samples_between(connection, models.reading, pack_id, start, end), incoming, steps)


def _store_part(connection: Connection, pack_id: int, start: int, end: int, part: Merge) -> None:
    dialect.bulk_insert(connection, models.reading, part.new.as_arrow(pack_id))
    if len(part.shared):
        _store_shared(connection, pack_id, part)
    _replace_samples(connection, pack_id, part.completed)
    replace_rollups(connection, pack_id, start, end, part.result)


def _store_shared(connection: Connection, pack_id: int, part: Merge) -> None:
    """Note what this import brought, and what the first one did, for readings that are stored already."""
    start, end = int(part.shared.ts_ms[0]), int(part.shared.ts_ms[-1]) + 1
    noted = samples_between(connection, models.shared_reading, pack_id, start, end)
    first_time = part.known.taken(~np.isin(part.known.ts_ms, noted.ts_ms))
    for samples in (first_time, part.shared):
        dialect.bulk_insert(connection, models.shared_reading, samples.as_arrow(pack_id))


def _replace_samples(connection: Connection, pack_id: int, samples: Samples) -> None:
    """Put samples in the place of those stored at their times."""
    _delete_at(connection, models.reading, pack_id, samples.ts_ms)
    dialect.bulk_insert(connection, models.reading, samples.as_arrow(pack_id))


def _delete_at(connection: Connection, table: sa.Table, pack_id: int, times: Any) -> None:
    keys = pa.table({"pack_id": np.full(len(times), pack_id, np.int64), "ts_ms": times})
    dialect.bulk_delete(connection, table, keys)


def _store_set_aside(connection: Connection, pack_id: int, import_id: int, rows: list[SetAside]) -> None:
    table = pa.table(
        {
            "pack_id": np.full(len(rows), pack_id, np.int64),
            "import_id": np.full(len(rows), import_id, np.int64),
            "ordinal": np.arange(len(rows)),
            "line": pa.array([row.line for row in rows], pa.int64()),
            "reason": pa.array([row.reason for row in rows], pa.string()),
            "text": pa.array([row.text for row in rows], pa.string()),
        }
    )
    dialect.bulk_insert(connection, models.set_aside, table)


def contradictions(part: Merge) -> list[SetAside]:
    """Say what was brought and what is stored; the line is not known any more, so it is 0."""
    pairs = zip(part.contradicting.ts_ms, part.contradicting.values, part.contradicted.values, strict=True)
    return [
        SetAside(0, CONTRADICTS, f"{iso_from_ms(int(moment))} brought {_words(brought)}; stored {_words(stored)}")
        for moment, brought, stored in pairs
    ]


def _words(values: Any) -> str:
    there = [(name, value) for name, value in zip(QUANTITY_NAMES, values, strict=True) if value != MISSING]
    return ", ".join(f"{name} {value / 1000:g}" for name, value in there)


def _receipt(recording: Recording, pack: Pack, tally: Tally, import_id: int | None) -> Receipt:
    draft, against = recording.receipt, tally.contradictions
    reasons = dict(draft.set_aside_reasons)
    warnings = list(draft.warnings)
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


def known_import(store: Store, pack_id: int, sha256: str) -> ImportRow | None:
    """Find the import that brought this very file, if one did."""
    with store.reading() as connection:
        return _known(connection, pack_id, sha256)


def _known(connection: Connection, pack_id: int, sha256: str) -> ImportRow | None:
    table = models.imports
    found = _import_rows(connection, (table.c.pack_id == pack_id) & (table.c.sha256 == sha256))
    return found[0] if found else None


def list_imports(store: Store, pack_id: int | None = None) -> list[ImportRow]:
    """Every import, or those of one pack, in the order they came."""
    with store.reading() as connection:
        return _import_rows(connection, sa.true() if pack_id is None else models.imports.c.pack_id == pack_id)


def _import_rows(connection: Connection, condition: sa.ColumnElement[bool]) -> list[ImportRow]:
    table = models.imports
    columns = [table.c[entry.name] for entry in fields(ImportRow)]
    rows = connection.execute(sa.select(*columns).where(condition).order_by(table.c.id))
    return [ImportRow(*row) for row in rows]


def stored_receipt(store: Store, import_id: int) -> dict[str, Any]:
    """Give an import's receipt as its JSON document."""
    table = models.imports
    with store.reading() as connection:
        _import_row(connection, import_id)
        receipt: dict[str, Any] = connection.execute(
            sa.select(table.c.receipt).where(table.c.id == import_id)
        ).scalar_one()
        return receipt


def set_aside_rows(store: Store, import_id: int) -> pd.DataFrame:
    """Give every row an import set aside: line, reason, text."""
    table = models.set_aside
    with store.reading() as connection:
        row = _import_row(connection, import_id)
        statement = (
            sa.select(table.c.line, table.c.reason, table.c.text)
            .where(table.c.pack_id == row.pack_id, table.c.import_id == import_id)
            .order_by(table.c.ordinal)
        )
        return pd.DataFrame(connection.execute(statement).all(), columns=["line", "reason", "text"])


def _import_row(connection: Connection, import_id: int) -> ImportRow:
    found = _import_rows(connection, models.imports.c.id == import_id)
    if not found:
        raise UnknownName(f"there is no import {import_id}.", mend="List them with: logbook imports")
    return found[0]


def undo_import(store: Store, import_id: int) -> tuple[int, int, int]:
    """Take back exactly what one import brought; gives (pack_id, start_ms, end_ms) of the range it touched.

    Readings that another import also brought stay, as that one brought them. The kept original stays too.
    """
    with store.writing() as connection:
        row = _import_row(connection, import_id)
        touched = []
        if row.first_ms is not None and row.last_ms is not None:
            for start, end in _undo_ranges(connection, row.pack_id, row.first_ms, row.last_ms):
                touched += _undo_part(connection, row.pack_id, import_id, start, end)
        connection.execute(sa.delete(models.imports).where(models.imports.c.id == import_id))
        stale.mark(connection, row.pack_id, stale.joined(touched))
    ranges = touched or [(row.first_ms or 0, (row.last_ms or -1) + 1)]
    return row.pack_id, min(ranges)[0], max(end for _start, end in ranges)


def _undo_ranges(connection: Connection, pack_id: int, first_ms: int, last_ms: int) -> list[tuple[int, int]]:
    start, end = bucket_range(first_ms, last_ms)
    stored = count_by_day(connection, pack_id, start, end, MS_PER_DAY)
    days = np.array(sorted(stored), np.int64)
    if not len(days):
        return []
    counts = np.zeros(len(days), np.int64)
    runs = list(_runs(days, counts, stored))
    whole = [(int(days[first]) * MS_PER_DAY, (int(days[last]) + 1) * MS_PER_DAY) for first, last in runs]
    return [(max(left, start), min(right, end)) for left, right in whole]


def _undo_part(connection: Connection, pack_id: int, import_id: int, start: int, end: int) -> list[tuple[int, int]]:
    brought = samples_between(connection, models.shared_reading, pack_id, start, end)
    times = np.unique(brought.ts_ms[brought.import_id == import_id])
    rest = brought.taken(np.isin(brought.ts_ms, times) & (brought.import_id != import_id))
    stored = samples_between(connection, models.reading, pack_id, start, end)
    own = (stored.import_id == import_id) & ~np.isin(stored.ts_ms, times)
    if not own.any() and not len(times):
        side.delete_side_rows(connection, pack_id, import_id, start, end)
        return []
    table = models.reading
    connection.execute(
        sa.delete(table)
        .where(table.c.pack_id == pack_id, table.c.ts_ms >= start, table.c.ts_ms < end)
        .where(table.c.import_id == import_id)
    )
    _replace_samples(connection, pack_id, combined(rest))
    _delete_at(connection, models.shared_reading, pack_id, times)
    moments, counts = np.unique(rest.ts_ms, return_counts=True)
    several = rest.taken(np.isin(rest.ts_ms, moments[counts > 1]))
    dialect.bulk_insert(connection, models.shared_reading, several.as_arrow(pack_id))
    side.delete_side_rows(connection, pack_id, import_id, start, end)
    replace_rollups(connection, pack_id, start, end, samples_between(connection, table, pack_id, start, end))
    changed = np.concatenate([stored.ts_ms[own], times])
    return [(int(changed.min()), int(changed.max()) + 1)]
