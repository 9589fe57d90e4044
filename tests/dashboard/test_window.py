"""The window of the readings page: how it moves, and that it never leaves the log."""

from __future__ import annotations

import pytest
from hypothesis import given
from hypothesis import strategies as st

from logbook.dashboard.pages.readings import from_wall, jumped
from logbook.dashboard.window import LENGTHS_MS, ROOM_MS, SHORTEST_MS, Moved, moved, start_window, window_query
from logbook.units import MS_PER_DAY, MS_PER_HOUR
from tests.dashboard.samples import ms

FIRST, LAST = ms("2025-01-02T08:00"), ms("2026-09-30T18:30")
NOW = Moved(ms("2026-02-01T00:00"), ms("2026-02-08T00:00"), FIRST, LAST)


@pytest.mark.parametrize("way", LENGTHS_MS)
def test_a_length_is_taken_around_the_middle(way):
    then = moved(NOW, way)

    assert then.end - then.start == LENGTHS_MS[way]


def test_all_is_all_of_the_log():
    then = moved(NOW, "all")

    assert (then.start, then.end) == (FIRST, LAST + 1)


def test_earlier_and_later_keep_a_part_in_view():
    earlier, later = moved(NOW, "earlier"), moved(NOW, "later")

    assert earlier.start < NOW.start < earlier.end
    assert later.start < NOW.end < later.end


def test_what_nobody_asked_for_moves_nothing():
    assert moved(NOW, "graph") is None
    assert moved(NOW, "show", (NOW.end, NOW.start)) is None


@given(
    start=st.integers(-(10**15), 10**15),
    length=st.integers(1, 10**15),
    way=st.sampled_from(["earlier", "wider", "closer", "all", "year"]),
)
def test_a_window_never_leaves_the_log_by_more_than_a_day(start, length, way):
    """Whatever an address or a chart asks for."""
    first = NOW.within(start, start + length)
    for window in (first, moved(first, way)):
        assert window.end - window.start >= SHORTEST_MS
        assert window.start >= FIRST - ROOM_MS - 1
        assert window.end <= LAST + ROOM_MS + 1


def test_an_address_names_a_window_and_nonsense_means_the_last_week():
    query = dict(pair.split("=") for pair in window_query(NOW.start, NOW.end).lstrip("?").split("&"))

    assert start_window(query, FIRST, LAST) == (NOW.start, NOW.end)
    for nonsense in (
        {},
        {"from": "x", "to": "y"},
        {"from": "2026-02-01", "to": "2026-02-08"},
        {"from": query["to"], "to": query["from"]},
    ):
        assert start_window(nonsense, FIRST, LAST) == (LAST - 7 * MS_PER_DAY, LAST + 1)


def test_a_jump_leaves_room_around_an_event():
    assert jumped(f"{NOW.start}-{NOW.start + 1000}-4") == (
        NOW.start - 2 * MS_PER_HOUR,
        NOW.start + 1000 + 2 * MS_PER_HOUR,
    )
    assert jumped("x") is None


def test_the_hour_that_comes_twice_is_taken_whole():
    """Europe/Berlin set its clocks back on 25 Oct 2026 at 01:00 UTC."""
    start, end = from_wall("2026-10-25 02:00", "2026-10-25 03:00", "Europe/Berlin")

    assert (start, end) == (ms("2026-10-25T00:00"), ms("2026-10-25T02:00"))
