"""Side tables: counters and cell voltages come back beside the readings they were exported with."""

from __future__ import annotations

import numpy as np
import pytest

from logbook.schema.status import (
    KIND_CHARGING,
    KIND_DISCHARGING,
    KIND_OVER_VOLTAGE,
    KIND_PROTECTION,
    KIND_RESTING,
    KIND_UNKNOWN,
)
from logbook.store import commit_import, stale_ranges, undo_import
from logbook.store.readings import readings_between
from logbook.store.side import with_side
from logbook.store.stale import clear
from tests.store.recordings import MINUTE_MS, START_MS, readings_at, recording_of

TIMES = [START_MS + MINUTE_MS * place for place in range(4)]


def beside(store, pack):
    with store.reading() as connection:
        return with_side(connection, pack.id, readings_between(connection, pack.id))


def brought(**side):
    return recording_of(readings_at(TIMES, voltage_v=13.2, current_a=-1.0), **side)


def test_readings_alone_have_nothing_beside_them(store, pack):
    commit_import(store, pack, brought(), None)

    found = beside(store, pack)

    assert found.counted_ah is None
    assert found.cells_v is None
    assert found.status_kind is None


@pytest.mark.parametrize(
    ("counters", "expected"),
    [
        ({"consumed_ah": [-0.0, -1.5, -3.0, np.nan]}, [0.0, -1.5, -3.0, np.nan]),
        ({"consumed_ah": [0.0, 1.5, 3.0, np.nan]}, [0.0, -1.5, -3.0, np.nan]),
        ({"remaining_ah": [90.0, 88.5, np.nan, 87.0]}, [90.0, 88.5, np.nan, 87.0]),
        ({"charged_ah": [10.0, 10.0, 11.0, 11.0], "discharged_ah": [4.0, 5.0, 5.0, 6.0]}, [6.0, 5.0, 6.0, 5.0]),
    ],
)
def test_every_way_of_counting_is_positive_into_the_pack(store, pack, counters, expected):
    commit_import(store, pack, brought(counters={name: np.array(row) for name, row in counters.items()}), None)

    assert beside(store, pack).counted_ah == pytest.approx(expected, nan_ok=True)


def test_cell_voltages_stand_in_columns(store, pack):
    cells = np.array([[3.30, 3.31], [3.29, 3.30], [np.nan, 3.30], [3.28, 3.29]])
    commit_import(store, pack, brought(cells_v=cells), None)

    assert beside(store, pack).cells_v == pytest.approx(cells, nan_ok=True)


def test_a_counter_that_comes_later_makes_findings_stale_and_so_does_taking_it_back(store, pack):
    commit_import(store, pack, brought(), None)
    later = brought(counters={"consumed_ah": np.arange(4.0)}, name="again.csv")
    with store.writing() as connection:
        clear(connection, pack.id)

    receipt = commit_import(store, pack, later, None)

    assert stale_ranges(store, pack.id) == [(TIMES[0], TIMES[-1] + 1)]
    with store.writing() as connection:
        clear(connection, pack.id)
    undo_import(store, receipt.import_id)
    assert stale_ranges(store, pack.id)
    assert beside(store, pack).counted_ah is None


def test_a_status_word_stands_until_the_next_and_no_longer_than_its_import(store, pack):
    words = np.array(["charging", "charging", None, "Over-voltage protection"], object)
    commit_import(store, pack, brought(status=words), None)
    later = [TIMES[-1] + MINUTE_MS, TIMES[-1] + 2 * MINUTE_MS]
    commit_import(store, pack, recording_of(readings_at(later, voltage_v=13.2), "later.csv"), None)

    kinds = [KIND_CHARGING, KIND_CHARGING, KIND_UNKNOWN, KIND_OVER_VOLTAGE, KIND_UNKNOWN, KIND_UNKNOWN]
    assert beside(store, pack).status_kind.tolist() == kinds


def test_a_status_word_from_before_a_window_still_stands_in_it(store, pack):
    commit_import(store, pack, brought(status=np.array(["discharging"] * 4, object)), None)

    with store.reading() as connection:
        found = with_side(connection, pack.id, readings_between(connection, pack.id, TIMES[2]))

    assert found.status_kind.tolist() == [KIND_DISCHARGING, KIND_DISCHARGING]


def test_of_two_words_at_a_moment_the_protection_is_told(store, pack):
    commit_import(store, pack, brought(status=np.array(["standby"] * 4, object)), None)
    commit_import(store, pack, brought(status=np.array(["ok", "cut-off", "ok", "ok"], object), name="b.csv"), None)

    assert beside(store, pack).status_kind.tolist() == [KIND_RESTING, KIND_PROTECTION, KIND_RESTING, KIND_RESTING]
