"""Replaced readings: a coarser copy leaves the record while finer readings are in it, and comes back when they go.

What leaves is kept in `shared_reading` as what its import brought, with a row without values of the import that
took its place.
"""

from __future__ import annotations

from typing import TYPE_CHECKING

import numpy as np

from logbook.store import dialect, models
from logbook.store.parts import stored_parts
from logbook.store.readings import delete_samples, samples_between
from logbook.store.samples import MISSING, Samples

if TYPE_CHECKING:
    from numpy.typing import NDArray
    from sqlalchemy.engine import Connection

    from logbook.schema.recording import Recording


def without(stored: Samples, recording: Recording) -> Samples:
    """Stored samples less those that a recording replaces."""
    if recording.replaces is None:
        return stored
    return stored.taken(~np.isin(stored.ts_ms, recording.replaces))


def take_out(connection: Connection, pack_id: int, import_id: int, recording: Recording) -> None:
    """Take what a recording replaces out of the record, so that undoing its import can put it back."""
    times = recording.replaces
    if times is None or not len(times):
        return
    for start, end in stored_parts(connection, pack_id, int(times[0]), int(times[-1])):
        stored = samples_between(connection, models.reading, pack_id, start, end)
        leaving = stored.taken(np.isin(stored.ts_ms, times))
        noted = samples_between(connection, models.shared_reading, pack_id, start, end)
        fresh = leaving.taken(~leaving.found_in(noted))
        dialect.bulk_insert(connection, models.shared_reading, fresh.as_arrow(pack_id))
        delete_samples(connection, models.reading, pack_id, leaving)
        empty = leaving.taken(~np.isin(leaving.ts_ms, recording.readings.ts_ms))
        marks = Samples(empty.ts_ms, np.full_like(empty.values, MISSING), np.full(len(empty), import_id, np.int64))
        dialect.bulk_insert(connection, models.shared_reading, marks.as_arrow(pack_id))


def marks_in(brought: Samples) -> NDArray[np.bool_]:
    """Which rows only say that an import took the place of others."""
    return np.asarray((brought.values == MISSING).all(axis=0))


def taken_out(brought: Samples) -> NDArray[np.bool_]:
    """Which rows are out of the record, because an import that came after them took their place; its mark says so."""
    marks = brought.taken(marks_in(brought))
    out = np.zeros(len(brought), np.bool_)
    if not len(marks):
        return out
    times, first = np.unique(marks.ts_ms, return_index=True)
    latest = np.maximum.reduceat(marks.import_id, first)
    place = np.minimum(np.searchsorted(times, brought.ts_ms), len(times) - 1)
    return np.asarray((times[place] == brought.ts_ms) & (brought.import_id < latest[place]))


def coming_back(stored: Samples, brought: Samples, import_id: int) -> NDArray[np.int64]:
    """Times whose readings come back when an import goes: it took their place, and no other import does."""
    marks, mine = marks_in(brought), brought.import_id == import_id
    times = np.setdiff1d(brought.ts_ms[marks & mine], brought.ts_ms[marks & ~mine])
    return np.setdiff1d(np.intersect1d(times, brought.ts_ms[~marks]), stored.ts_ms)
