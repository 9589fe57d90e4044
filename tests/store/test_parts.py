from __future__ import annotations

import numpy as np

from logbook.store import commit_import
from logbook.store.parts import runs, stored_parts
from tests.store.recordings import DAY_MS, HOUR_MS, START_MS, drawn, recording_of


def test_days_that_follow_each_other_stay_together_while_they_are_few():
    days, held = np.array([1, 2, 3, 7, 8]), np.array([10, 10, 10, 10, 10])

    assert runs(days, held, 100) == [(0, 2), (3, 4)]
    assert runs(days, held, 20) == [(0, 1), (2, 2), (3, 4)]
    assert runs(days, held, 1) == [(index, index) for index in range(5)]
    assert runs(days[:0], held[:0]) == []


def test_stored_readings_are_cut_at_midnights_and_cover_all_of_them(store, pack, rng):
    readings = drawn(rng, 24 * 10, step_ms=HOUR_MS)
    commit_import(store, pack, recording_of(readings), None)

    with store.reading() as connection:
        parts = stored_parts(connection, pack.id, START_MS + HOUR_MS, START_MS + 10 * DAY_MS, rows=50)

    assert [start % DAY_MS for start, _end in parts] == [0] * len(parts)
    assert [sum(start <= time < end for time in readings.ts_ms) for start, end in parts] == [48] * 5
