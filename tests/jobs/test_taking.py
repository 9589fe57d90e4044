"""A clock whose zone was only supposed, and that stands hours from the same readings in the logbook, is asked about."""

from __future__ import annotations

from dataclasses import replace

import numpy as np
import pytest

from logbook.errors import BadData, Unanswered
from logbook.ingest import mapping_text, parse_mapping
from logbook.jobs.import_files import import_file
from logbook.store import read_readings, undo_import
from tests.ingest.trip import lines, plain_cells, text, trip
from tests.jobs.test_import_files import OPTIONS
from tests.store.recordings import content

TRIP = trip(300)
SUPPOSED = replace(OPTIONS, time_zone=None, default_time_zone="UTC")


def export(folder, name: str, readings, *, offset_h: float = 0.0, shape: str = "%Y-%m-%d %H:%M:%S"):
    path = folder / name
    path.write_text(text(lines(readings, plain_cells(shape, offset_h=offset_h))))
    return path


def test_copies_an_hour_apart_beside_new_readings_stop_with_the_option_that_settles_it(store, pack, tmp_path):
    import_file(store, export(tmp_path, "first.csv", TRIP.take(slice(0, 200))), pack, SUPPOSED)
    path = export(tmp_path, "later.csv", TRIP, offset_h=1.0)

    with pytest.raises(Unanswered, match="200 of its 300 readings are in the logbook 1 h earlier") as caught:
        import_file(store, path, pack, SUPPOSED)

    assert "--timezone" in caught.value.mend
    assert len(read_readings(store, pack.id)) == 200


@pytest.mark.parametrize("way", ["asked", "option"])
def test_the_right_zone_settles_it(way: str, store, pack, tmp_path):
    import_file(store, export(tmp_path, "first.csv", TRIP.take(slice(0, 200))), pack, SUPPOSED)
    path = export(tmp_path, "later.csv", TRIP, offset_h=1.0)

    if way == "asked":
        receipt = import_file(store, path, pack, SUPPOSED, ask=lambda question: "+01:00")
    else:
        receipt = import_file(store, path, pack, replace(SUPPOSED, time_zone="+01:00"))

    assert (receipt.rows_stored, receipt.rows_already_known) == (100, 200)
    np.testing.assert_array_equal(read_readings(store, pack.id).ts_ms, TRIP.ts_ms)


def test_a_contradiction_carries_the_line_it_came_from(store, pack, tmp_path):
    import_file(store, export(tmp_path, "first.csv", TRIP), pack, OPTIONS)
    path = export(tmp_path, "later.csv", TRIP)
    path.write_text(path.read_text().replace(",13.0", ",12.0", 3))

    receipt = import_file(store, path, pack, OPTIONS)

    wrong = [row for row in receipt.set_aside_first if "contradicts" in row.reason]
    assert len(wrong) == 3
    for row in wrong:
        assert ",12.0" in path.read_text().split("\n")[row.line - 1]


def test_a_known_file_said_to_be_read_otherwise_stops_with_the_way(store, pack, tmp_path):
    path = export(tmp_path, "a.csv", TRIP)
    first = import_file(store, path, pack, OPTIONS)
    before = content(store)
    otherwise = replace(OPTIONS, time_zone="+02:00")

    with pytest.raises(BadData, match="read otherwise \\(time zone: UTC\\)") as caught:
        import_file(store, path, pack, otherwise)
    trial = import_file(store, path, pack, otherwise, dry_run=True)

    assert f"logbook undo {first.import_id}" in caught.value.mend
    assert content(store) == before
    assert (trial.dry_run, trial.first_ms) == (True, TRIP.ts_ms[0] - 7_200_000)
    undo_import(store, first.import_id)
    assert import_file(store, path, pack, otherwise).rows_stored == 300


def test_what_was_set_aside_comes_in_with_a_better_mapping(store, pack, tmp_path):
    path = export(tmp_path, "a.csv", TRIP)
    by_place = "[time]\ncolumns = [1]\n[columns]\nvoltage_v = 2\ncurrent_a = 3\ntemperature_c = 4\nsoc_percent = 5\n"
    poor = parse_mapping(f"[file]\nfirst_row = 150\n{by_place}")
    first = import_file(store, path, pack, replace(OPTIONS, mapping=poor))
    better = replace(OPTIONS, mapping=parse_mapping(by_place))
    assert (first.rows_stored, first.rows_set_aside) == (152, 148)

    with pytest.raises(BadData, match="read otherwise"):
        import_file(store, path, pack, better)
    undo_import(store, first.import_id)

    assert import_file(store, path, pack, better).rows_stored == 300


def test_the_mapping_saved_from_a_receipt_changes_nothing(store, pack, tmp_path):
    path = export(tmp_path, "a.csv", TRIP)
    first = import_file(store, path, pack, OPTIONS)

    again = import_file(store, path, pack, replace(OPTIONS, mapping=parse_mapping(mapping_text(first))))

    assert again.already_imported is not None
