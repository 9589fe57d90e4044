"""A coarser copy leaves the record for finer readings and comes back with all that belongs to it."""

from __future__ import annotations

from dataclasses import replace

import numpy as np

from logbook.store import commit_import, read_readings, undo_import
from tests.store.recordings import MINUTE_MS, START_MS, content, drawn, recording_of

COARSE = drawn(np.random.default_rng(1), 12, step_ms=5 * MINUTE_MS)
FINE = drawn(np.random.default_rng(2), 600, start_ms=START_MS + 7_000, step_ms=5_000)
COVERED = COARSE.ts_ms[1:10]


def finer(readings, name: str):
    return replace(recording_of(readings, name), replaces=COVERED)


def test_what_is_replaced_leaves_and_comes_back(store, pack):
    commit_import(store, pack, recording_of(COARSE, "coarse.csv"), None)
    before = content(store, without=("stale",))

    receipt = commit_import(store, pack, finer(FINE, "fine.csv"), None)

    times = read_readings(store, pack.id).ts_ms
    assert not np.isin(COVERED, times).any()
    assert len(times) == len(FINE) + len(COARSE) - len(COVERED)
    undo_import(store, receipt.import_id)
    assert content(store, without=("stale",)) == before


def test_one_that_stands_at_the_same_instant_comes_back_too(store, pack):
    commit_import(store, pack, recording_of(COARSE, "coarse.csv"), None)
    before = content(store, without=("stale",))
    same = drawn(np.random.default_rng(4), 700, step_ms=5_000)

    receipt = commit_import(store, pack, finer(same, "same.csv"), None)

    assert receipt.rows_set_aside == 3  # the coarse ones outside of what was said to be replaced contradict
    undo_import(store, receipt.import_id)
    assert content(store, without=("stale",)) == before


def test_what_was_replaced_does_not_come_back_with_another_import_of_its_instants(store, pack):
    commit_import(store, pack, recording_of(COARSE, "coarse.csv"), None)
    commit_import(store, pack, finer(FINE, "fine.csv"), None)
    before = content(store, without=("stale",))

    again = commit_import(store, pack, recording_of(COARSE, "again.csv"), None)
    undo_import(store, again.import_id)

    assert content(store, without=("stale",)) == before
