from __future__ import annotations

from dataclasses import dataclass, field

import numpy as np
import pandas as pd
import pytest
from hypothesis import HealthCheck, given, settings
from hypothesis import strategies as st

from logbook.jobs.refresh import METHOD, Method, rebuild, refresh, widened
from logbook.store import (
    add_pack,
    commit_import,
    edit_pack,
    read_findings,
    read_readings,
    stale_ranges,
    undo_import,
)
from tests.store.recordings import DAY_MS, HOUR_MS, MINUTE_MS, START_MS, drawn, readings_at, recording_of

MARGIN_MS = DAY_MS


@dataclass
class Stub:
    """A digest whose every row depends on readings up to the margin away on both sides, and that notes its work."""

    seen: list[tuple[int, int, int]] = field(default_factory=list)

    def __call__(self, readings, _pack) -> dict[str, pd.DataFrame]:
        times = readings.ts_ms
        self.seen.append((len(times), int(times[0]) if len(times) else 0, int(times[-1]) if len(times) else 0))
        hours = np.unique(times // HOUR_MS) * HOUR_MS
        around = [readings.between(start - MARGIN_MS, start + MARGIN_MS) for start in hours]
        table = pd.DataFrame({"start_ms": hours, "readings": [float(len(part)) for part in around]})
        sums = pd.DataFrame({"start_ms": hours, "sum_v": [float(np.nansum(part.voltage_v)) for part in around]})
        made = {"hours": table, "sums": sums[sums["sum_v"] > 0]}
        return {kind: frame for kind, frame in made.items() if kind == "hours" or len(frame)}


def method(**changes) -> Method:
    return Method(**{"digest": Stub(), "margin_ms": MARGIN_MS, "version": 1, "piece_rows": 60, **changes})


def assert_equal_tables(found, expected) -> None:
    assert set(found) == set(expected)
    for kind, frame in expected.items():
        pd.testing.assert_frame_equal(found[kind], frame, check_dtype=False)


files = st.tuples(st.integers(0, 20 * 24), st.integers(1, 60), st.sampled_from([30, 60, 240]))
"""Start in hours, count, and step in minutes."""


@settings(max_examples=60, deadline=None, suppress_health_check=[HealthCheck.function_scoped_fixture])
@given(imports=st.lists(files, min_size=1, max_size=4), undone=st.lists(st.integers(1, 4), max_size=2, unique=True))
def test_after_any_imports_and_undoings_the_findings_are_those_of_a_rebuild(new_store, imports, undone):
    store, rng, step = new_store(), np.random.default_rng(11), method()
    pack = add_pack(store, name="House", rated_ah=100, cells_in_series=4)

    for number, (start_h, count, step_min) in enumerate(imports):
        readings = drawn(rng, count, start_ms=START_MS + start_h * HOUR_MS, step_ms=step_min * MINUTE_MS)
        commit_import(store, pack, recording_of(readings, f"{number}.csv"), None)
        refresh(store, pack, method=step)
    for number in undone:
        if number <= len(imports):
            undo_import(store, number)
            refresh(store, pack, method=step)

    found = read_findings(store, pack.id)
    whole = Stub()(read_readings(store, pack.id), pack)
    rebuild(store, pack, method=step)
    assert_equal_tables(found, read_findings(store, pack.id))
    for kind, frame in whole.items():
        columns = list(frame.columns)
        expected = frame.reset_index(drop=True)
        pd.testing.assert_frame_equal(found[kind][columns], expected, check_dtype=False)
    store.close()


def test_the_real_digest_in_weekly_files_gives_what_one_pass_gives(new_store, travelled):
    """Six simulated weeks with use, rests and full charges, in files that overlap by a day."""
    readings = travelled.readings
    whole, weekly = new_store(), new_store()
    packs = [add_pack(store, name="House", rated_ah=100, cells_in_series=4) for store in (whole, weekly)]

    commit_import(whole, packs[0], recording_of(readings, "all.csv"), None)
    refresh(whole, packs[0])
    for week in (3, 0, 5, 1, 4, 2):
        start = int(readings.ts_ms[0]) + week * 7 * DAY_MS
        commit_import(weekly, packs[1], recording_of(readings.between(start, start + 8 * DAY_MS), f"{week}.csv"), None)
        refresh(weekly, packs[1])

    assert len(read_findings(whole, packs[0].id)["hours"]) > 500
    assert_close(read_findings(weekly, packs[1].id), read_findings(whole, packs[0].id))


def assert_close(found, expected) -> None:
    """Equal but for the last digits: sums that begin elsewhere round differently."""
    assert set(found) == set(expected)
    for kind, frame in expected.items():
        pd.testing.assert_frame_equal(found[kind], frame, check_dtype=False, rtol=1e-6, atol=1e-6, obj=kind)


def test_only_what_an_import_touched_is_read_again(store, pack, rng):
    step = method(piece_rows=10**9)
    commit_import(store, pack, recording_of(drawn(rng, 60 * 24, step_ms=HOUR_MS), "old.csv"), None)
    refresh(store, pack, method=step)
    step.digest.seen.clear()
    touched = START_MS + 30 * DAY_MS + 7 * MINUTE_MS
    commit_import(store, pack, recording_of(readings_at([touched], voltage_v=13.0), "new.csv"), None)

    refresh(store, pack, method=step)

    ((count, first, last),) = step.digest.seen
    assert first >= START_MS + 28 * DAY_MS  # its day, the day before for the margin, and that day's margin
    assert last < START_MS + 33 * DAY_MS
    assert count <= 5 * 24 + 1


def test_nothing_out_of_date_means_nothing_read(store, pack, rng):
    step = method()
    commit_import(store, pack, recording_of(drawn(rng, 50, step_ms=HOUR_MS)), None)
    refresh(store, pack, method=step)
    step.digest.seen.clear()

    refresh(store, pack, method=step)

    assert step.digest.seen == []
    assert stale_ranges(store, pack.id) == []


def test_a_broken_off_refresh_goes_on_where_it_stopped(store, pack, rng):
    step = method(piece_rows=48)
    commit_import(store, pack, recording_of(drawn(rng, 240, step_ms=HOUR_MS)), None)

    def interrupted(readings, pack):
        if len(step.digest.seen) == 2:
            raise KeyboardInterrupt
        return step.digest(readings, pack)

    with pytest.raises(KeyboardInterrupt):
        refresh(store, pack, method=method(digest=interrupted, piece_rows=48))
    (left,) = stale_ranges(store, pack.id)
    refresh(store, pack, method=step)

    assert left[0] > START_MS
    assert_equal_to_one_pass(store, pack)


def assert_equal_to_one_pass(store, pack) -> None:
    expected = Stub()(read_readings(store, pack.id), pack)
    found = read_findings(store, pack.id)
    pd.testing.assert_frame_equal(found["sums"], expected["sums"].reset_index(drop=True), check_dtype=False)


@pytest.mark.parametrize("times", [1, 2, 10])
def test_an_import_during_a_refresh_is_not_lost(store, pack, rng, times):
    """However often another import comes in between, none of its readings is left out of the findings."""
    readings = drawn(rng, 100, step_ms=HOUR_MS)
    stub, arrivals = Stub(), []

    def disturbed(part, pack):
        result = stub(part, pack)
        if len(arrivals) < min(times, 3):  # later it would wait for the lock this refresh then holds
            arrivals.append(1)
            late = readings_at([START_MS + HOUR_MS * len(arrivals) + 1], voltage_v=12.5)
            commit_import(store, pack, recording_of(late, f"late-{len(arrivals)}.csv"), None)
        return result

    commit_import(store, pack, recording_of(readings), None)
    refresh(store, pack, method=method(digest=disturbed, piece_rows=10**9))

    assert stale_ranges(store, pack.id) == []
    assert_equal_to_one_pass(store, pack)


def test_a_new_version_of_the_digest_makes_everything_again(store, pack, rng):
    commit_import(store, pack, recording_of(drawn(rng, 100, step_ms=HOUR_MS)), None)
    refresh(store, pack, method=method())
    newer = method(version=2)

    refresh(store, pack, method=newer)
    times_seen = len(newer.digest.seen)
    refresh(store, pack, method=newer)

    assert times_seen > 0
    assert len(newer.digest.seen) == times_seen
    assert_equal_to_one_pass(store, pack)


def test_a_new_rating_makes_everything_again_and_a_new_name_nothing(store, pack, rng):
    step = method()
    commit_import(store, pack, recording_of(drawn(rng, 30, step_ms=HOUR_MS)), None)
    refresh(store, pack, method=step)

    edit_pack(store, "House", name="Old house")
    unchanged = stale_ranges(store, pack.id)
    edit_pack(store, "Old house", rated_ah=120.0)

    assert unchanged == []
    assert stale_ranges(store, pack.id) == [(START_MS, START_MS + 29 * HOUR_MS + 1)]


def test_findings_go_when_their_readings_do(store, pack, rng):
    commit_import(store, pack, recording_of(drawn(rng, 100, step_ms=HOUR_MS)), None)
    refresh(store, pack, method=method())

    undo_import(store, 1)
    refresh(store, pack, method=method())

    assert all(frame.empty for frame in read_findings(store, pack.id).values())


def test_progress_rises_to_the_whole(store, pack, rng):
    commit_import(store, pack, recording_of(drawn(rng, 240, step_ms=HOUR_MS)), None)
    shares = []

    refresh(store, pack, shares.append, method=method(piece_rows=48))

    assert shares == sorted(shares)
    assert shares[-1] == 1.0
    assert len(shares) > 3


def test_ranges_are_widened_to_midnights_utc():
    assert widened(START_MS + 1, START_MS + 2) == (START_MS, START_MS + DAY_MS)
    assert widened(START_MS, START_MS + DAY_MS) == (START_MS, START_MS + DAY_MS)
    assert widened(START_MS, START_MS + 1, HOUR_MS) == (START_MS - DAY_MS, START_MS + DAY_MS)


def test_the_method_is_the_analysis_digest():
    assert METHOD.margin_ms % DAY_MS == 0
    assert METHOD.digest.__module__ == "logbook.analysis.digest"
