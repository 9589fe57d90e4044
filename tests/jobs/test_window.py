from __future__ import annotations

import numpy as np
import pytest

from logbook.jobs.window import window
from logbook.store import commit_import
from tests.store.recordings import DAY_MS, HOUR_MS, MINUTE_MS, START_MS, drawn, readings_at, recording_of


def test_few_readings_are_shown_as_they_are(store, pack, rng):
    readings = drawn(rng, 100)
    commit_import(store, pack, recording_of(readings), None)

    shown = window(store, pack.id, START_MS, START_MS + HOUR_MS)

    assert shown.bucket_s == 0
    assert shown.ts_ms.tolist() == readings.ts_ms[:60].tolist()
    for bound in (shown.lowest, shown.mean, shown.highest):
        np.testing.assert_array_equal(bound["voltage_v"], readings.voltage_v[:60])


@pytest.mark.parametrize("span_ms", [DAY_MS, 10 * DAY_MS, 100 * DAY_MS, 900 * DAY_MS])
def test_no_extreme_is_lost_however_long_the_window(store, pack, rng, span_ms):
    readings = drawn(rng, 5000, step_ms=span_ms // 5000)
    readings.voltage_v[1234], readings.voltage_v[4321] = 2.5, 17.0
    readings.temperature_c[777] = -21.5
    commit_import(store, pack, recording_of(readings), None)

    shown = window(store, pack.id, START_MS, START_MS + span_ms, points=300)

    assert len(shown) <= 302
    assert np.nanmin(shown.lowest["voltage_v"]) == 2.5
    assert np.nanmax(shown.highest["voltage_v"]) == 17.0
    assert np.nanmin(shown.lowest["temperature_c"]) == -21.5
    there = np.isfinite(shown.mean["current_a"])
    assert np.all(shown.lowest["current_a"][there] <= shown.mean["current_a"][there] + 1e-9)
    assert np.all(shown.mean["current_a"][there] <= shown.highest["current_a"][there] + 1e-9)


@pytest.mark.parametrize("span_ms", [DAY_MS, 10 * DAY_MS])
def test_a_gap_breaks_the_line(store, pack, rng, span_ms):
    readings = drawn(rng, span_ms // MINUTE_MS)
    middle = (readings.ts_ms >= START_MS + span_ms // 4) & (readings.ts_ms < START_MS + span_ms // 2)
    kept = readings_at(readings.ts_ms[~middle], voltage_v=readings.voltage_v[~middle])
    commit_import(store, pack, recording_of(kept), None)

    shown = window(store, pack.id, START_MS, START_MS + span_ms, points=500)

    broken = np.flatnonzero(np.isnan(shown.mean["voltage_v"]))
    assert len(broken) == 1
    assert START_MS + span_ms // 4 - 10 * MINUTE_MS <= shown.ts_ms[broken[0]] < START_MS + span_ms // 2
    assert np.all(np.diff(shown.ts_ms) > 0)


def test_a_quantity_that_was_not_measured_is_missing_and_the_others_are_not(store, pack, rng):
    readings = drawn(rng, 3 * 24 * 60)
    readings.temperature_c[:] = np.nan
    commit_import(store, pack, recording_of(readings), None)

    shown = window(store, pack.id, START_MS, START_MS + 3 * DAY_MS)

    assert np.isnan(shown.lowest["temperature_c"]).all()
    assert np.isfinite(shown.lowest["voltage_v"]).all()


@pytest.mark.parametrize("span_ms", [HOUR_MS, 10 * DAY_MS, 900 * DAY_MS])
def test_an_empty_window_has_no_points(store, pack, span_ms):
    shown = window(store, pack.id, START_MS, START_MS + span_ms)

    assert len(shown) == 0
    assert set(shown.mean) == {"voltage_v", "current_a", "temperature_c", "soc_percent"}


def test_one_reading_is_one_point(store, pack):
    commit_import(store, pack, recording_of(readings_at([START_MS], voltage_v=13.0)), None)

    assert window(store, pack.id, START_MS, START_MS + 1).lowest["voltage_v"].tolist() == [13.0]
