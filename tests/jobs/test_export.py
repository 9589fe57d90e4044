"""An export holds everything in plain files, reads without the program, and gives the same answers again."""

from __future__ import annotations

import csv
import json
import os
import subprocess
import sys
from dataclasses import replace

import numpy as np
import pytest

from logbook.errors import CannotWrite
from logbook.ingest import ImportOptions
from logbook.ingest.mapping import read_mapping
from logbook.jobs import export as exporting
from logbook.jobs.demo import load_demo
from logbook.jobs.export import export
from logbook.jobs.health import health
from logbook.jobs.import_files import import_file
from logbook.jobs.refresh import METHOD
from logbook.schema.receipt import SetAside
from logbook.store import acknowledge, add_note, add_pack, commit_import, edit_pack, open_store, read_readings
from tests.bench.kills import write_file
from tests.store.recordings import DAY_MS, START_MS, assert_same, drawn, readings_at, recording_of


def rows_of(path):
    with path.open(encoding="utf-8", newline="") as file:
        return list(csv.DictReader(file))


def document(path):
    return json.loads(path.read_text("utf-8"))


def brought_back(store, place, name="again"):
    """The pack as a stranger makes it from the files."""
    told = document(place / "pack.json")
    pack = add_pack(
        store,
        name=name,
        rated_ah=told["rated_ah"],
        cells_in_series=told["cells_in_series"],
        limits=told["limits"],
        time_zone=told["time_zone"],
    )
    options = ImportOptions(
        mapping=read_mapping(place / "mapping.toml"), cells_in_series=pack.cells_in_series, rated_ah=pack.rated_ah
    )
    return pack, import_file(store, place / "readings.csv", pack, options)


def test_the_sample_data_comes_back_with_the_same_readings_and_answers(new_store, tmp_path):
    first, second = new_store(), new_store()
    packs = load_demo(first)

    written = export(first, tmp_path / "out")

    assert written.packs == len(packs)
    for pack in packs:
        place = tmp_path / "out" / f"pack-{pack.id}"
        again, receipt = brought_back(second, place, pack.name)
        assert (receipt.rows_set_aside, receipt.repairs) == (0, ())
        assert_same(read_readings(second, again.id), read_readings(first, pack.id))
        told = health(second, again).as_json()
        assert told == health(first, pack).as_json() == document(place / "health.json")


def test_everything_else_is_there_in_plain_units(store, pack, tmp_path):
    readings = readings_at([START_MS, START_MS + 1500], voltage_v=[13.201, 13.0], current_a=[-4.5, np.nan])
    recording = recording_of(
        readings,
        "=trip.csv",
        set_aside=(SetAside(3, "torn row", "=1;2"),),
        cells_v=np.array([[3.3, 3.301], [3.25, np.nan]]),
        counters={"consumed_ah": np.array([1.25, 1.5])},
        status=np.array(["=on", "off"], object),
    )
    original = tmp_path / "trip.csv"
    original.write_bytes(b"=trip.csv")
    commit_import(store, pack, recording, original)
    add_note(store, pack.id, START_MS, "cables changed")
    acknowledge(store, pack.id, "cold")

    export(store, tmp_path / "out")

    place = tmp_path / "out" / f"pack-{pack.id}"
    first, second = rows_of(place / "readings.csv")
    assert first == {
        "time": "2025-01-01 00:00:00.000Z",
        "voltage_v": "13.201",
        "current_a": "-4.5",
        "temperature_c": "",
        "soc_percent": "",
    }
    assert (second["time"], second["current_a"]) == ("2025-01-01 00:00:01.500Z", "")
    cells = [(row["cell"], row["voltage_v"]) for row in rows_of(place / "cell_voltages.csv")]
    assert cells == [("1", "3.3"), ("2", "3.301"), ("1", "3.25")]
    assert [(row["name"], row["charge_ah"]) for row in rows_of(place / "counters.csv")] == [
        ("consumed_ah", "1.25"),
        ("consumed_ah", "1.5"),
    ]
    assert [entry["word"] for entry in document(place / "status.json")] == ["=on", "off"]
    (taken,) = document(place / "imports.json")
    assert taken["file_name"] == "=trip.csv"
    assert taken["set_aside"] == [{"line": 3, "reason": "torn row", "text": "=1;2"}]
    assert document(place / "notes.json") == [{"time": "2025-01-01T00:00:00Z", "text": "cables changed"}]
    assert document(place / "pack.json")["acknowledged_flags"] == ["cold"]
    assert [kept.name for kept in (tmp_path / "out" / "originals").rglob("*.zst")] == [f"{taken['sha256']}.zst"]


def test_no_spreadsheet_finds_a_formula_in_a_csv_file(store, pack, tmp_path):
    """OWASP, CSV injection: cells that begin with =, +, @, tab or carriage return; words are in JSON only."""
    readings = readings_at([START_MS], voltage_v=13.0, current_a=-1.0)
    commit_import(store, pack, recording_of(readings, status=np.array(["=cmd"], object)), None)

    export(store, tmp_path / "out")

    cells = [
        cell
        for path in (tmp_path / "out").rglob("*.csv")
        for line in path.read_text("utf-8").splitlines()
        for cell in line.split(",")
    ]
    assert "13" in cells
    assert not [cell for cell in cells if cell.startswith(("=", "+", "@", "\t", "\r"))]


def test_the_readme_names_every_file(store, pack, rng, tmp_path):
    commit_import(store, pack, recording_of(drawn(rng, 10)), None)

    export(store, tmp_path / "out")

    said = (tmp_path / "out" / "README.txt").read_text("utf-8")
    for path in (tmp_path / "out" / f"pack-{pack.id}").iterdir():
        assert path.name in said


def test_long_histories_are_written_part_by_part(store, pack, rng, tmp_path, monkeypatch):
    monkeypatch.setattr("logbook.jobs.export.stored_parts", _single_days)
    commit_import(store, pack, recording_of(drawn(rng, 5000)), None)

    assert export(store, tmp_path / "out").readings == 5000

    times = [row["time"] for row in rows_of(tmp_path / "out" / f"pack-{pack.id}" / "readings.csv")]
    assert times == sorted(set(times))
    assert len(times) == 5000


def _single_days(_connection, _pack_id, first_ms, last_ms):
    return [(start, start + DAY_MS) for start in range(first_ms // DAY_MS * DAY_MS, last_ms + 1, DAY_MS)]


def test_what_is_there_is_never_written_over(store, tmp_path):
    (tmp_path / "out").mkdir()

    with pytest.raises(CannotWrite, match="already"):
        export(store, tmp_path / "out")


def test_an_export_that_fails_leaves_nothing(store, pack, tmp_path, monkeypatch):
    def full(*_arguments):
        raise OSError(28, "No space left on device")

    monkeypatch.setattr("logbook.jobs.export._write_readings", full)

    with pytest.raises(CannotWrite, match="No space left"):
        export(store, tmp_path / "out")

    assert [path.name for path in tmp_path.iterdir() if path.name.startswith("out")] == []


def test_what_a_killed_export_left_stands_in_nobodys_way_and_goes_after_a_while(store, pack, tmp_path):
    dead, living, other = (tmp_path / f"out{end}" for end in (".1.part", ".2.part", ".part"))
    for path in (dead, living, other):
        (path / "pack-1").mkdir(parents=True)
        (path / "pack-1" / "readings.csv").write_text("half")
    for path in (dead, *dead.rglob("*"), living):
        os.utime(path, (0, 0))

    export(store, tmp_path / "out")

    left = {path.name for path in tmp_path.iterdir() if path.name.startswith("out")}
    assert left == {"out", living.name, other.name}


def test_an_empty_logbook_is_exported_too(store, pack, tmp_path):
    assert export(store, tmp_path / "out").readings == 0
    assert rows_of(tmp_path / "out" / f"pack-{pack.id}" / "readings.csv") == []


def test_what_lands_in_the_middle_of_an_export_is_in_none_of_its_parts(store, pack, rng, tmp_path, monkeypatch):
    """After each file that is written, another program brings readings, a note and another rating."""
    commit_import(store, pack, recording_of(drawn(rng, 3000), "first.csv"), None)
    told = health(store, pack).as_json()
    write, came = exporting._write_json, []

    def beside(path, document):
        came.append(path)
        later = drawn(rng, 1000, start_ms=START_MS + 10 * DAY_MS * len(came))
        commit_import(store, pack, recording_of(later, f"later-{len(came)}.csv"), None)
        add_note(store, pack.id, START_MS, "later")
        edit_pack(store, "House", rated_ah=100.0 + len(came))
        write(path, document)

    monkeypatch.setattr(exporting, "_write_json", beside)

    assert export(store, tmp_path / "out").readings == 3000

    place = tmp_path / "out" / f"pack-{pack.id}"
    assert len(came) > 3
    assert len(rows_of(place / "readings.csv")) == 3000
    assert document(place / "pack.json")["rated_ah"] == 100.0
    assert [entry["file_name"] for entry in document(place / "imports.json")] == ["first.csv"]
    assert document(place / "notes.json") == []
    assert document(place / "health.json") == told


def test_answers_are_those_of_the_readings_written_also_where_nothing_was_refreshed(
    store, pack, tmp_path, monkeypatch, travelled
):
    """As where an import lands between the refresh and the export: the findings stored then are of another moment."""
    monkeypatch.setattr("logbook.jobs.health.METHOD", replace(METHOD, piece_rows=20_000))
    start = int(travelled.readings.ts_ms[0])
    for number in range(2):
        part = travelled.readings.between(start + 20 * number * DAY_MS, start + 20 * (number + 1) * DAY_MS)
        commit_import(store, pack, recording_of(part, f"{number}.csv"), None)
        if not number:
            health(store, pack)
    monkeypatch.setattr(exporting, "refresh", lambda *_given: None)

    export(store, tmp_path / "out")

    assert document(tmp_path / "out" / f"pack-{pack.id}" / "health.json") == health(store, pack).as_json()


def test_an_export_beside_running_imports_comes_back_to_its_own_answers(tmp_path, new_store):
    """Real programs: files of one day each come in one after the other while the logbook is written out."""
    database = tmp_path / "logbook.sqlite3"
    with open_store(str(database)) as store:
        add_pack(store, name="House", rated_ah=100, cells_in_series=4)
    days = [tmp_path / f"day-{number}.csv" for number in range(6)]
    for number, path in enumerate(days):
        write_file(path, number, 1, 20)
    program = (sys.executable, "-m", "logbook", "--db", str(database), "--no-input")
    taking = (*program, "import", *map(str, days), "--pack", "House", "--timezone", "UTC", "--positive", "charge")
    importing = subprocess.Popen(taking, stderr=subprocess.PIPE, stdout=subprocess.DEVNULL)

    made = []
    with open_store(str(database)) as store:
        while importing.poll() is None or not made:
            made.append(tmp_path / f"out-{len(made)}")
            export(store, made[-1])
    assert importing.returncode == 0, importing.communicate()[1]

    counts = []
    for folder in made:
        place = folder / "pack-1"
        told = document(place / "health.json")
        counts.append(len(rows_of(place / "readings.csv")))
        assert told["readings"]["count"] == counts[-1] == 4320 * len(document(place / "imports.json"))
        if counts[-1] and counts[-1] not in counts[:-1]:
            other = new_store()
            again, _receipt = brought_back(other, place, "House")
            assert health(other, again).as_json() == told
    assert counts == sorted(counts)
