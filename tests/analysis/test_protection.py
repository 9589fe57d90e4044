"""Protection events as the answer tells them."""

from __future__ import annotations

from logbook.analysis.digest import digest
from logbook.analysis.protection import protection
from logbook.schema.reading import Readings
from tests.analysis.timeline import PACK, START_MS, Timeline


def events_of(readings):
    tables = digest(readings, PACK)
    return protection(tables["openings"], tables["blocked"], tables["sights"]).events


def test_every_opening_is_an_event_with_its_end():
    log = Timeline(soc=0.6).flow(-150.0, 3 / 60).board_open(0.5).flow(-5.0, 1)

    found = events_of(log.readings())

    assert [event.kind for event in found] == ["over_current"]
    assert found[0].start_ms == START_MS + 3 * 60_000
    assert found[0].end_ms == START_MS + 33 * 60_000


def test_an_opening_the_log_does_not_see_the_end_of_has_none():
    log = Timeline(soc=0.1).run_empty(10.0)

    found = events_of(log.readings())

    assert found[0].end_ms is None


def test_events_stand_in_order_of_time():
    log = Timeline(soc=0.2).run_empty(10.0).charge_full().flow(-150.0, 3 / 60).board_open(0.5).rest(1)
    tables = digest(log.readings(), PACK)

    found = protection(tables["openings"].iloc[::-1], tables["blocked"], tables["sights"]).events

    assert [event.kind for event in found] == ["under_voltage", "over_current"]


def test_no_openings_are_no_events():
    assert events_of(Readings.empty()) == ()


def test_a_charge_the_board_refused_in_the_cold_is_an_event_of_its_own():
    log = Timeline(soc=0.5, temperature_c=-3.0).rest(1).flow(0.0, 2, volts=14.4).rest(1)

    assert [event.kind for event in events_of(log.readings())] == ["charge_blocked_cold"]
