"""Side tables: cell voltages, counters and status words; each import's rows are its own, so undo only deletes."""

from __future__ import annotations

from typing import TYPE_CHECKING

import numpy as np
import pyarrow as pa
import sqlalchemy as sa

from logbook.store import dialect, models
from logbook.store.samples import MISSING, thousandths

if TYPE_CHECKING:
    from numpy.typing import NDArray
    from sqlalchemy.engine import Connection

    from logbook.schema.recording import Recording

TABLES = (models.cell_voltage, models.counter, models.status)


def store_side_tables(connection: Connection, pack_id: int, import_id: int, recording: Recording) -> None:
    """Store what the recording holds beside its readings."""
    times = recording.readings.ts_ms
    keys = {"pack_id": pack_id, "import_id": import_id}
    if recording.cells_v is not None:
        for cell in range(recording.cells_v.shape[1]):
            values = thousandths(recording.cells_v[:, cell])
            _store(connection, models.cell_voltage, times, values, "voltage", {**keys, "cell": cell + 1})
    for name, counted in recording.counters.items():
        _store(connection, models.counter, times, thousandths(counted), "charge", {**keys, "name": name})
    if recording.status is not None:
        _store_status(connection, times, recording.status, keys)


def _store(
    connection: Connection,
    table: sa.Table,
    times: NDArray[np.int64],
    values: NDArray[np.int64],
    column: str,
    same: dict[str, int | str],
) -> None:
    there = values != MISSING
    count = int(there.sum())
    constant = {name: pa.repeat(value, count) for name, value in same.items()}
    dialect.bulk_insert(connection, table, pa.table({"ts_ms": times[there], column: values[there], **constant}))


def _store_status(
    connection: Connection, times: NDArray[np.int64], words: NDArray[np.object_], keys: dict[str, int]
) -> None:
    """Store the first word and every change; None where the monitor said nothing any more."""
    before = np.concatenate([np.array([None], object), words[:-1]])
    changes = np.flatnonzero(words != before)
    constant = {name: pa.repeat(value, len(changes)) for name, value in keys.items()}
    texts = pa.array([words[row] for row in changes], pa.string())
    dialect.bulk_insert(connection, models.status, pa.table({"ts_ms": times[changes], "word": texts, **constant}))


def delete_side_rows(connection: Connection, pack_id: int, import_id: int, start_ms: int, end_ms: int) -> None:
    """Delete what an import brought in a range."""
    for table in TABLES:
        connection.execute(
            sa.delete(table)
            .where(table.c.pack_id == pack_id, table.c.ts_ms >= start_ms, table.c.ts_ms < end_ms)
            .where(table.c.import_id == import_id)
        )
