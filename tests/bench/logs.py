"""Logs: invented readings of any length, as an export or straight in a logbook; every day is full once and used."""

from __future__ import annotations

import hashlib
from typing import TYPE_CHECKING

import numpy as np
import pyarrow as pa
import pyarrow.csv as pacsv

from logbook.schema.reading import Readings
from logbook.schema.receipt import Receipt
from logbook.schema.recording import Recording
from logbook.store import add_pack, commit_import, open_store
from logbook.units import MS_PER_DAY, MS_PER_S, S_PER_DAY, S_PER_HOUR
from tests.bench.measure import PACK, RATED_AH

if TYPE_CHECKING:
    from collections.abc import Iterator
    from pathlib import Path

    from numpy.typing import NDArray

START_MS = 1_577_836_800_000
"""2020-01-01T00:00:00Z."""
CHUNK_ROWS = 1_000_000
"""Readings held at once while a logbook is filled."""


def day_of(number: int, interval_s: int = 1) -> Readings:
    """One day of a pack in use, steady steps from midnight."""
    rng = np.random.default_rng(number)
    seconds = np.arange(0, S_PER_DAY, interval_s)
    hour = seconds / S_PER_HOUR
    current = -1.2 - 5.0 * ((hour > 18) & (hour < 22.5)) - 3.0 * (seconds // 1200 % 3 == 0)
    begin = rng.uniform(7.0, 20.0)
    current -= rng.uniform(30.0, 80.0) * ((hour > begin) & (hour < begin + 0.2))
    current += rng.uniform(14.0, 22.0) * np.clip(np.sin((hour - 7.0) / 10.0 * np.pi), 0.0, None) * (hour < 17)
    charge = 55.0 + np.cumsum(current) * interval_s / S_PER_HOUR
    over = np.maximum.accumulate(np.maximum(charge - RATED_AH, 0.0))
    charge -= over
    full = charge >= RATED_AH - 0.02
    current = np.where(full, np.minimum(current, 1.5), current)
    temperature = 12.0 - 14.0 * np.cos(2 * np.pi * number / 365.25) + 4.0 * np.sin((hour - 9.0) / 12.0 * np.pi)
    share = np.clip(charge / RATED_AH, 0.0, 1.0)
    voltage = 13.05 + 0.35 * share + np.where(full, 0.9, 0.0) - 1.2 * np.exp(-share / 0.04) + 0.012 * current
    noise = rng.normal(0.0, 1.0, (2, len(seconds)))
    return Readings(
        START_MS + number * MS_PER_DAY + seconds.astype(np.int64) * MS_PER_S,
        np.round(voltage + 0.004 * noise[0], 3),
        np.round(current + 0.05 * noise[1], 2),
        np.round(temperature, 1),
        np.round(100.0 * share, 1),
    )


def chunks(rows: int, *, first_day: int = 0, interval_s: int = 1) -> Iterator[Readings]:
    """So many readings, a few days at a time."""
    held: list[Readings] = []
    day = first_day
    while rows > 0:
        part = day_of(day, interval_s)
        part = part if len(part) <= rows else _first(part, rows)
        rows, day = rows - len(part), day + 1
        held.append(part)
        if not rows or sum(map(len, held)) >= CHUNK_ROWS:
            yield _together(held)
            held = []


def _first(readings: Readings, rows: int) -> Readings:
    return Readings(*(column[:rows] for column in _columns(readings)))


def _together(parts: list[Readings]) -> Readings:
    return Readings(*(np.concatenate(columns) for columns in zip(*map(_columns, parts), strict=True)))


def _columns(readings: Readings) -> tuple[NDArray[np.int64], *tuple[NDArray[np.float64], ...]]:
    return (
        readings.ts_ms,
        readings.voltage_v,
        readings.current_a,
        readings.temperature_c,
        readings.soc_percent,
    )


def write_export(path: Path, rows: int, *, first_day: int = 0, interval_s: int = 1) -> None:
    """An export as a monitor writes it."""
    names = ["Time", "Voltage (V)", "Current (A)", "Temperature (°C)", "State of charge (%)"]
    schema = pa.schema([(names[0], pa.timestamp("s")), *((name, pa.float64()) for name in names[1:])])
    with pacsv.CSVWriter(path, schema, write_options=pacsv.WriteOptions(quoting_style="none")) as writer:
        for part in chunks(rows, first_day=first_day, interval_s=interval_s):
            times, *values = _columns(part)
            writer.write_table(pa.table([pa.array(times // MS_PER_S).cast(schema[0].type), *values], schema=schema))


def fill(database: Path, rows: int, *, packs: int = 1, interval_s: int = 1) -> None:
    """A logbook with so many readings in each pack, stored as if exports of a few days had come one by one."""
    with open_store(str(database)) as store:
        for number in range(packs):
            name = PACK if not number else f"{PACK} {number + 1}"
            pack = add_pack(store, name=name, rated_ah=RATED_AH, cells_in_series=4)
            for part in chunks(rows, interval_s=interval_s):
                commit_import(store, pack, recording_of(part), None)


def recording_of(readings: Readings) -> Recording:
    """What reading an export of these gives."""
    first, last = int(readings.ts_ms[0]), int(readings.ts_ms[-1])
    name = f"bench-{first}-{last}.csv"
    receipt = Receipt(
        file_name=name,
        sha256=hashlib.sha256(name.encode()).hexdigest(),
        rows_read=len(readings),
        rows_stored=len(readings),
        rows_already_known=0,
        rows_set_aside=0,
        first_ms=first,
        last_ms=last,
        interval_s=1.0,
        gaps=0,
    )
    return Recording(readings, receipt)
