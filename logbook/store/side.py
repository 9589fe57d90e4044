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


def delete_side_rows(connection: Connection, pack_id: int, import_id: int, start_ms: int, end_ms: int) -> None:
    """Delete what an import brought in a range."""
    for table in TABLES:
        connection.execute(
            sa.delete(table)
            .where(table.c.pack_id == pack_id, table.c.ts_ms >= start_ms, table.c.ts_ms < end_ms)
            .where(table.c.import_id == import_id)
        )
