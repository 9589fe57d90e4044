from __future__ import annotations

import gzip
import hashlib
import os

import pytest

from logbook.errors import BadData, InputMissing
from logbook.ingest import ImportOptions
from logbook.jobs import taking
from logbook.jobs.import_files import import_file, import_files
from logbook.jobs.receipts import receipt_from_json
from logbook.schema.receipt import Receipt
from logbook.store import list_imports, read_readings, stored_receipt
from tests.store.recordings import content

OPTIONS = ImportOptions(time_zone="UTC", positive="charge", cells_in_series=4, rated_ah=100.0)


def trip(path, day: int = 1, rows: int = 60):
    lines = [
        f"2025-03-{day:02} 10:{minute:02}:00,{13.2 + minute / 1000:.3f},{-5.0 + minute / 10:.1f},{10 + minute % 7},80"
        for minute in range(rows)
    ]
    path.write_text("Time,Voltage (V),Current (A),Temperature (°C),State of charge (%)\n" + "\n".join(lines) + "\n")
    return path


def test_a_file_goes_in_with_its_receipt_and_its_original(store, pack, tmp_path):
    path = trip(tmp_path / "trip.csv")
    shares = []

    receipt = import_file(store, path, pack, OPTIONS, progress=shares.append)

    assert (receipt.rows_read, receipt.rows_stored, receipt.import_id) == (60, 60, 1)
    assert receipt.sha256 == hashlib.sha256(path.read_bytes()).hexdigest()
    assert len(read_readings(store, pack.id)) == 60
    assert (store.originals_folder / list_imports(store)[0].original).exists()
    assert shares == sorted(shares)
    assert shares[-1] == 1.0


def test_the_original_is_not_kept_when_its_owner_says_no(store, pack, tmp_path):
    import_file(store, trip(tmp_path / "trip.csv"), pack, OPTIONS, keep_original=False)

    assert list_imports(store)[0].original is None
    assert not store.originals_folder.exists()


def test_a_known_file_is_not_even_read(store, pack, tmp_path, monkeypatch):
    path = trip(tmp_path / "trip.csv")
    first = import_file(store, path, pack, OPTIONS)
    before = content(store)
    monkeypatch.setattr(taking, "read_for_pack", pytest.fail)

    again = import_file(store, path, pack, OPTIONS)

    assert again.already_imported is not None
    assert (again.rows_stored, again.rows_already_known) == (0, 60)
    assert (again.import_id, again.columns, again.inferences) == (1, first.columns, first.inferences)
    assert content(store) == before


def test_a_dry_run_writes_nothing(store, pack, tmp_path):
    receipt = import_file(store, trip(tmp_path / "trip.csv"), pack, OPTIONS, dry_run=True)

    assert (receipt.dry_run, receipt.rows_stored) == (True, 60)
    assert list_imports(store) == []
    assert not store.originals_folder.exists()


def test_one_bad_file_does_not_stop_the_rest(store, pack, tmp_path):
    good, bad = trip(tmp_path / "a.csv"), tmp_path / "b.csv"
    bad.write_text("")
    later = trip(tmp_path / "c.csv", day=2)

    results = import_files(store, [good, bad, tmp_path / "none.csv", later], pack, OPTIONS)

    assert [type(result) for result in results] == [Receipt, BadData, InputMissing, Receipt]
    assert [row.file_name for row in list_imports(store)] == ["a.csv", "c.csv"]


def test_what_never_ends_is_refused_unread(store, pack, tmp_path):
    os.mkfifo(tmp_path / "pipe.csv")

    with pytest.raises(InputMissing, match="pipe or a device"):
        import_file(store, tmp_path / "pipe.csv", pack, OPTIONS)


def test_the_same_readings_packed_and_plain_are_stored_once(store, pack, tmp_path):
    path = trip(tmp_path / "trip.csv")
    packed = tmp_path / "trip.csv.gz"
    packed.write_bytes(gzip.compress(path.read_bytes()))
    import_file(store, path, pack, OPTIONS)

    receipt = import_file(store, packed, pack, OPTIONS)

    assert (receipt.rows_stored, receipt.rows_already_known, receipt.rows_set_aside) == (0, 60, 0)


def test_a_receipt_survives_being_stored(store, pack, tmp_path):
    path = trip(tmp_path / "trip.csv")
    path.write_text(path.read_text() + "2025-03-01 10:59:30,nonsense,,,\n")

    receipt = import_file(store, path, pack, OPTIONS)

    assert receipt_from_json(stored_receipt(store, 1)) == receipt
