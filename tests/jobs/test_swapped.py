"""One file for two packs lands for both or for neither, wherever it is broken off."""

from __future__ import annotations

import multiprocessing
import os
from dataclasses import replace

import numpy as np
import pytest
import sqlalchemy as sa

from logbook.errors import BadData, CannotWrite
from logbook.jobs import swapped
from logbook.jobs.era import Era, OfAnotherTime, swap_packs
from logbook.jobs.import_files import import_file
from logbook.jobs.swapped import Share, import_for_all
from logbook.jobs.undo import undo
from logbook.store import add_pack, list_imports, open_store, read_readings
from tests.jobs.test_era import SWAP_MS
from tests.jobs.test_import_files import OPTIONS, trip
from tests.store.recordings import content


@pytest.fixture
def packs(store, pack):
    newer = add_pack(store, name="Newer", rated_ah=100.0, cells_in_series=4)
    swap_packs(store, pack, newer, SWAP_MS)
    return [pack, newer]


def shares(packs):
    return [Share(each, OPTIONS, Era()) for each in packs]


def originals(store):
    return [path.name for path in store.originals_folder.rglob("*") if path.is_file()]


def test_each_gets_its_part_in_one_transaction(store, packs, tmp_path):
    told = import_for_all(store, trip(tmp_path / "trip.csv"), shares(packs))

    assert [receipt.rows_stored for receipt in told] == [10, 50]
    assert all(receipt.changes is not None for receipt in told)
    assert len(originals(store)) == 1


def test_both_are_what_two_imports_bring(store, packs, tmp_path):
    path = trip(tmp_path / "trip.csv")
    for pack in packs:
        import_file(store, path, pack, OPTIONS)
    apart = [read_readings(store, pack.id) for pack in packs]
    for row in list_imports(store):
        undo(store, row.id)

    import_for_all(store, path, shares(packs))

    for pack, readings in zip(packs, apart, strict=True):
        together = read_readings(store, pack.id)
        for name, column in readings.columns().items():
            np.testing.assert_array_equal(together.columns()[name], column)


@pytest.mark.parametrize("failing", [1, 2])
def test_what_fails_for_one_pack_leaves_the_other_as_it_was(store, packs, tmp_path, monkeypatch, failing):
    before, real, calls = content(store), swapped.commit_import, []

    def full(*arguments, **settings):
        calls.append(1)
        receipt = real(*arguments, **settings)
        if len(calls) == failing:
            raise CannotWrite("the disk is full; nothing was changed.")
        return receipt

    monkeypatch.setattr(swapped, "commit_import", full)
    path = trip(tmp_path / "trip.csv")
    with pytest.raises(CannotWrite):
        import_for_all(store, path, shares(packs))

    assert content(store) == before
    assert originals(store) == []
    monkeypatch.setattr(swapped, "commit_import", real)
    assert [receipt.rows_stored for receipt in import_for_all(store, path, shares(packs))] == [10, 50]


def test_a_file_one_pack_knows_completes_the_other(store, packs, tmp_path):
    path = trip(tmp_path / "trip.csv")
    import_file(store, path, packs[0], OPTIONS)

    told = import_for_all(store, path, shares(packs))

    assert [receipt.rows_stored for receipt in told] == [0, 50]
    assert told[0].already_imported is not None
    assert len(list_imports(store)) == 2


def test_a_pack_of_another_time_is_told_and_no_failure(store, packs, tmp_path):
    path = trip(tmp_path / "trip.csv", day=2)

    old, new = import_for_all(store, path, shares(packs))

    assert isinstance(old, OfAnotherTime)
    assert new.rows_stored == 60


def test_a_file_read_otherwise_before_changes_nothing_for_any(store, packs, tmp_path):
    path = trip(tmp_path / "trip.csv")
    import_file(store, path, packs[0], OPTIONS)
    before = content(store)
    other = [Share(each, replace(OPTIONS, positive="discharge"), Era()) for each in packs]

    with pytest.raises(BadData, match="read otherwise"):
        import_for_all(store, path, other)

    assert content(store) == before


def killed_after(url, path, packs, statements):
    """A process that dies by itself after so many statements of its transaction."""
    store = open_store(url)
    seen = []

    def count(*_arguments):
        seen.append(1)
        if len(seen) > statements:
            os._exit(9)

    real = swapped.commit_import

    def commit(*arguments, **settings):
        if not seen:
            sa.event.listen(sa.Engine, "before_cursor_execute", count)
            seen.append(1)
        return real(*arguments, **settings)

    swapped.commit_import = commit
    import_for_all(store, path, shares(packs))


@pytest.mark.parametrize("statements", [1, 8, 20, 30, 40])
def test_a_process_that_dies_on_the_way_leaves_nothing_or_both(store, packs, tmp_path, statements):
    path = trip(tmp_path / "trip.csv")
    before = content(store)
    child = multiprocessing.get_context("spawn").Process(
        target=killed_after, args=(str(store.url), path, packs, statements)
    )
    child.start()
    child.join()

    imports = list_imports(store)
    assert child.exitcode in {0, 9}
    assert len(imports) in {0, 2}
    assert imports or content(store) == before
    told = import_for_all(store, path, shares(packs))
    assert sum(receipt.rows_stored for receipt in told) == (0 if imports else 60)
    assert len(list_imports(store)) == 2
