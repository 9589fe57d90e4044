"""Whatever is taken back, and in whatever order, the logbook holds what the imports that are left alone would give."""

from __future__ import annotations

import itertools
import tempfile
from dataclasses import replace
from pathlib import Path

import numpy as np
import pytest
from hypothesis import HealthCheck, example, given, settings
from hypothesis import strategies as st

from logbook.jobs.health import health
from logbook.jobs.import_files import import_file
from logbook.jobs.undo import undo
from logbook.store import add_pack, list_imports, read_readings, set_aside_rows, stored_receipt
from tests.ingest.trip import lines, plain_cells, text, trip
from tests.jobs.test_copies import export, means, other_device
from tests.jobs.test_import_files import OPTIONS
from tests.store.recordings import content

FINE = trip(720, interval_s=5.0)
WHOLE = replace(OPTIONS, positive="charge")
HOUR = plain_cells(offset_h=1.0)


def _shown(readings, cells=None) -> str:
    return text(lines(readings, cells))


def _contradicting(readings):
    return readings.with_(
        voltage_v=np.where(np.arange(len(readings)) % 7, readings.voltage_v, readings.voltage_v - 0.5)
    )


EXPORTS = {
    "fine": _shown(FINE),
    "fine again": _shown(FINE) + "\n",
    "first half": _shown(FINE.take(slice(0, 400))),
    "second half": _shown(FINE.take(slice(350, 720))),
    "an hour on": _shown(FINE, HOUR),
    "part an hour on": _shown(FINE.take(slice(200, 720)), HOUR),
    "minutes": _shown(FINE.take(slice(0, None, 12))),
    "means": _shown(means(FINE, 60)),
    "coarser means": _shown(means(FINE, 120)),
    "other device": _shown(other_device(FINE)),
    "contradicting": _shown(_contradicting(FINE)),
}


def record(store) -> dict[str, list[tuple]]:
    """Every row of what the imports brought, with the numbers of imports by their order."""
    order = {row.id: place for place, row in enumerate(list_imports(store))}
    tables = content(store)
    return {
        "reading": [(*row[1:-1], order[row[-1]]) for row in tables["reading"]],
        "shared": [(row[1], order[row[2]], *row[3:]) for row in tables["shared_reading"]],
        "rollup": [row[1:] for row in tables["rollup"]],
        "set aside": [(order[row[1]], *row[2:]) for row in tables["set_aside"]],
    }


def counts(store) -> list[tuple]:
    """What the receipts say of each import that is there; which of two brought a row first is told as it was then."""
    names = ("file_name", "rows_read", "rows_set_aside", "set_aside_reasons")
    receipts = [stored_receipt(store, row.id) for row in list_imports(store)]
    return [
        (*(receipt[name] for name in names), receipt["rows_stored"] + receipt["rows_already_known"])
        for receipt in receipts
    ]


def taken(store, pack, folder: Path, names) -> list[int]:
    found = []
    for name in names:
        path = folder / f"{name}.csv"
        path.write_text(EXPORTS[name])
        found.append(import_file(store, path, pack, WHOLE).import_id)
    return found


@example(names=["an hour on", "part an hour on", "fine", "first half"], gone=[0, 2, 3, 1])
@example(names=["coarser means", "contradicting", "second half"], gone=[1, 2, 0, 3])
@settings(max_examples=12, deadline=None, suppress_health_check=[HealthCheck.function_scoped_fixture])
@given(
    names=st.lists(st.sampled_from(sorted(EXPORTS)), min_size=2, max_size=4, unique=True),
    gone=st.permutations(range(4)),
)
def test_what_is_left_is_what_the_others_alone_would_have_given(new_store, names, gone):
    with tempfile.TemporaryDirectory() as folder:
        store = new_store()
        pack = add_pack(store, name="House", rated_ah=100, cells_in_series=4)
        ids = dict(zip(names, taken(store, pack, Path(folder), names), strict=True))
        left = list(names)
        for place in gone:
            if place >= len(names):
                continue
            left.remove(names[place])
            undo(store, ids[names[place]])
            alone = new_store()
            other = add_pack(alone, name="House", rated_ah=100, cells_in_series=4)
            taken(alone, other, Path(folder), left)

            assert record(store) == record(alone)
            assert counts(store) == counts(alone)
            assert [row.id for row in list_imports(store)] == [ids[name] for name in left]
            alone.close()
        store.close()


@pytest.mark.parametrize("names", list(itertools.permutations(["means", "fine", "first half"])))
def test_each_of_a_coarser_and_two_finer_imports_may_go_first(names, store, pack, new_store, tmp_path):
    for gone in names:
        first, second = new_store(), new_store()
        packs = [add_pack(entry, name="House", rated_ah=100, cells_in_series=4) for entry in (first, second)]
        ids = dict(zip(names, taken(first, packs[0], tmp_path, names), strict=True))
        undo(first, ids[gone])
        taken(second, packs[1], tmp_path, [name for name in names if name != gone])

        assert record(first) == record(second)
        assert health(first, packs[0]).as_json() == health(second, packs[1]).as_json()
        first.close()
        second.close()


def test_a_copy_comes_into_the_record_when_what_it_was_a_copy_of_goes(store, pack, tmp_path):
    said: list[str] = []
    first, copy = taken(store, pack, tmp_path, ["fine", "an hour on"])
    assert len(set_aside_rows(store, copy)) == 720

    undo(store, first, tell=said.append)

    assert said == [f"Read import {copy} again, which had been compared with it."]
    np.testing.assert_array_equal(read_readings(store, pack.id).ts_ms, FINE.ts_ms + 3_600_000)
    assert len(set_aside_rows(store, copy)) == 0


def test_without_its_file_a_later_import_stays_as_it_was_and_that_is_told(store, pack, tmp_path):
    said: list[str] = []
    (first,) = taken(store, pack, tmp_path, ["fine"])
    path = export(tmp_path, "later.csv", FINE, HOUR)
    copy = import_file(store, path, pack, WHOLE, keep_original=False).import_id

    undo(store, first, tell=said.append)

    assert "its file was not kept" in said[0]
    assert len(read_readings(store, pack.id)) == 0
    assert len(set_aside_rows(store, copy)) == 720


def test_a_failure_on_the_way_leaves_everything_as_it_was(store, pack, tmp_path, monkeypatch):
    first, _copy, _means = taken(store, pack, tmp_path, ["fine", "an hour on", "means"])
    before = content(store)

    def fail(*_arguments):
        raise OSError

    monkeypatch.setattr("logbook.jobs.again.commit_again", fail)
    with pytest.raises(OSError):
        undo(store, first)

    assert content(store) == before
