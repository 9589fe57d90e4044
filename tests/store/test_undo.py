from __future__ import annotations

import numpy as np
import pytest
from hypothesis import HealthCheck, given, settings
from hypothesis import strategies as st

from logbook.errors import UnknownName
from logbook.store import (
    add_pack,
    commit_import,
    list_imports,
    read_readings,
    set_aside_rows,
    stale_ranges,
    undo_import,
)
from logbook.store import dialect as store_dialect
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

TRUTH = drawn(np.random.default_rng(7), 12, step_ms=5 * HOUR_MS)
QUANTITIES = ("voltage_v", "current_a", "temperature_c", "soc_percent")

exports = st.tuples(
    st.sets(st.integers(0, len(TRUTH) - 1), min_size=1),
    st.sets(st.sampled_from(QUANTITIES), min_size=1),
    st.booleans(),
)
"""Which readings of the truth a file holds, which quantities, and whether it has cell voltages."""


def exported(number: int, export) -> object:
    """A file that tells part of the truth; files never contradict each other."""
    rows, quantities, with_cells = sorted(export[0]), export[1], export[2]
    readings = readings_at(TRUTH.ts_ms[rows], **{name: getattr(TRUTH, name)[rows] for name in quantities})
    side = {"cells_v": np.full((len(rows), 2), 3.3)} if with_cells else {}
    return recording_of(readings, f"{number}.csv", **side)


def held(store) -> dict[str, list[tuple]]:
    """What a logbook holds, with file names in the place of import numbers and without times of import."""
    names = {row.id: row.file_name for row in list_imports(store)}
    tables = content(store, without=("import", "stale"))
    with_import = {"reading": 6, "shared_reading": 2, "cell_voltage": 3, "counter": 3, "status": 2}
    named = {
        table: sorted((*row[:place], names[row[place]], *row[place + 1 :]) for row in tables[table])
        for table, place in with_import.items()
    }
    return {**tables, **named, "import": sorted(names.values())}


@settings(max_examples=60, deadline=None, suppress_health_check=[HealthCheck.function_scoped_fixture])
@given(files=st.lists(exports, min_size=1, max_size=4), data=st.data())
def test_taking_imports_back_leaves_what_importing_the_others_gives(new_store, files, data):
    taken_back = data.draw(st.permutations(range(len(files))))[: data.draw(st.integers(1, len(files)))]
    both = [new_store(), new_store()]
    packs = [add_pack(store, name="House", rated_ah=100, cells_in_series=4) for store in both]
    undone, direct = both
    receipts = [commit_import(undone, packs[0], exported(number, file), None) for number, file in enumerate(files)]

    for number in taken_back:
        undo_import(undone, receipts[number].import_id)

    for number, file in enumerate(files):
        if number not in taken_back:
            commit_import(direct, packs[1], exported(number, file), None)
    assert held(undone) == held(direct)
    for store in both:
        store.close()


def test_taking_back_the_last_import_gives_back_the_same_content(store, pack, rng):
    first = drawn(rng, 200)
    second = drawn(rng, 300)  # other values at the same times: contradictions
    commit_import(store, pack, recording_of(first, "a.csv", status=np.array(["on"] * 200, object)), None)
    before = content(store, without=("stale",))
    commit_import(store, pack, recording_of(second, "b.csv", counters={"consumed_ah": np.arange(300.0)}), None)
    assert content(store, without=("stale",)) != before

    undo_import(store, 2)

    assert content(store, without=("stale",)) == before


def test_what_another_import_also_brought_stays(store, pack, rng):
    readings = drawn(rng, 300)
    head = readings.between(START_MS, START_MS + 200 * MINUTE_MS)
    tail = readings.between(START_MS + 100 * MINUTE_MS, START_MS + 300 * MINUTE_MS)
    commit_import(store, pack, recording_of(head, "a.csv"), None)
    commit_import(store, pack, recording_of(tail, "b.csv"), None)

    pack_id, start_ms, end_ms = undo_import(store, 1)

    assert_same(read_readings(store, pack.id), tail)
    assert (pack_id, start_ms, end_ms) == (pack.id, START_MS, START_MS + 199 * MINUTE_MS + 1)


def test_values_that_completed_a_reading_go_with_their_import(store, pack):
    times = START_MS + MINUTE_MS * np.arange(3)
    plain = readings_at(times, voltage_v=13.2)
    commit_import(store, pack, recording_of(plain, "a.csv"), None)
    commit_import(store, pack, recording_of(readings_at(times, temperature_c=-4.0), "b.csv"), None)

    undo_import(store, 2)

    assert_same(read_readings(store, pack.id), plain)


def test_the_range_that_changed_is_out_of_date_and_no_more(store, pack, rng):
    readings = drawn(rng, 3000)
    commit_import(store, pack, recording_of(readings.between(START_MS, START_MS + DAY_MS), "a.csv"), None)
    commit_import(store, pack, recording_of(readings, "b.csv"), None)
    with store.writing() as connection:
        connection.exec_driver_sql("DELETE FROM stale")

    undo_import(store, 2)

    assert stale_ranges(store, pack.id) == [(START_MS + DAY_MS, START_MS + 2999 * MINUTE_MS + 1)]


def test_an_import_of_nothing_new_is_taken_back_without_putting_anything_out_of_date(store, pack, rng):
    readings = drawn(rng, 100)
    commit_import(store, pack, recording_of(readings, "a.csv"), None)
    commit_import(store, pack, recording_of(readings, "b.csv"), None)
    with store.writing() as connection:
        connection.exec_driver_sql("DELETE FROM stale")

    pack_id, start_ms, end_ms = undo_import(store, 2)

    assert start_ms == end_ms
    assert stale_ranges(store, pack_id) == []
    assert_same(read_readings(store, pack.id), readings)


def test_the_kept_original_stays(store, pack, tmp_path):
    recording = recording_of(readings_at([START_MS], voltage_v=13.0), "trip.csv")
    path = tmp_path / "trip.csv"
    path.write_bytes(b"trip.csv")
    commit_import(store, pack, recording, path)

    undo_import(store, 1)

    assert len(list(store.originals_folder.rglob("*.zst"))) == 1


def test_a_file_taken_back_can_be_imported_again(store, pack, rng):
    recording = recording_of(drawn(rng, 100))
    commit_import(store, pack, recording, None)
    undo_import(store, 1)

    receipt = commit_import(store, pack, recording, None)

    assert (receipt.rows_stored, receipt.already_imported) == (100, None)


def test_the_number_of_an_import_taken_back_is_never_given_again(store, pack, rng):
    """An old `undo 1` must not take back another import."""
    readings = drawn(rng, 100)
    assert commit_import(store, pack, recording_of(readings, "a.csv"), None).import_id == 1
    undo_import(store, 1)

    again = commit_import(store, pack, recording_of(readings, "a.csv"), None)

    assert again.import_id == 2
    with pytest.raises(UnknownName, match="no import 1"):
        undo_import(store, 1)


def test_an_import_that_is_not_there_is_named(store):
    with pytest.raises(UnknownName, match="no import 7"):
        undo_import(store, 7)
    with pytest.raises(UnknownName, match="no import 1000"):
        undo_import(store, 10**30)


def test_set_aside_rows_go_with_their_import(store, pack):
    times = START_MS + MINUTE_MS * np.arange(2)
    commit_import(store, pack, recording_of(readings_at(times, voltage_v=13.0), "a.csv"), None)
    commit_import(store, pack, recording_of(readings_at(times, voltage_v=12.0), "b.csv"), None)
    assert len(set_aside_rows(store, 2)) == 2

    undo_import(store, 2)

    assert content(store)["set_aside"] == []


def test_a_failure_at_any_statement_leaves_the_import_whole(store, pack, rng, monkeypatch):
    readings = drawn(rng, 60)
    commit_import(store, pack, recording_of(readings_at(readings.ts_ms, voltage_v=readings.voltage_v), "a.csv"), None)
    commit_import(store, pack, recording_of(readings, "b.csv"), None)
    before = content(store)
    real = {name: getattr(store_dialect, name) for name in ("bulk_insert", "bulk_delete")}
    fail_at = 0
    while True:
        fail_at += 1
        calls = []

        def counted(name, calls=calls, fail_at=fail_at):
            def run(*arguments):
                calls.append(name)
                if len(calls) == fail_at:
                    raise OSError(name)
                return real[name](*arguments)

            return run

        with monkeypatch.context() as patch:
            for name in real:
                patch.setattr(store_dialect, name, counted(name))
            try:
                undo_import(store, 1)
            except OSError:
                assert content(store) == before
            else:
                break

    assert fail_at > 5
    assert [row.file_name for row in list_imports(store)] == ["b.csv"]
    assert_same(read_readings(store, pack.id), readings)
