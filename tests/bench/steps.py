"""Steps: what the bench measures beside whole commands, each in a process of its own: `steps NAME WORDS…`."""

from __future__ import annotations

import json
import sys
import time
from pathlib import Path

import numpy as np
import pyarrow.csv as pacsv
from adbc_driver_sqlite import dbapi

from logbook.ingest import ImportOptions, read_export
from logbook.jobs.health import health
from logbook.jobs.import_files import import_file
from logbook.jobs.refresh import refresh
from logbook.jobs.window import window
from logbook.store import open_store, pack_named, read_readings, reading_span
from logbook.units import MS_PER_DAY
from tests.bench.logs import fill, write_export
from tests.bench.measure import PACK

OPTIONS = ImportOptions(time_zone="UTC", positive="charge", cells_in_series=4, rated_ah=100.0)


def export(path: str, rows: str, first_day: str = "0") -> None:
    """Write an export at 1 Hz."""
    write_export(Path(path), int(rows), first_day=int(first_day))


def stored(database: str, rows: str, packs: str = "1", interval_s: str = "1") -> None:
    """Fill a logbook."""
    fill(Path(database), int(rows), packs=int(packs), interval_s=int(interval_s))


def parse(path: str) -> None:
    """The outer limit of reading a file: Arrow's CSV reader, nothing understood, nothing stored."""
    pacsv.read_csv(path, read_options=pacsv.ReadOptions(use_threads=False))


def read(path: str) -> None:
    """Recognise and repair, without storing."""
    read_export(Path(path), OPTIONS)


def adbc(database: str) -> None:
    """The outer limit of reading back: the driver alone, integers as they are stored."""
    with dbapi.connect(database) as connection, connection.cursor() as cursor:
        cursor.adbc_statement.set_options(**{"adbc.sqlite.query.batch_rows": 1 << 16})
        cursor.execute("SELECT ts_ms, voltage, current, temperature, soc FROM reading WHERE pack_id = 1")
        cursor.fetch_arrow_table()


def readings(database: str) -> None:
    """All readings of a pack, in plain units."""
    with open_store(database) as store:
        read_readings(store, pack_named(store, PACK).id)


def add(database: str, path: str) -> None:
    """Import a file and refresh every answer; tells the seconds of each part."""
    with open_store(database) as store:
        pack = pack_named(store, PACK)
        marks = [time.perf_counter()]
        import_file(store, path, pack, OPTIONS, keep_original=False)
        marks.append(time.perf_counter())
        refresh(store, pack)
        marks.append(time.perf_counter())
        health(store, pack)
        marks.append(time.perf_counter())
    print(json.dumps(dict(zip(("import_s", "refresh_s", "answer_s"), np.diff(marks).tolist(), strict=True))))


def answer(database: str) -> None:
    """The health of a pack, twice; tells the seconds of each."""
    with open_store(database) as store:
        pack = pack_named(store, PACK)
        marks = [time.perf_counter()]
        for _ in range(2):
            health(store, pack)
            marks.append(time.perf_counter())
    print(json.dumps(dict(zip(("first_s", "again_s"), np.diff(marks).tolist(), strict=True))))


def windows(database: str) -> None:
    """Chart windows of every length anywhere; tells median and 95th percentile in ms, and the slowest's length."""
    rng = np.random.default_rng(1)
    with open_store(database) as store:
        pack = pack_named(store, PACK)
        _, first, last = reading_span(store, pack.id)
        lengths = np.geomspace(MS_PER_DAY / 24, last - first, 40)
        taken = []
        for length in rng.permutation(np.repeat(lengths, 3)):
            start = first + rng.uniform(0, max(last - first - length, 1))
            before = time.perf_counter()
            window(store, pack.id, int(start), int(start + length))
            taken.append((1000 * (time.perf_counter() - before), length / MS_PER_DAY))
    ms = np.array([each for each, _ in taken])
    slowest = max(taken)
    told = {"median_ms": np.median(ms), "p95_ms": np.percentile(ms, 95), "slowest_days": slowest[1]}
    print(json.dumps({name: float(value) for name, value in told.items()}))


STEPS = (export, stored, parse, read, adbc, readings, add, answer, windows)


if __name__ == "__main__":
    {step.__name__: step for step in STEPS}[sys.argv[1]](*sys.argv[2:])
