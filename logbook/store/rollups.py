"""Rollups: count, least, greatest and sum of each quantity by minute, quarter of an hour and day, for charts."""

from __future__ import annotations

from typing import TYPE_CHECKING, Any

import numpy as np
import pyarrow as pa
import sqlalchemy as sa

from logbook.schema.reading import QUANTITY_NAMES
from logbook.store import dialect, models
from logbook.store.samples import MISSING, nullable, plain, stored_integers
from logbook.units import MS_PER_S

if TYPE_CHECKING:
    import pandas as pd
    from numpy.typing import NDArray
    from sqlalchemy.engine import Connection

    from logbook.store.engine import Store
    from logbook.store.samples import Samples

LONGEST_MS = max(models.ROLLUP_LEVELS_S) * MS_PER_S
"""Ranges that begin and end on its multiples hold whole buckets of every level."""
HIGHEST = np.iinfo(np.int64).max


def bucket_range(first_ms: int, last_ms: int) -> tuple[int, int]:
    """Widen first and last time to [start_ms, end_ms) of whole buckets."""
    return first_ms // LONGEST_MS * LONGEST_MS, (last_ms // LONGEST_MS + 1) * LONGEST_MS


def replace_rollups(connection: Connection, pack_id: int, start_ms: int, end_ms: int, samples: Samples) -> None:
    """Roll up a range of whole buckets anew; `samples` are all of its readings."""
    store_rollups(connection, pack_id, start_ms, end_ms, all_levels(samples, pack_id))


def all_levels(samples: Samples, pack_id: int) -> list[pa.Table]:
    """Roll samples up into the buckets of every level."""
    return [rolled_up(samples, pack_id, level_s) for level_s in models.ROLLUP_LEVELS_S]


def store_rollups(connection: Connection, pack_id: int, start_ms: int, end_ms: int, levels: list[pa.Table]) -> None:
    """Put the buckets of every level in the place of those of a range."""
    table = models.rollup
    connection.execute(
        sa.delete(table)
        .where(table.c.pack_id == pack_id, table.c.level_s.in_(models.ROLLUP_LEVELS_S))
        .where(table.c.bucket_ms >= start_ms, table.c.bucket_ms < end_ms)
    )
    for rows in levels:
        dialect.bulk_insert(connection, table, rows)


def rolled_up(samples: Samples, pack_id: int, level_s: int) -> pa.Table:
    """Roll samples up into the buckets of one level."""
    bucket = samples.ts_ms // (level_s * MS_PER_S)
    starts = np.append(0, np.flatnonzero(bucket[1:] != bucket[:-1]) + 1)[: len(bucket)]
    columns: dict[str, object] = {
        "pack_id": np.full(len(starts), pack_id, np.int64),
        "level_s": np.full(len(starts), level_s, np.int64),
        "bucket_ms": bucket[starts] * level_s * MS_PER_S,
        "n": np.diff(starts, append=len(samples)),
    }
    for index, name in enumerate(models.VALUES):
        columns.update(_parts(name, samples.values[index], starts))
    return pa.table(columns)


def _parts(name: str, values: NDArray[np.int64], starts: NDArray[np.int64]) -> dict[str, object]:
    if not len(starts):
        return {f"{name}_{part}": np.empty(0, np.int64) for part in ("n", "min", "max", "sum")}
    there = values != MISSING
    count = np.add.reduceat(there.astype(np.int64), starts)
    empty = count == 0
    least = np.minimum.reduceat(np.where(there, values, HIGHEST), starts)
    greatest = np.maximum.reduceat(values, starts)
    total = np.add.reduceat(np.where(there, values, 0), starts)
    absent = {"min": least, "max": greatest, "sum": total}
    return {
        f"{name}_n": count,
        **{f"{name}_{part}": nullable(np.where(empty, MISSING, column)) for part, column in absent.items()},
    }


def stored_rollup(connection: Connection, pack_id: int, level_s: int, start_ms: int, end_ms: int) -> pa.Table:
    """Give buckets as they are stored, within a transaction."""
    table = models.rollup
    names = [f"{name}_{part}" for name in models.VALUES for part in ("n", "min", "max", "sum")]
    statement = (
        sa.select(table.c.bucket_ms, table.c.n, *(table.c[name] for name in names))
        .where(table.c.pack_id == pack_id, table.c.level_s == level_s)
        .where(table.c.bucket_ms >= start_ms, table.c.bucket_ms < end_ms)
        .order_by(table.c.bucket_ms)
    )
    return dialect.fetch_arrow(connection, statement)


def read_rollup(store: Store, pack_id: int, level_s: int, start_ms: int, end_ms: int) -> pd.DataFrame:
    """Give the buckets that begin in [start_ms, end_ms), in plain units.

    Columns: bucket_ms, n (readings), and for each quantity `voltage_v_n`, `_min`, `_max`, `_sum` and so on.
    """
    import pandas as pd  # noqa: PLC0415 - slow to load, and most commands do without

    with store.reading() as connection:
        rows = stored_rollup(connection, pack_id, level_s, start_ms, end_ms)
    frame: dict[str, NDArray[Any]] = {name: stored_integers(rows[name]) for name in ("bucket_ms", "n")}
    for stored, quantity in zip(models.VALUES, QUANTITY_NAMES, strict=True):
        frame[f"{quantity}_n"] = stored_integers(rows[f"{stored}_n"])
        for part in ("min", "max", "sum"):
            frame[f"{quantity}_{part}"] = plain(stored_integers(rows[f"{stored}_{part}"]))
    return pd.DataFrame(frame)
