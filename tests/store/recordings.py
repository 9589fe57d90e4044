"""Recordings made for tests, and what a logbook holds."""

from __future__ import annotations

import hashlib
from typing import TYPE_CHECKING

import numpy as np
import sqlalchemy as sa

from logbook.schema.reading import Readings
from logbook.schema.receipt import Receipt, SetAside
from logbook.schema.recording import Recording
from logbook.store import Store, models

if TYPE_CHECKING:
    from collections.abc import Sequence

START_MS = 1_735_689_600_000
"""2025-01-01T00:00:00Z."""
MINUTE_MS = 60_000
HOUR_MS = 60 * MINUTE_MS
DAY_MS = 24 * HOUR_MS


def readings_at(times: Sequence[int], **quantities: Sequence[float] | float) -> Readings:
    """Readings at these times; what is not given is missing."""
    ts_ms = np.asarray(times, np.int64)
    names = ("voltage_v", "current_a", "temperature_c", "soc_percent")
    columns = [np.broadcast_to(np.asarray(quantities.get(name, np.nan), float), ts_ms.shape).copy() for name in names]
    return Readings(ts_ms, *columns)


def recording_of(readings: Readings, name: str = "trip.csv", *, set_aside: tuple[SetAside, ...] = (), **side):
    """A recording as a file of that name would give; another name is another file."""
    times = readings.ts_ms
    receipt = Receipt(
        file_name=name,
        sha256=hashlib.sha256(name.encode()).hexdigest(),
        rows_read=len(times) + len(set_aside),
        rows_stored=0,
        rows_already_known=0,
        rows_set_aside=len(set_aside),
        first_ms=int(times[0]) if len(times) else None,
        last_ms=int(times[-1]) if len(times) else None,
        interval_s=60.0,
        gaps=0,
        set_aside_reasons={row.reason: 1 for row in set_aside},
        set_aside_first=set_aside,
    )
    return Recording(readings, receipt, set_aside, **side)


def drawn(rng: np.random.Generator, count: int, *, start_ms: int = START_MS, step_ms: int = MINUTE_MS) -> Readings:
    """Readings at a steady step, with values a pack may show."""
    return readings_at(
        start_ms + step_ms * np.arange(count),
        voltage_v=np.round(rng.normal(13.2, 0.1, count), 3),
        current_a=np.round(rng.normal(0.0, 10.0, count), 3),
        temperature_c=np.round(rng.normal(10.0, 8.0, count), 1),
        soc_percent=np.round(rng.uniform(0.0, 100.0, count), 1),
    )


def assert_same(found: Readings, expected: Readings) -> None:
    """All columns equal; a missing value equals a missing one."""
    for name in ("ts_ms", "voltage_v", "current_a", "temperature_c", "soc_percent"):
        np.testing.assert_array_equal(getattr(found, name), getattr(expected, name), err_msg=name)


def content(store: Store, *, without: tuple[str, ...] = ()) -> dict[str, list[tuple]]:
    """Every row of every table, but for the counter of changes, which only goes up, and the answer that rests on it."""
    left_out = {"digest_state", "answer", *without}
    with store.reading() as connection:
        return {
            table.name: sorted(map(tuple, connection.execute(sa.select(table))), key=repr)
            for table in models.metadata.sorted_tables
            if table.name not in left_out
        }
