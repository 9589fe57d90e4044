"""Undo: takes back exactly what one import brought; what another brought too stays, as that one brought it."""

from __future__ import annotations

from typing import TYPE_CHECKING

import numpy as np
import sqlalchemy as sa

from logbook.store import models, stale
from logbook.store.imports import import_in
from logbook.store.merge import combined
from logbook.store.parts import stored_parts
from logbook.store.readings import delete_samples, replace_readings, samples_between
from logbook.store.replaced import coming_back, marks_in, taken_out
from logbook.store.rollups import replace_rollups
from logbook.store.side import delete_side_rows

if TYPE_CHECKING:
    from sqlalchemy.engine import Connection

    from logbook.store.engine import Store


def undo_import(store: Store, import_id: int) -> tuple[int, int, int]:
    """Take an import back; gives (pack_id, start_ms, end_ms), the range of readings it changed, empty if none.

    The kept original stays: it may be the only copy.
    """
    with store.writing() as connection:
        return undo_in(connection, import_id)


def undo_in(connection: Connection, import_id: int) -> tuple[int, int, int]:
    """Take an import back within a transaction; gives the same."""
    row = import_in(connection, import_id)
    touched = []
    if row.first_ms is not None and row.last_ms is not None:
        for start, end in stored_parts(connection, row.pack_id, row.first_ms, row.last_ms):
            touched += _undo_part(connection, row.pack_id, import_id, start, end)
    connection.execute(sa.delete(models.imports).where(models.imports.c.id == import_id))
    stale.mark(connection, row.pack_id, stale.joined(touched))
    start_ms = min((start for start, _end in touched), default=0)
    return row.pack_id, start_ms, max((end for _start, end in touched), default=start_ms)


def _undo_part(connection: Connection, pack_id: int, import_id: int, start: int, end: int) -> list[tuple[int, int]]:
    beside = delete_side_rows(connection, pack_id, import_id, start, end)
    stored = samples_between(connection, models.reading, pack_id, start, end)
    brought = samples_between(connection, models.shared_reading, pack_id, start, end)
    mine = brought.import_id == import_id
    delete_samples(connection, models.shared_reading, pack_id, brought.taken(mine))
    rest = brought.taken(~mine)
    own = stored.import_id == import_id
    completed = stored.found_in(rest) & np.isin(stored.ts_ms, brought.ts_ms[mine])
    changed = np.union1d(stored.ts_ms[own | completed], coming_back(stored, brought, import_id))
    if not len(changed):
        return beside
    _delete_own(connection, pack_id, import_id, start, end)
    rest = rest.taken(np.isin(rest.ts_ms, changed) & ~marks_in(rest) & ~taken_out(rest))
    remaining = combined(rest)
    replace_readings(connection, pack_id, remaining)
    firsts = rest.taken(np.unique(rest.ts_ms, return_index=True)[1])
    whole = (firsts.values == remaining.values).all(axis=0)
    delete_samples(connection, models.shared_reading, pack_id, firsts.taken(whole))
    now = samples_between(connection, models.reading, pack_id, start, end)
    replace_rollups(connection, pack_id, start, end, now)
    return [(int(changed[0]), int(changed[-1]) + 1), *beside]


def _delete_own(connection: Connection, pack_id: int, import_id: int, start: int, end: int) -> None:
    table = models.reading
    connection.execute(
        sa.delete(table)
        .where(table.c.pack_id == pack_id, table.c.ts_ms >= start, table.c.ts_ms < end)
        .where(table.c.import_id == import_id)
    )
