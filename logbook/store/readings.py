"""Readings: out of the database, in bulk."""

from __future__ import annotations

from typing import TYPE_CHECKING, Any

import numpy as np
import sqlalchemy as sa

from logbook.schema.reading import Readings
from logbook.store import dialect, models
from logbook.store.samples import Samples, plain, stored_integers
from logbook.units import MS_PER_DAY

if TYPE_CHECKING:
    from sqlalchemy.engine import Connection

    from logbook.store.engine import Store


def read_readings(store: Store, pack_id: int, start_ms: int | None = None, end_ms: int | None = None) -> Readings:
    """Give the readings with start_ms <= time < end_ms, in order."""
    with store.reading() as connection:
        return readings_between(connection, pack_id, start_ms, end_ms)


def readings_between(
    connection: Connection, pack_id: int, start_ms: int | None = None, end_ms: int | None = None
) -> Readings:
    """Give the readings with start_ms <= time < end_ms, within a transaction."""
    table = models.reading
    columns = (table.c.ts_ms, *(table.c[name] for name in models.VALUES))
    rows = dialect.fetch_arrow(connection, _within(sa.select(*columns), table, pack_id, start_ms, end_ms))
    return Readings(stored_integers(rows["ts_ms"]), *(plain(stored_integers(rows[name])) for name in models.VALUES))


def samples_between(
    connection: Connection, table: sa.Table, pack_id: int, start_ms: int | None, end_ms: int | None
) -> Samples:
    """Give the rows of `reading` or `shared_reading` as they are stored, within a transaction."""
    columns = (table.c.ts_ms, *(table.c[name] for name in models.VALUES), table.c.import_id)
    statement = _within(sa.select(*columns), table, pack_id, start_ms, end_ms)
    return Samples.from_arrow(dialect.fetch_arrow(connection, statement))


def reading_span(store: Store, pack_id: int) -> tuple[int, int | None, int | None]:
    """Give the count, first and last time of a pack's readings; the count comes from the rollups."""
    rollup = models.rollup.c
    total = sa.select(sa.func.coalesce(sa.func.sum(rollup.n), 0)).where(
        rollup.pack_id == pack_id, rollup.level_s == models.ROLLUP_LEVELS_S[-1]
    )
    with store.reading() as connection:
        first, last = ends(connection, pack_id)
        return int(connection.execute(total).scalar_one()), first, last


def ends(connection: Connection, pack_id: int) -> tuple[int | None, int | None]:
    """Give the first and last time of a pack's readings; one search of the key each."""
    reading = models.reading.c
    first, last = (
        sa.select(extreme(reading.ts_ms)).where(reading.pack_id == pack_id).scalar_subquery()
        for extreme in (sa.func.min, sa.func.max)
    )
    row = connection.execute(sa.select(first, last)).one()
    return row[0], row[1]


def count_by_day(connection: Connection, pack_id: int, start_ms: int, end_ms: int) -> dict[int, int]:
    """Count the readings of each day (whole days since 1970), from the rollups."""
    rollup = models.rollup.c
    statement = sa.select(rollup.bucket_ms, rollup.n).where(
        rollup.pack_id == pack_id,
        rollup.level_s == models.ROLLUP_LEVELS_S[-1],
        rollup.bucket_ms >= start_ms,
        rollup.bucket_ms < end_ms,
    )
    return {int(start) // MS_PER_DAY: int(count) for start, count in connection.execute(statement)}


def replace_readings(connection: Connection, pack_id: int, samples: Samples) -> None:
    """Put samples in the place of those stored at their times."""
    keys = samples.as_arrow(pack_id).select(["pack_id", "ts_ms"])
    dialect.bulk_delete(connection, models.reading, keys)
    dialect.bulk_insert(connection, models.reading, samples.as_arrow(pack_id))


def delete_samples(connection: Connection, table: sa.Table, pack_id: int, samples: Samples) -> None:
    """Delete the rows of these times and imports."""
    keys = samples.as_arrow(pack_id).select(["pack_id", "ts_ms", "import_id"])
    dialect.bulk_delete(connection, table, keys)


def strictly_ascending(readings: Readings) -> bool:
    """Tell whether times are in order, one reading each."""
    return bool(np.all(np.diff(readings.ts_ms) > 0))


def _within(
    statement: sa.Select[Any], table: sa.Table, pack_id: int, start_ms: int | None, end_ms: int | None
) -> sa.Select[Any]:
    statement = statement.where(table.c.pack_id == pack_id).order_by(*table.primary_key.columns)
    if start_ms is not None:
        statement = statement.where(table.c.ts_ms >= start_ms)
    if end_ms is not None:
        statement = statement.where(table.c.ts_ms < end_ms)
    return statement
