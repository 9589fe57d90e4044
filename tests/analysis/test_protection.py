"""Protection events as the answer tells them."""

from __future__ import annotations

from logbook.analysis.digest import digest
from logbook.analysis.protection import protection
from logbook.schema.reading import Readings
from tests.analysis.timeline import PACK, START_MS, Timeline


def test_every_opening_is_an_event_with_its_end():
    log = Timeline(soc=0.6).flow(-150.0, 3 / 60).board_open(0.5).flow(-5.0, 1)

    events = protection(digest(log.readings(), PACK)["openings"]).events

    assert [event.kind for event in events] == ["over_current"]
    assert events[0].start_ms == START_MS + 3 * 60_000
    assert events[0].end_ms == START_MS + 33 * 60_000


def test_an_opening_the_log_does_not_see_the_end_of_has_none():
    log = Timeline(soc=0.1).run_empty(10.0)

    events = protection(digest(log.readings(), PACK)["openings"]).events

    assert events[0].end_ms is None


def test_events_stand_in_order_of_time():
    log = Timeline(soc=0.2).run_empty(10.0).charge_full().flow(-150.0, 3 / 60).board_open(0.5).rest(1)
    openings = digest(log.readings(), PACK)["openings"].iloc[::-1]

    events = protection(openings).events

    assert [event.kind for event in events] == ["under_voltage", "over_current"]


def test_no_openings_are_no_events():
    assert protection(digest(Readings.empty(), PACK)["openings"]).events == ()
