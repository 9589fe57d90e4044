"""A clock whose zone was only supposed, and that stands hours from the same readings in the logbook, is asked about."""

from __future__ import annotations

from dataclasses import replace

import numpy as np
import pytest

from logbook.errors import Unanswered
from logbook.jobs.import_files import import_file
from logbook.store import read_readings
from tests.ingest.trip import lines, plain_cells, text, trip
from tests.jobs.test_import_files import OPTIONS

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
