"""Export: everything the logbook holds as plain files, CSV for numbers and JSON for words, that read without it."""

from __future__ import annotations

import glob
import json
import os
import shutil
from dataclasses import asdict, dataclass
from pathlib import Path
from typing import TYPE_CHECKING, Any

import pyarrow as pa
import pyarrow.csv as pacsv
import sqlalchemy as sa

from logbook.errors import CannotWrite
from logbook.jobs.health import health
from logbook.jobs.progress import silent
from logbook.jobs.refresh import refresh
from logbook.schema.reading import QUANTITY_NAMES
from logbook.store import acknowledged, dialect, list_imports, list_notes, list_packs, models, originals, stored_receipt
from logbook.store.imports import set_aside_rows
from logbook.store.parts import stored_parts
from logbook.store.readings import ends, readings_between
from logbook.store.snapshot import snapshot
from logbook.store.unfinished import require_utf8, sweep, to_disk
from logbook.units import THOUSANDTHS, iso_from_ms

if TYPE_CHECKING:
    from sqlalchemy.engine import Connection

    from logbook.jobs.progress import Progress
    from logbook.schema.pack import Pack
    from logbook.schema.reading import Readings
    from logbook.store import Store

TIME = pa.timestamp("ms", "UTC")
SIDES = (
    (models.cell_voltage, "cell_voltages.csv", "cell", "voltage", "voltage_v"),
    (models.counter, "counters.csv", "name", "charge", "charge_ah"),
)
"""Side tables of numbers: file, its second column, the stored value and its name in plain units."""
MAPPING = """\
# Takes readings.csv in again as it is: logbook import readings.csv --mapping mapping.toml
[time]
columns = ["time"]
format = "text"
order = "year-first"

[current]
positive = "charge"

[columns.voltage_v]
column = "voltage_v"
unit = "V"

[columns.current_a]
column = "current_a"
unit = "A"

[columns.temperature_c]
column = "temperature_c"
unit = "°C"

[columns.soc_percent]
column = "soc_percent"
unit = "%"
"""
README = """\
A battery health logbook, written out in full. Every file is UTF-8; CSV files have a comma, a decimal point and one
header row; an empty cell was not measured. Times are UTC, as year-month-day hour:minute:second.

One folder a pack:

pack.json           name, chemistry, cells in series, rated Ah, limits (voltages of the whole pack), purchase date, zone
readings.csv        every reading: voltage_v (volts at the terminals), current_a (amperes, positive into the pack),
                    temperature_c (degrees Celsius), soc_percent (state of charge as the monitor reported it)
mapping.toml        how to take readings.csv in again
cell_voltages.csv   volts of single cells, counted from 1, and the number of the import that brought them
counters.csv        ampere-hour counters of the monitor, likewise
status.json         status words of the monitor, where they changed
imports.json        every file taken in: number, name, SHA-256, its receipt, and the rows that were set aside
notes.json          what the owner wrote down
health.json         the answers at the time of writing; they can be computed again from pack.json and readings.csv

The files as they came from the monitor are in the folder originals, compressed by Zstandard (RFC 8878) and named
by their SHA-256. Corrections made while importing are in the receipts; readings.csv holds the corrected readings.
"""


@dataclass(frozen=True)
class Exported:
    """What was written."""

    folder: Path
    packs: int
    readings: int


def export(store: Store, folder: Path | str, progress: Progress = silent) -> Exported:
    """Write everything into a new folder as it is at one moment, whole or not at all.

    Raises
    ------
    CannotWrite
        Where the folder is there already, or cannot be written.
    """
    folder = Path(folder)
    require_utf8(folder)
    if folder.exists():
        raise CannotWrite("there is something of this name already.", where=str(folder), mend="Name a new folder.")
    unfinished = folder.with_name(f"{folder.name}.{os.getpid()}.part")
    sweep(folder.parent, f"{glob.escape(folder.name)}.[0-9]*.part")
    try:
        shutil.rmtree(unfinished, ignore_errors=True)  # of a killed program that had the same number
        unfinished.mkdir(parents=True, mode=0o700)
    except OSError as error:
        raise _cannot(error, folder) from error
    try:
        if not store.read_only:
            for pack in list_packs(store):
                refresh(store, pack)
        with snapshot(store) as still:  # or beside an import its parts would be of different moments
            written = _written(still, unfinished, progress)
        _make_private(unfinished)
        unfinished.rename(folder)
        to_disk(folder.parent)
    except OSError as error:
        raise _cannot(error, folder) from error
    finally:
        shutil.rmtree(unfinished, ignore_errors=True)
    return Exported(folder, len(written), sum(written))


def _make_private(folder: Path) -> None:
    """Leave everything to its owner alone, also where the folder is later copied to a shared place, and on the disk."""
    for path in (*folder.rglob("*"), folder):
        path.chmod(0o700 if path.is_dir() else 0o600)
        to_disk(path)


def _cannot(error: OSError, folder: Path) -> CannotWrite:
    return CannotWrite(
        f"the export cannot be written ({error.strerror or error}).",
        where=str(folder),
        mend="Choose another folder, make room, or remove what an earlier attempt left.",
    )


def _written(store: Store, folder: Path, progress: Progress) -> list[int]:
    """Write all files; gives the number of readings of each pack."""
    (folder / "README.txt").write_text(README, "utf-8")
    originals.copy_all(store.originals_folder, folder / "originals")
    packs = list_packs(store)
    counts = []
    for number, pack in enumerate(packs):
        place = folder / f"pack-{pack.id}"
        place.mkdir()
        _write_words(store, pack, place)
        with store.reading() as connection:  # the same one: the store is a snapshot
            counts.append(_write_readings(connection, pack.id, place / "readings.csv"))
            for side in SIDES:
                _write_side(connection, pack.id, place, *side)
            _write_json(place / "status.json", _status(connection, pack.id))
        progress((number + 1) / len(packs))
    return counts


def _write_words(store: Store, pack: Pack, place: Path) -> None:
    _write_json(place / "pack.json", {**asdict(pack), "acknowledged_flags": sorted(acknowledged(store, pack.id))})
    imports = [
        {**asdict(row), "receipt": stored_receipt(store, row.id), "set_aside": _aside(store, row.id)}
        for row in list_imports(store, pack.id)
    ]
    _write_json(place / "imports.json", imports)
    notes = [{"time": iso_from_ms(note.ts_ms), "text": note.text} for note in list_notes(store, pack.id)]
    _write_json(place / "notes.json", notes)
    _write_json(place / "health.json", health(store, pack).as_json())
    (place / "mapping.toml").write_text(MAPPING, "utf-8")


def _aside(store: Store, import_id: int) -> list[dict[str, Any]]:
    return [
        {"line": int(line), "reason": str(reason), "text": str(text)}
        for line, reason, text in set_aside_rows(store, import_id).itertuples(index=False)
    ]


def _write_json(path: Path, document: Any) -> None:
    path.write_text(json.dumps(document, ensure_ascii=False, indent=2, default=str) + "\n", "utf-8")


def _write_readings(connection: Connection, pack_id: int, path: Path) -> int:
    """Write the readings some days at a time; gives their number."""
    schema = pa.schema([("time", TIME), *((name, pa.float64()) for name in QUANTITY_NAMES)])
    count = 0
    with pacsv.CSVWriter(path, schema, write_options=pacsv.WriteOptions(quoting_style="none")) as writer:
        for start, end in _parts(connection, pack_id):
            readings = readings_between(connection, pack_id, start, end)
            writer.write_table(_table(readings, schema))
            count += len(readings)
    return count


def _table(readings: Readings, schema: pa.Schema) -> pa.Table:
    values = (pa.array(getattr(readings, name), from_pandas=True) for name in QUANTITY_NAMES)
    return pa.table([pa.array(readings.ts_ms).cast(TIME), *values], schema=schema)


def _parts(connection: Connection, pack_id: int) -> list[tuple[int, int]]:
    first, last = ends(connection, pack_id)
    return [] if first is None or last is None else stored_parts(connection, pack_id, first, last)


def _write_side(  # noqa: PLR0913, PLR0917 - one row of SIDES
    connection: Connection, pack_id: int, place: Path, table: sa.Table, file: str, key: str, value: str, plain: str
) -> None:
    columns = (table.c.ts_ms, table.c[key], table.c.import_id, table.c[value])
    query = sa.select(*columns).where(table.c.pack_id == pack_id).order_by(*table.primary_key.columns)
    kind = pa.string() if key == "name" else pa.int64()
    schema = pa.schema([("time", TIME), (key, kind), ("import", pa.int64()), (plain, pa.float64())])
    with pacsv.CSVWriter(place / file, schema, write_options=pacsv.WriteOptions(quoting_style="none")) as writer:
        for start, end in _parts(connection, pack_id):
            rows = dialect.fetch_arrow(
                connection, query.where(table.c.ts_ms >= start, table.c.ts_ms < end), mixed=key == "name"
            )
            if rows.num_rows:
                times, keys, imports, stored = rows.columns
                values = pa.array(stored.to_numpy() / THOUSANDTHS)
                writer.write_table(pa.table([times.cast(TIME), keys.cast(kind), imports, values], schema=schema))


def _status(connection: Connection, pack_id: int) -> list[dict[str, Any]]:
    table = models.status
    query = sa.select(table.c.ts_ms, table.c.word, table.c.import_id).where(table.c.pack_id == pack_id)
    rows = connection.execute(query.order_by(table.c.ts_ms, table.c.import_id))
    return [{"time": iso_from_ms(time), "word": word, "import": number} for time, word, number in rows]
