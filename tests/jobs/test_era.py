"""One file, two packs: what one era leaves out the next takes in, and nothing twice."""

from __future__ import annotations

from dataclasses import replace

import numpy as np
import pytest
from sqlalchemy.exc import IntegrityError

from logbook.errors import BadData
from logbook.ingest import read_export
from logbook.jobs.era import Era, eras_of, imports_beyond, swap_packs, within
from logbook.jobs.import_files import import_file
from logbook.jobs.undo import undo
from logbook.store import add_note, list_notes, read_readings
from logbook.store.packs import add_pack
from tests.jobs.test_import_files import OPTIONS, trip
from tests.store.recordings import content

SWAP_MS = 1_740_823_800_000  # 2025-03-01T10:10:00Z


def test_a_file_is_split_between_the_old_pack_and_the_new(store, pack, tmp_path):
    path = trip(tmp_path / "trip.csv")
    newer = add_pack(store, name="Newer", rated_ah=100.0, cells_in_series=4)

    old = import_file(store, path, pack, OPTIONS, era=Era(end_ms=SWAP_MS))
    new = import_file(store, path, newer, OPTIONS, era=Era(start_ms=SWAP_MS))

    assert (old.rows_stored, new.rows_stored) == (10, 50)
    assert [repair.count for repair in old.repairs if repair.kind == "other era"] == [50]
    both = np.concatenate([read_readings(store, owner.id).ts_ms for owner in (pack, newer)])
    assert len(np.unique(both)) == 60


def test_undo_of_one_era_leaves_the_other(store, pack, tmp_path):
    path = trip(tmp_path / "trip.csv")
    newer = add_pack(store, name="Newer", rated_ah=100.0, cells_in_series=4)
    import_file(store, path, pack, OPTIONS, era=Era(end_ms=SWAP_MS))
    before = content(store)["reading"]

    undo(store, import_file(store, path, newer, OPTIONS, era=Era(start_ms=SWAP_MS)).import_id)

    assert content(store)["reading"] == before


def test_dates_that_hold_nothing_of_the_file_are_an_error(store, pack, tmp_path):
    path = trip(tmp_path / "trip.csv")

    with pytest.raises(BadData, match="no reading"):
        import_file(store, path, pack, OPTIONS, era=Era(end_ms=0))

    assert len(read_readings(store, pack.id)) == 0


def test_without_ends_an_era_is_all_of_time(tmp_path):
    recording = read_export(trip(tmp_path / "trip.csv"), OPTIONS)

    assert not Era()
    assert len(within(recording, Era()).readings) == len(recording.readings)


@pytest.fixture
def newer(store):
    return add_pack(store, name="Newer", rated_ah=100.0, cells_in_series=4)


def test_a_swap_that_cannot_be_written_on_one_pack_is_on_neither(store, pack, newer):
    unknown = replace(newer, id=99)

    with pytest.raises(IntegrityError):
        swap_packs(store, pack, unknown, SWAP_MS)

    assert list_notes(store, pack.id) == []


def test_a_swap_is_a_note_on_both_packs_and_written_once(store, pack, newer):
    notes = swap_packs(store, pack, newer, SWAP_MS)

    assert [note.text for note in notes] == ['pack swapped for "Newer"', f'pack swapped in for "{pack.name}"']
    assert swap_packs(store, pack, newer, SWAP_MS) == []
    assert len(list_notes(store, pack.id)) == len(list_notes(store, newer.id)) == 1
    assert eras_of(store, pack) == (Era(None, SWAP_MS, "Newer"),)
    assert eras_of(store, newer) == (Era(SWAP_MS, None, pack.name),)


def test_after_a_swap_each_pack_takes_its_side_of_the_file(store, pack, newer, tmp_path):
    path = trip(tmp_path / "trip.csv")
    swap_packs(store, pack, newer, SWAP_MS)

    old = import_file(store, path, pack, OPTIONS)
    new = import_file(store, path, newer, OPTIONS)

    assert (old.rows_stored, new.rows_stored) == (10, 50)
    (left,) = [repair for repair in old.repairs if repair.kind == "other era"]
    assert (left.count, left.lines[0]) == (50, 12)
    assert 'from 2025-03-01T10:10:00Z on, left for "Newer"' in left.message
    (left,) = [repair for repair in new.repairs if repair.kind == "other era"]
    assert (left.count, left.lines[0]) == (10, 2)
    assert f'before 2025-03-01T10:10:00Z, left for "{pack.name}"' in left.message


def test_dates_given_stand_before_the_note(store, pack, newer, tmp_path):
    swap_packs(store, pack, newer, SWAP_MS)

    receipt = import_file(store, trip(tmp_path / "trip.csv"), pack, OPTIONS, era=Era(end_ms=SWAP_MS + 600_000))

    assert receipt.rows_stored == 20


def test_a_file_of_the_other_pack_s_time_is_refused_by_name(store, pack, newer, tmp_path):
    swap_packs(store, pack, newer, SWAP_MS - 3_600_000)

    with pytest.raises(BadData, match="swapped") as caught:
        import_file(store, trip(tmp_path / "trip.csv"), pack, OPTIONS)

    assert '--pack "Newer"' in caught.value.mend


def test_a_pack_that_comes_back_has_two_eras(store, pack, newer):
    day = 86_400_000
    swap_packs(store, pack, newer, SWAP_MS)
    swap_packs(store, newer, pack, SWAP_MS + 30 * day)

    assert eras_of(store, pack) == (Era(None, SWAP_MS, "Newer"), Era(SWAP_MS + 30 * day, None, "Newer"))
    assert eras_of(store, newer) == (Era(SWAP_MS, SWAP_MS + 30 * day, pack.name),)


def test_a_swap_that_cannot_be_is_an_error(store, pack, newer):
    with pytest.raises(BadData, match="itself"):
        swap_packs(store, pack, pack, SWAP_MS)
    swap_packs(store, pack, newer, SWAP_MS)
    with pytest.raises(BadData, match="was not in use"):
        swap_packs(store, pack, newer, SWAP_MS + 1)


def test_other_notes_change_no_era(store, pack):
    add_note(store, pack.id, SWAP_MS, "pack swapped the probe to the other side")

    assert eras_of(store, pack) == (Era(),)


def test_imports_that_reach_beyond_a_swap_are_named(store, pack, newer, tmp_path):
    receipt = import_file(store, trip(tmp_path / "trip.csv"), pack, OPTIONS)
    assert imports_beyond(store, pack) == []

    swap_packs(store, pack, newer, SWAP_MS)

    assert [row.id for row in imports_beyond(store, pack)] == [receipt.import_id]
