"""One file, two packs: what one era leaves out the next takes in, and nothing twice."""

from __future__ import annotations

import numpy as np
import pytest

from logbook.errors import BadData
from logbook.ingest import read_export
from logbook.jobs.era import Era, within
from logbook.jobs.import_files import import_file
from logbook.jobs.undo import undo
from logbook.store import read_readings
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
