from __future__ import annotations

from logbook.store import clear_stale, stale, stale_ranges


def test_ranges_that_touch_or_overlap_are_joined():
    assert stale.joined([(5, 7), (0, 2), (2, 3), (6, 9)]) == [(0, 3), (5, 9)]
    assert stale.joined([(0, 10), (2, 3)]) == [(0, 10)]
    assert stale.joined([]) == []


def test_marks_add_up_until_they_are_cleared(store, pack):
    with store.writing() as connection:
        stale.mark(connection, pack.id, [(0, 5)])
        stale.mark(connection, pack.id, [(5, 9)], whole_days=True)
        first = stale.revision(connection, pack.id)[0]

    assert stale_ranges(store, pack.id) == [(0, 9)]
    clear_stale(store, pack.id)
    assert stale_ranges(store, pack.id) == []
    with store.reading() as connection:
        assert stale.revision(connection, pack.id)[0] > first
