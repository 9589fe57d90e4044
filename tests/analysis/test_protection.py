"""Protection events as the answer tells them."""

from __future__ import annotations

from dataclasses import replace

import numpy as np
import pytest

from logbook.analysis.digest import digest
from logbook.analysis.protection import protection
from logbook.schema.reading import Readings
from logbook.schema.status import status_kind
from tests.analysis.timeline import PACK, START_MS, Timeline


def told(readings):
    tables = digest(readings, PACK)
    return protection(tables["openings"], tables["blocked"], tables["sights"], tables["status"])


def events_of(readings):
    return told(readings).events


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

    found = protection(tables["openings"].iloc[::-1], tables["blocked"], tables["sights"], tables["status"]).events

    assert [event.kind for event in found] == ["under_voltage", "over_current"]


def test_no_openings_are_no_events():
    assert events_of(Readings.empty()) == ()


def test_a_charge_the_board_refused_in_the_cold_is_an_event_of_its_own():
    log = Timeline(soc=0.5, temperature_c=-3.0).rest(1).flow(0.0, 2, volts=14.4).rest(1)

    assert [event.kind for event in events_of(log.readings())] == ["charge_blocked_cold"]


def with_words(readings, *words):
    """The same readings with a status word from each (minute, word) on."""
    minutes = (readings.ts_ms - START_MS) / 60_000
    kinds = np.zeros(len(readings), np.int8)
    for minute, word in words:
        kinds[minutes >= minute] = status_kind(word)
    return replace(readings, status_kind=kinds)


def one(readings):
    """Kind, source, cause and minutes from the start of the only event."""
    (event,) = events_of(readings)
    end = None if event.end_ms is None else (event.end_ms - START_MS) / 60_000
    return event.kind, event.source, event.cause, (event.start_ms - START_MS) / 60_000, end


def behind_the_sensor(amps: float, **settings):
    """An hour of current, two hours in which a board within the sensor's sight lets none through, then the current again."""
    return Timeline(**{"soc": 0.5} | settings).flow(amps, 1).rest(2).flow(amps, 1).readings()


def test_a_cut_off_behind_a_sensor_that_still_sees_the_cells_is_told_by_its_word():
    log = behind_the_sensor(-30.0)

    assert events_of(log) == ()
    assert one(with_words(log, (60, "Over-current protection"), (180, "Discharging"))) == (
        "over_current", "status_word", "over_current", 60, 180,
    )  # fmt: skip


def test_a_low_cell_is_believed_where_the_pack_s_own_voltage_allows_one():
    log = behind_the_sensor(-10.0, soc=0.16)

    assert one(with_words(log, (60, "Cell under-voltage protection"), (180, "")))[:3] == (
        "under_voltage", "status_word", "under_voltage",
    )  # fmt: skip


def test_a_low_cell_in_a_pack_far_from_empty_is_not_believed():
    found = told(with_words(behind_the_sensor(-10.0, soc=0.9), (60, "Under-voltage protection"), (180, "")))

    assert found.events == ()
    assert found.reason == (
        "The monitor's status word told of a cell too low once although the voltage speaks against it: that is not counted."
    )


def test_a_low_cell_is_believed_where_its_own_voltage_shows_it():
    log = behind_the_sensor(-10.0, soc=0.6)
    cells_v = np.column_stack([*[log.voltage_v / 4] * 3, np.full(len(log), 2.7)])

    assert one(with_words(replace(log, cells_v=cells_v), (60, "UVP"), (180, "")))[0] == "under_voltage"


@pytest.mark.parametrize("word", ["Over-current protection", "Under-voltage protection", "protection"])
def test_a_word_while_current_flows_on_cut_nothing_off(word):
    found = told(with_words(Timeline(soc=0.15).flow(-15.0, 2).readings(), (60, word)))

    assert found.events == ()
    assert "although current flowed on" in found.reason


def test_a_charge_kept_off_a_frozen_pack_is_told_by_its_word_where_the_terminals_show_nothing():
    log = Timeline(soc=0.5, temperature_c=-4.0).flow(-2.0, 3).readings()

    assert one(with_words(log, (60, "charge under-temperature protection"), (120, "discharging"))) == (
        "charge_blocked_cold", "status_word", "too_cold", 60, 120,
    )  # fmt: skip


def test_cold_in_a_warm_pack_is_not_believed():
    found = told(with_words(behind_the_sensor(5.0, temperature_c=22.0), (60, "zu kalt"), (180, "Laden")))

    assert found.events == ()
    assert "of cold once although the temperature speaks against it" in found.reason


def test_a_word_names_the_cause_of_an_opening_whose_cause_the_readings_do_not_show():
    log = Timeline(soc=0.97).flow(15.0, 0.5, volts=13.9).board_open(1).flow(-5.0, 1).readings()

    assert [event.kind for event in events_of(log)] == ["unknown"]
    assert one(with_words(log, (30, "Overcharge protection"), (90, "")))[:3] == (
        "unknown", "status_word", "over_voltage",
    )  # fmt: skip


def test_a_surge_nobody_measured_gives_way_to_a_word_and_a_measured_one_does_not():
    supposed = Timeline(soc=0.6, temperature_c=50.0).flow(-40.0, 0.1).board_open(4 / 60).flow(-5.0, 1).readings()
    measured = Timeline(soc=0.6, temperature_c=50.0).flow(-150.0, 0.1).board_open(4 / 60).flow(-5.0, 1).readings()
    words = ((6, "over-temperature protection"), (10, "discharging"))

    assert one(with_words(supposed, *words))[:3] == ("unknown", "status_word", "too_hot")
    assert one(with_words(measured, *words))[:3] == ("over_current", "readings", None)
    assert "of heat once although the readings show another cause" in told(with_words(measured, *words)).reason


def test_a_word_that_agrees_only_corroborates():
    log = Timeline(soc=0.1).run_empty(10.0, asleep_hours=2).charge_full().readings()
    opened = (events_of(log)[0].start_ms - START_MS) / 60_000

    event = events_of(with_words(log, (opened, "under voltage protection"), (opened + 120, "charging")))[0]

    assert (event.kind, event.source) == ("under_voltage", "both")
    assert len(events_of(log)) == 1


def test_a_word_never_makes_an_anchor():
    """What proves empty is the voltage; a word that says so is told and proves nothing."""
    log = behind_the_sensor(-10.0, soc=0.16)
    worded = with_words(log, (60, "Cell under-voltage protection"), (180, ""))

    assert digest(worded, PACK)["anchors"].equals(digest(log, PACK)["anchors"])


def test_a_word_that_stays_when_current_flows_again_is_the_memory_of_one_event():
    log = Timeline(soc=0.5).flow(-30.0, 1).rest(2).flow(-5.0, 50).readings()

    assert one(with_words(log, (60, "Short circuit protection")))[3:] == (60, 180)


def test_a_protection_over_midnight_and_a_pause_is_one_event():
    log = Timeline(soc=0.5).flow(-2.0, 20).rest(10).pause(3).rest(5).flow(-5.0, 1).readings()

    assert one(with_words(log, (20 * 60, "Short circuit protection"), (38 * 60, "discharging")))[3:] == (1200, 38 * 60)


def test_a_log_that_ends_within_a_protection_does_not_know_its_end():
    log = Timeline(soc=0.5).flow(-30.0, 1).rest(2).readings()

    assert one(with_words(log, (60, "Short circuit protection")))[4] is None


def test_a_protection_without_a_cause_needs_a_current_that_stopped_with_it():
    quiet = Timeline(soc=0.5).rest(3).readings()

    assert events_of(with_words(quiet, (60, "disconnected"), (120, ""))) == ()
    assert one(with_words(behind_the_sensor(-20.0), (60, "disconnected"), (180, "")))[:3] == (
        "unknown", "status_word", None,
    )  # fmt: skip


@pytest.mark.parametrize("word", ["charging", "discharging", "idle", "low voltage alarm", "fault"])
def test_other_words_change_nothing(word):
    log = behind_the_sensor(-20.0)

    assert told(with_words(log, (60, word))) == told(log)
