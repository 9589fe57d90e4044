"""Runs: consecutive samples that share a property."""

from __future__ import annotations

import numpy as np
from hypothesis import given
from hypothesis import strategies as st

from logbook.analysis.runs import joined, runs
from tests.analysis.properties import PROPERTY

masks = st.lists(st.tuples(st.booleans(), st.booleans()), max_size=40)


def arrays(pairs):
    return np.array([pair[0] for pair in pairs], bool), np.array([pair[1] for pair in pairs], bool)


def test_a_run_ends_where_the_property_ends():
    mask = np.array([1, 1, 0, 1, 0, 0, 1, 1, 1], bool)

    assert list(runs(mask, np.zeros(9, bool))) == [(0, 1), (3, 3), (6, 8)]


def test_a_run_ends_at_a_gap():
    gap_after = np.array([0, 1, 0, 0], bool)

    assert list(runs(np.ones(4, bool), gap_after)) == [(0, 1), (2, 3)]


def test_near_runs_join_unless_the_log_paused_between_them():
    ts_ms = np.arange(9) * 60_000
    pieces = [(0, 1), (4, 5), (7, 8)]
    gap_after = np.zeros(9, bool)
    gap_after[6] = True

    assert joined(iter(pieces), ts_ms, gap_after, 180.0) == [(0, 5), (7, 8)]
    assert joined(iter(pieces), ts_ms, gap_after, 120.0) == pieces


@PROPERTY
@given(masks)
def test_runs_hold_every_true_sample_once_and_no_other(pairs):
    mask, gap_after = arrays(pairs)

    held = [place for first, last in runs(mask, gap_after) for place in range(first, last + 1)]

    assert held == np.flatnonzero(mask).tolist()


@PROPERTY
@given(masks)
def test_no_run_reaches_over_a_gap(pairs):
    mask, gap_after = arrays(pairs)

    assert not any(gap_after[first:last].any() for first, last in runs(mask, gap_after))
