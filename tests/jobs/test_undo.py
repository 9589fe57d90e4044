from __future__ import annotations

from logbook.jobs.health import health
from logbook.jobs.undo import undo
from logbook.store import commit_import, stale_ranges
from tests.store.recordings import HOUR_MS, START_MS, drawn, recording_of


def test_after_an_undo_the_answer_is_the_former_one(store, pack, rng):
    readings = drawn(rng, 24 * 60)
    commit_import(store, pack, recording_of(readings.between(START_MS, START_MS + 12 * HOUR_MS), "a.csv"), None)
    before = health(store, pack)
    commit_import(store, pack, recording_of(readings, "b.csv"), None)
    assert health(store, pack) != before

    pack_id, start_ms, end_ms = undo(store, 2)

    assert (pack_id, start_ms) == (pack.id, START_MS + 12 * HOUR_MS)
    assert end_ms > start_ms
    assert stale_ranges(store, pack.id) == []
    assert health(store, pack) == before
