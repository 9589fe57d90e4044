from __future__ import annotations

import numpy as np
import pandas as pd
import pytest
from hypothesis import HealthCheck, given, settings
from hypothesis import strategies as st

from logbook.store import add_pack, commit_import, read_readings, read_rollup, undo_import
from logbook.store.models import ROLLUP_LEVELS_S
from tests.store.recordings import DAY_MS, START_MS, drawn, readings_at, recording_of

QUANTITIES = ("voltage_v", "current_a", "temperature_c", "soc_percent")
FAR_MS = START_MS + 40 * DAY_MS


def recomputed(store, pack_id: int, level_s: int) -> pd.DataFrame:
    """The rollup as pandas groups the readings themselves."""
    readings = read_readings(store, pack_id)
    frame = pd.DataFrame({name: getattr(readings, name) for name in QUANTITIES})
    groups = frame.groupby(pd.Index(readings.ts_ms // (level_s * 1000) * level_s * 1000, name="bucket_ms"))
    result = groups.size().rename("n").to_frame()
    for name in QUANTITIES:
        column = groups[name]
        result[f"{name}_n"], result[f"{name}_min"] = column.count(), column.min()
        result[f"{name}_max"], result[f"{name}_sum"] = column.max(), column.sum(min_count=1)
    return result.reset_index()


def assert_rollups_are_right(store, pack_id: int) -> None:
    for level_s in ROLLUP_LEVELS_S:
        kept = read_rollup(store, pack_id, level_s, 0, FAR_MS)
        pd.testing.assert_frame_equal(kept, recomputed(store, pack_id, level_s), check_dtype=False, atol=1e-9)


def test_rollups_equal_a_recomputation(store, pack, rng):
    readings = drawn(rng, 4000, step_ms=7000)
    readings.temperature_c[:500] = np.nan  # a sensor that was not there at first

    commit_import(store, pack, recording_of(readings), None)

    assert_rollups_are_right(store, pack.id)


pieces = st.tuples(st.integers(0, 3 * 86_400), st.integers(1, 400), st.sampled_from([1, 13, 60, 700]))
"""Start in seconds, count, and step in seconds."""


@settings(max_examples=40, deadline=None, suppress_health_check=[HealthCheck.function_scoped_fixture])
@given(files=st.lists(pieces, min_size=1, max_size=4), undone=st.integers(0, 3))
def test_rollups_stay_right_whatever_is_imported_and_taken_back(new_store, files, undone):
    """Files overlap, contradict and complete each other here."""
    store, rng = new_store(), np.random.default_rng(3)
    pack = add_pack(store, name="House", rated_ah=100, cells_in_series=4)

    for number, (start_s, count, step_s) in enumerate(files):
        readings = drawn(rng, count, start_ms=START_MS + start_s * 1000, step_ms=step_s * 1000)
        getattr(readings, QUANTITIES[number])[:] = np.nan
        commit_import(store, pack, recording_of(readings, f"{number}.csv"), None)
    if undone < len(files):
        undo_import(store, undone + 1)

    assert_rollups_are_right(store, pack.id)
    store.close()


def test_only_buckets_that_begin_in_the_range_are_given(store, pack):
    commit_import(store, pack, recording_of(readings_at(START_MS + 60_000 * np.arange(5), voltage_v=13.0)), None)

    frame = read_rollup(store, pack.id, 60, START_MS + 60_000, START_MS + 180_000)

    assert frame["bucket_ms"].tolist() == [START_MS + 60_000, START_MS + 120_000]


@pytest.mark.parametrize("level_s", ROLLUP_LEVELS_S)
def test_an_empty_logbook_has_empty_rollups(store, pack, level_s):
    frame = read_rollup(store, pack.id, level_s, 0, FAR_MS)

    assert frame.empty
    assert {"bucket_ms", "n", "voltage_v_min", "soc_percent_sum"} <= set(frame.columns)
