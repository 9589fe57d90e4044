from __future__ import annotations

import subprocess
import sys
import textwrap

import numpy as np
import pytest
from hypothesis import HealthCheck, given, settings
from hypothesis import strategies as st
from hypothesis.extra.numpy import arrays

from logbook.errors import BadData
from logbook.schema.reading import Readings
from logbook.schema.receipt import SetAside
from logbook.store import (
    commit_import,
    dialect,
    list_imports,
    open_store,
    read_readings,
    reading_span,
    set_aside_rows,
    stale_ranges,
    stored_receipt,
)
from logbook.store.intake import CONTRADICTS
from logbook.store.samples import Samples
from tests.store.recordings import (
    DAY_MS,
    HOUR_MS,
    MINUTE_MS,
    START_MS,
    assert_same,
    content,
    drawn,
    readings_at,
    recording_of,
)

thousandths = st.one_of(st.just(np.nan), st.integers(-3_000_000, 3_000_000).map(lambda value: value / 1000))


@settings(max_examples=200, suppress_health_check=[HealthCheck.too_slow])  # on a busy machine
@given(arrays(np.float64, st.tuples(st.just(4), st.integers(1, 30)), elements=thousandths))
def test_readings_with_three_decimals_survive_the_conversion(columns):
    readings = Readings(START_MS + np.arange(columns.shape[1], dtype=np.int64), *columns)

    there_and_back = Samples.from_readings(readings, 1).as_readings()

    assert_same(there_and_back, readings)


def test_what_goes_in_comes_out(store, pack, rng):
    readings = drawn(rng, 3000)

    receipt = commit_import(store, pack, recording_of(readings), None)

    assert (receipt.rows_stored, receipt.rows_already_known, receipt.import_id) == (3000, 0, 1)
    assert receipt.pack_name == "House"
    assert stored_receipt(store, 1)["rows_stored"] == 3000
    assert_same(read_readings(store, pack.id), readings)
    assert reading_span(store, pack.id) == (3000, START_MS, START_MS + 2999 * MINUTE_MS)
    assert stale_ranges(store, pack.id) == [(START_MS, START_MS + 2999 * MINUTE_MS + 1)]


def test_a_range_is_read_with_its_start_and_without_its_end(store, pack, rng):
    readings = drawn(rng, 100)
    commit_import(store, pack, recording_of(readings), None)

    part = read_readings(store, pack.id, START_MS + 10 * MINUTE_MS, START_MS + 20 * MINUTE_MS)

    assert_same(part, readings.between(START_MS + 10 * MINUTE_MS, START_MS + 20 * MINUTE_MS))
    assert len(part) == 10


def test_the_same_file_again_changes_nothing_and_says_when_it_came(store, pack, rng, tmp_path):
    recording = recording_of(drawn(rng, 50))
    commit_import(store, pack, recording, None)
    before = content(store)

    receipt = commit_import(store, pack, recording, None)

    assert receipt.already_imported is not None
    assert (receipt.rows_stored, receipt.rows_already_known, receipt.import_id) == (0, 50, 1)
    assert content(store) == before


def test_overlapping_exports_keep_one_copy(store, pack, rng):
    readings = drawn(rng, 300)
    commit_import(store, pack, recording_of(readings.between(START_MS, START_MS + 200 * MINUTE_MS), "a.csv"), None)

    later = readings.between(START_MS + 100 * MINUTE_MS, START_MS + 300 * MINUTE_MS)
    receipt = commit_import(store, pack, recording_of(later, "b.csv"), None)

    assert (receipt.rows_stored, receipt.rows_already_known, receipt.rows_set_aside) == (100, 100, 0)
    assert_same(read_readings(store, pack.id), readings)
    assert stale_ranges(store, pack.id)[-1][1] == START_MS + 299 * MINUTE_MS + 1


def test_a_contradiction_is_set_aside_and_told_and_what_was_there_stays(store, pack):
    times = START_MS + MINUTE_MS * np.arange(3)
    first = readings_at(times, voltage_v=[13.1, 13.2, 13.3], current_a=1.5)
    second = readings_at(times, voltage_v=[13.1, 12.0, 13.3], current_a=1.5)
    commit_import(store, pack, recording_of(first, "a.csv"), None)

    receipt = commit_import(store, pack, recording_of(second, "b.csv"), None)

    assert (receipt.rows_stored, receipt.rows_already_known, receipt.rows_set_aside) == (0, 2, 1)
    assert receipt.set_aside_reasons == {CONTRADICTS: 1}
    assert "1 readings contradict" in receipt.warnings[-1]
    assert_same(read_readings(store, pack.id), first)
    rows = set_aside_rows(store, 2)
    assert rows["reason"].tolist() == [CONTRADICTS]
    assert rows["text"].tolist() == [
        "2025-01-01T00:01:00Z brought voltage_v 12, current_a 1.5; stored voltage_v 13.2, current_a 1.5"
    ]
    assert stored_receipt(store, 2)["set_aside_first"][0]["text"] == rows["text"][0]


def test_a_coarser_copy_of_the_same_readings_is_known_and_not_a_contradiction(store, pack, rng):
    fine = drawn(rng, 200)
    coarse = Readings(
        fine.ts_ms,
        np.round(fine.voltage_v, 2),
        np.round(fine.current_a, 1),
        np.round(fine.temperature_c, 0),
        np.round(fine.soc_percent, 0),
    )
    commit_import(store, pack, recording_of(fine, "fine.csv"), None)

    receipt = commit_import(store, pack, recording_of(coarse, "coarse.csv"), None)

    assert (receipt.rows_already_known, receipt.rows_set_aside) == (200, 0)
    assert_same(read_readings(store, pack.id), fine)


def test_a_file_of_other_quantities_completes_the_readings(store, pack):
    times = START_MS + MINUTE_MS * np.arange(3)
    commit_import(store, pack, recording_of(readings_at(times, voltage_v=13.2, current_a=-2.0), "a.csv"), None)

    receipt = commit_import(store, pack, recording_of(readings_at(times[1:], temperature_c=-3.0), "b.csv"), None)

    assert (receipt.rows_stored, receipt.rows_already_known) == (2, 0)
    assert "2 stored readings gained values" in receipt.warnings[-1]
    expected = readings_at(times, voltage_v=13.2, current_a=-2.0, temperature_c=[np.nan, -3.0, -3.0])
    assert_same(read_readings(store, pack.id), expected)


def test_rows_the_reader_set_aside_are_all_kept_with_line_and_reason(store, pack):
    aside = tuple(SetAside(line, "no number", f"x;{line}") for line in range(2, 60))
    recording = recording_of(readings_at([START_MS], voltage_v=13.0), set_aside=aside)

    receipt = commit_import(store, pack, recording, None)

    assert receipt.rows_set_aside == 58
    rows = set_aside_rows(store, 1)
    assert list(rows.itertuples(index=False, name=None)) == [(row.line, row.reason, row.text) for row in aside]


def test_side_columns_are_stored_beside_the_readings(store, pack):
    times = START_MS + MINUTE_MS * np.arange(4)
    recording = recording_of(
        readings_at(times, voltage_v=13.2),
        cells_v=np.array([[3.301, 3.302], [3.3, np.nan], [3.3, 3.3], [3.2, 3.4]]),
        counters={"consumed_ah": np.array([0.0, 0.1, np.nan, 0.3])},
        status=np.array(["float", "float", "bulk", None], object),
    )

    commit_import(store, pack, recording, None)

    held = content(store)
    assert len(held["cell_voltage"]) == 7
    assert (pack.id, START_MS, 2, 1, 3302) in held["cell_voltage"]
    assert [row[4] for row in held["counter"]] == [0, 100, 300]
    assert [(row[1] - START_MS, row[3]) for row in held["status"]] == [
        (0, "float"), (2 * MINUTE_MS, "bulk"), (3 * MINUTE_MS, None),
    ]  # fmt: skip


def test_a_dry_run_writes_nothing_and_says_what_would_be(store, pack, rng, tmp_path):
    readings = drawn(rng, 100)
    commit_import(store, pack, recording_of(readings.between(START_MS, START_MS + HOUR_MS), "a.csv"), None)
    before = content(store)

    planned = commit_import(store, pack, recording_of(readings, "b.csv"), None, dry_run=True)

    assert planned.dry_run
    assert content(store) == before
    done = commit_import(store, pack, recording_of(readings, "b.csv"), None)
    counts = ("rows_stored", "rows_already_known", "rows_set_aside", "warnings", "set_aside_reasons")
    assert [getattr(planned, name) for name in counts] == [getattr(done, name) for name in counts]


def test_a_reading_far_from_the_rest_does_not_put_the_years_between_out_of_date(store, pack):
    recording = recording_of(readings_at([946_684_800_000, START_MS], voltage_v=13.0))

    commit_import(store, pack, recording, None)

    assert [end - start for start, end in stale_ranges(store, pack.id)] == [1, 1]


def test_times_out_of_order_are_a_programming_error(store, pack):
    with pytest.raises(ValueError, match="ascend"):
        commit_import(store, pack, recording_of(readings_at([START_MS, START_MS], voltage_v=13.0)), None)


def test_long_recordings_are_merged_part_by_part(store, pack, rng, monkeypatch):
    monkeypatch.setattr("logbook.store.parts.PART_ROWS", 500)
    readings = drawn(rng, 6000)
    commit_import(store, pack, recording_of(readings.between(START_MS, START_MS + 2 * DAY_MS), "a.csv"), None)

    receipt = commit_import(store, pack, recording_of(readings, "b.csv"), None)

    assert (receipt.rows_stored, receipt.rows_already_known) == (6000 - 2880, 2880)
    assert_same(read_readings(store, pack.id), readings)


class _Broken(RuntimeError):
    pass


def _fail_at(monkeypatch, call: int) -> list[int]:
    """Let the bulk statement of that number fail, before it does anything; gives the calls that were made."""
    made: list[int] = []
    real = {name: getattr(dialect, name) for name in ("bulk_insert", "bulk_delete")}

    def counted(name):
        def run(*arguments):
            made.append(1)
            if len(made) == call:
                raise _Broken
            return real[name](*arguments)

        return run

    for name in real:
        monkeypatch.setattr(dialect, name, counted(name))
    return made


def test_a_failure_at_any_statement_leaves_nothing_and_the_same_import_then_completes(
    store, pack, rng, monkeypatch, tmp_path
):
    readings = drawn(rng, 300)
    commit_import(
        store, pack, recording_of(readings_at(readings.ts_ms[::2], voltage_v=readings.voltage_v[::2]), "a.csv"), None
    )
    wrong = recording_of(drawn(rng, 300), "b.csv", cells_v=np.full((300, 4), 3.3))
    before = content(store)

    calls = 1
    while True:
        with monkeypatch.context() as patch:
            made = _fail_at(patch, calls)
            try:
                commit_import(store, pack, wrong, None)
            except _Broken:
                assert content(store) == before
            else:
                break
        calls += 1

    assert calls == len(made) + 1 > 8
    assert len(list_imports(store)) == 2


KILLED = """
import dataclasses, os, sys
import numpy as np
from logbook.store import commit_import, dialect, open_store, pack_named
from tests.store.recordings import drawn, recording_of

calls, real = [], dialect.bulk_insert
def insert(connection, table, rows):
    calls.append(table.name)
    if len(calls) == int(sys.argv[2]):
        if isinstance(rows, dialect.Batch):
            half = rows.parameters.slice(0, rows.parameters.num_rows // 2)
            real(connection, table, dataclasses.replace(rows, parameters=half))
        else:
            real(connection, table, rows.slice(0, rows.num_rows // 2))
        os._exit(9)
    real(connection, table, rows)
dialect.bulk_insert = insert
store = open_store(sys.argv[1])
commit_import(store, pack_named(store, "House"), recording_of(drawn(np.random.default_rng(5), 2000)), None)
"""


@pytest.mark.parametrize("call", [1, 3, 4])
def test_a_program_killed_half_way_leaves_a_whole_logbook_without_the_file(store, pack, call):
    before = content(store)
    store.close()

    killed = subprocess.run([sys.executable, "-c", textwrap.dedent(KILLED), store.path, str(call)], check=False)

    assert killed.returncode == 9
    with open_store(str(store.path)) as again:
        assert dialect.integrity_problems(again.engine) == []
        assert content(again) == before
        readings = drawn(np.random.default_rng(5), 2000)
        assert commit_import(again, pack, recording_of(readings), None).rows_stored == 2000
        assert_same(read_readings(again, pack.id), readings)


def test_the_original_is_kept_with_the_import(store, pack, tmp_path):
    path, recording = _file_and_recording(tmp_path)

    commit_import(store, pack, recording, path)

    (row,) = list_imports(store)
    assert row.original is not None
    assert (store.originals_folder / row.original).exists()


def test_the_original_of_an_import_that_failed_is_not_kept(store, pack, tmp_path, monkeypatch):
    path, recording = _file_and_recording(tmp_path)
    _fail_at(monkeypatch, 1)

    with pytest.raises(_Broken):
        commit_import(store, pack, recording, path)

    assert [entry for entry in store.originals_folder.rglob("*") if entry.is_file()] == []


def test_a_file_that_changes_while_it_is_imported_is_refused(store, pack, tmp_path):
    path, recording = _file_and_recording(tmp_path)
    path.write_bytes(b"something else")

    with pytest.raises(BadData, match="changed while it was read"):
        commit_import(store, pack, recording, path)

    assert list_imports(store) == []
    assert reading_span(store, pack.id) == (0, None, None)


def _file_and_recording(tmp_path):
    recording = recording_of(readings_at([START_MS], voltage_v=13.0), "trip.csv")
    path = tmp_path / "trip.csv"
    path.write_bytes(b"trip.csv")  # recording_of hashes the name
    return path, recording
