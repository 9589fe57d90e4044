"""Side tables: cell voltages, counters and status words; each import's rows are its own, so undo only deletes.

Where several imports brought the same moment, the highest value stands: they are copies of one another.
"""

from __future__ import annotations

from dataclasses import replace
from typing import TYPE_CHECKING

import numpy as np
import pyarrow as pa
import sqlalchemy as sa

from logbook.schema.status import KIND_UNKNOWN, status_kind
from logbook.store import dialect, models
from logbook.store.samples import MISSING, plain, stored_integers, thousandths

if TYPE_CHECKING:
    from numpy.typing import NDArray
    from sqlalchemy.engine import Connection

    from logbook.schema.reading import Readings
    from logbook.schema.recording import Recording

TABLES = (models.cell_voltage, models.counter, models.status)


def store_side_tables(
    connection: Connection, pack_id: int, import_id: int, recording: Recording
) -> list[tuple[int, int]]:
    """Store what the recording holds beside its readings; gives the range whose findings that may change."""
    keys: dict[str, int | str] = {"pack_id": pack_id, "import_id": import_id}
    times = recording.readings.ts_ms
    if recording.cells_v is not None:
        for cell in range(recording.cells_v.shape[1]):
            rows = _rows(times, "voltage", recording.cells_v[:, cell], {**keys, "cell": cell + 1})
            dialect.bulk_insert(connection, models.cell_voltage, rows)
    for name, counted in recording.counters.items():
        dialect.bulk_insert(connection, models.counter, _rows(times, "charge", counted, {**keys, "name": name}))
    if recording.status is not None:
        dialect.bulk_insert(connection, models.status, _status_rows(times, recording.status, keys))
    measured = recording.cells_v is not None or recording.counters or recording.status is not None
    return [(int(times[0]), int(times[-1]) + 1)] if measured and len(times) else []


def _rows(times: NDArray[np.int64], column: str, values: NDArray[np.float64], same: dict[str, int | str]) -> pa.Table:
    stored = thousandths(values)
    there = stored != MISSING
    constant = {name: pa.repeat(value, int(there.sum())) for name, value in same.items()}
    return pa.table({"ts_ms": times[there], column: stored[there], **constant})


def _status_rows(times: NDArray[np.int64], words: NDArray[np.object_], same: dict[str, int | str]) -> pa.Table:
    """Give the first word and every change; None where the monitor said nothing any more."""
    before = np.concatenate([np.array([None], object), words[:-1]])
    changes = np.flatnonzero(words != before)
    constant = {name: pa.repeat(value, len(changes)) for name, value in same.items()}
    return pa.table({"ts_ms": times[changes], "word": pa.array(words[changes].tolist(), pa.string()), **constant})


def delete_side_rows(
    connection: Connection, pack_id: int, import_id: int, start_ms: int, end_ms: int
) -> list[tuple[int, int]]:
    """Delete what an import brought in a range; gives the range if there was anything that findings rest on."""
    measured = False
    for table in TABLES:
        found = connection.execute(
            sa.select(table.c.ts_ms)
            .where(table.c.pack_id == pack_id, table.c.ts_ms >= start_ms, table.c.ts_ms < end_ms)
            .where(table.c.import_id == import_id)
            .limit(1)
        ).first()
        if found is None:
            continue
        measured = True
        connection.execute(
            sa.delete(table)
            .where(table.c.pack_id == pack_id, table.c.ts_ms >= start_ms, table.c.ts_ms < end_ms)
            .where(table.c.import_id == import_id)
        )
    return [(start_ms, end_ms)] if measured else []


def with_side(connection: Connection, pack_id: int, readings: Readings) -> Readings:
    """Give readings with the counter and the cell voltages that were exported beside them."""
    if not len(readings):
        return readings
    return replace(
        readings,
        counted_ah=_counted_ah(connection, pack_id, readings.ts_ms),
        cells_v=_cells_v(connection, pack_id, readings.ts_ms),
        status_kind=_status_kinds(connection, pack_id, readings.ts_ms),
    )


def _counted_ah(connection: Connection, pack_id: int, ts_ms: NDArray[np.int64]) -> NDArray[np.float64] | None:
    """Give the monitor's count, positive into the pack, by the first counter that says something at each moment."""
    if not _any(connection, models.counter, pack_id, ts_ms):
        return None

    def named(name: str) -> NDArray[np.float64]:
        return _values(connection, models.counter, models.counter.c.name == name, "charge", pack_id, ts_ms)

    # monitors show what was taken out as a negative or as a positive number
    counts = (-np.abs(named("consumed_ah")), named("remaining_ah"), named("charged_ah") - named("discharged_ah"))
    result = counts[0]
    for count in counts[1:]:
        result = np.where(np.isnan(result), count, result)
    return None if np.isnan(result).all() else result


def _cells_v(connection: Connection, pack_id: int, ts_ms: NDArray[np.int64]) -> NDArray[np.float64] | None:
    """Give the cell voltages [n, cells], or nothing where there are none."""
    table = models.cell_voltage
    if not _any(connection, table, pack_id, ts_ms):
        return None
    most = sa.select(sa.func.max(table.c.cell)).where(table.c.pack_id == pack_id, *_inside(table, ts_ms))
    cells = range(1, int(connection.execute(most).scalar_one()) + 1)
    return np.column_stack(
        [_values(connection, table, table.c.cell == cell, "voltage", pack_id, ts_ms) for cell in cells]
    )


def _status_kinds(connection: Connection, pack_id: int, ts_ms: NDArray[np.int64]) -> NDArray[np.int8] | None:
    """Give the code of the word that stood at each moment, by import; of two the one that tells of more."""
    first, last = int(ts_ms[0]), int(ts_ms[-1])
    taken, status = models.imports.c, models.status.c
    overlapping = sa.select(taken.id, taken.last_ms).where(
        taken.pack_id == pack_id, taken.first_ms <= last, taken.last_ms >= first
    )
    kinds: NDArray[np.int8] | None = None
    for import_id, until in connection.execute(overlapping).all():
        mine = (status.pack_id == pack_id, status.import_id == import_id)
        before = sa.select(sa.func.max(status.ts_ms)).where(*mine, status.ts_ms <= first)
        since = connection.execute(before).scalar_one()
        rows = connection.execute(
            sa.select(status.ts_ms, status.word)
            .where(*mine, status.ts_ms >= (first if since is None else since), status.ts_ms <= last)
            .order_by(status.ts_ms)
        ).all()
        if not rows:
            continue
        starts = np.array([row.ts_ms for row in rows], np.int64)
        codes = np.array([KIND_UNKNOWN if row.word is None else status_kind(row.word) for row in rows], np.int8)
        place = np.searchsorted(starts, ts_ms, side="right") - 1
        here = np.where((place >= 0) & (ts_ms <= until), codes[np.maximum(place, 0)], np.int8(KIND_UNKNOWN))
        kinds = here if kinds is None else np.maximum(kinds, here)
    return kinds


def _any(connection: Connection, table: sa.Table, pack_id: int, ts_ms: NDArray[np.int64]) -> bool:
    one = sa.select(table.c.ts_ms).where(table.c.pack_id == pack_id, *_inside(table, ts_ms)).limit(1)
    return connection.execute(one).first() is not None


def _values(
    connection: Connection,
    table: sa.Table,
    which: sa.ColumnElement[bool],
    column: str,
    pack_id: int,
    ts_ms: NDArray[np.int64],
) -> NDArray[np.float64]:
    """Give a column at the moments of the readings, NaN where it has nothing there."""
    statement = (
        sa.select(table.c.ts_ms, sa.func.max(table.c[column]).label("value"))
        .where(table.c.pack_id == pack_id, *_inside(table, ts_ms), which)
        .group_by(table.c.ts_ms)
        .order_by(table.c.ts_ms)
    )
    rows = dialect.fetch_arrow(connection, statement)
    times, values = stored_integers(rows["ts_ms"]), plain(stored_integers(rows["value"]))
    result = np.full(len(ts_ms), np.nan)
    place = np.searchsorted(ts_ms, times)
    there = (place < len(ts_ms)) & (ts_ms[np.minimum(place, len(ts_ms) - 1)] == times)
    result[place[there]] = values[there]
    return result


def _inside(table: sa.Table, ts_ms: NDArray[np.int64]) -> tuple[sa.ColumnElement[bool], ...]:
    return (table.c.ts_ms >= int(ts_ms[0]), table.c.ts_ms <= int(ts_ms[-1]))
