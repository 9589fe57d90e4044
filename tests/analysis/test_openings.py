"""Openings of the protection board, told by their fingerprints."""

from __future__ import annotations

import numpy as np
import pytest
from hypothesis import given

from logbook.analysis.digest import digest
from logbook.analysis.openings import openings, rest_voltage_cell_v
from logbook.analysis.protection import protection
from logbook.analysis.track import track
from tests.analysis.properties import PROPERTY, shifts_days
from tests.analysis.timeline import PACK, START_MS, Timeline, readings_of, with_changes


def listed(readings, pack=PACK):
    return openings(track(readings), pack)


def test_zero_volts_and_no_current_are_an_opening_not_dead_cells():
    frame = listed(Timeline(soc=0.5).flow(-5.0, 1).board_open(2, volts=0.0).rest(1).readings())

    assert len(frame) == 1
    assert frame["start_ms"].iloc[0] == START_MS + 3_600_000
    assert frame["end_ms"].iloc[0] == START_MS + 3 * 3_600_000


def test_an_opening_after_a_low_cell_is_under_voltage_and_proves_empty():
    tables = digest(Timeline(soc=0.4).run_empty(10.0).readings(), PACK)

    assert tables["openings"]["kind"].tolist() == ["under_voltage"]
    assert "empty" in tables["anchors"]["kind"].tolist()


def test_an_opening_under_a_surge_is_over_current_and_proves_nothing():
    surge = Timeline(soc=0.6).flow(-5.0, 1).flow(-160.0, 2 / 60).board_open(0.2).flow(-5.0, 1)

    tables = digest(surge.readings(), PACK)

    assert tables["openings"]["kind"].tolist() == ["over_current"]
    assert not {"empty", "knee"} & set(tables["anchors"]["kind"])


def test_an_opening_at_rest_far_from_empty_is_neither():
    frame = listed(Timeline(soc=0.6).rest(2).board_open(5).rest(1).readings())

    assert frame["kind"].iloc[0] not in ("under_voltage", "over_current")


def test_a_log_that_begins_with_the_board_open_does_not_say_why():
    tables = digest(Timeline(soc=0.3).board_open(3).readings(), PACK)

    assert tables["openings"]["kind"].tolist() == ["asleep"]
    assert "empty" not in tables["anchors"]["kind"].tolist()


def test_a_log_that_ends_with_the_board_open_has_no_end_for_it():
    frame = listed(Timeline(soc=0.3).run_empty(10.0, asleep_hours=2).readings())

    assert np.isnan(frame["end_ms"].iloc[0])
    assert frame["open_s"].iloc[0] == pytest.approx(7200)


def test_the_sensor_s_zero_is_read_while_nothing_can_flow():
    frame = listed(Timeline(soc=0.3, offset_a=0.07).run_empty(10.0).readings())

    assert frame["zero_a"].iloc[0] == pytest.approx(0.07)


def test_a_current_at_low_voltage_is_a_flat_pack_not_an_open_board():
    assert listed(readings_of([-30.0] * 10, voltage_v=7.0)).empty


@pytest.mark.parametrize("interval_s", [5.0, 60.0, 300.0])
def test_a_low_cell_is_recognised_at_every_usual_interval(interval_s):
    frame = listed(Timeline(soc=0.4, interval_s=interval_s).run_empty(10.0).readings())

    assert frame["kind"].tolist() == ["under_voltage"]


def test_the_drop_of_a_load_is_given_back():
    assert rest_voltage_cell_v(3.0, -50.0, PACK) > 3.0
    assert rest_voltage_cell_v(3.0, 0.0, PACK) == 3.0


@PROPERTY
@given(shifts_days)
def test_whole_days_later_the_openings_are_the_same(days):
    shift_ms = days * 86_400_000

    early = listed(Timeline(soc=0.2).run_empty(10.0).readings())
    late = listed(Timeline(soc=0.2, start_ms=START_MS + shift_ms).run_empty(10.0).readings())

    assert (late["start_ms"] - early["start_ms"]).tolist() == [shift_ms]
    assert late["kind"].tolist() == early["kind"].tolist()


def test_a_charger_that_comes_and_goes_at_an_open_board_is_no_new_opening():
    """Empty, then the sun lifts the terminals without a current going in, and sets again."""
    volts = np.concatenate([np.linspace(11.0, 10.2, 60), np.full(120, 1.0), np.full(60, 13.4), np.full(120, 1.0)])
    amps = np.concatenate([np.full(60, -10.0), np.zeros(300)])

    found = digest(readings_of(amps, voltage_v=volts), PACK)["openings"]

    assert found["kind"].tolist() == ["under_voltage", "asleep"]


def test_an_opening_of_days_is_one_event_and_each_day_rests_on_itself():
    volts = np.concatenate([np.linspace(11.0, 10.2, 60), np.full(4 * 1440, 1.0), np.full(60, 12.0)])
    amps = np.concatenate([np.full(60, -10.0), np.zeros(4 * 1440), np.full(60, 5.0)])
    tables = digest(readings_of(amps, voltage_v=volts), PACK)

    events = protection(tables["openings"], tables["blocked"], tables["sights"], tables["status"]).events

    assert len(tables["openings"]) == 5
    assert [(event.kind, event.end_ms - event.start_ms) for event in events] == [("under_voltage", 4 * 86_400_000)]


def test_missing_currents_before_an_opening_break_nothing():
    amps = np.append(np.full(60, np.nan), np.zeros(60))

    assert (
        len(digest(readings_of(amps, voltage_v=np.append(np.full(60, 13.2), np.full(60, 1.0))), PACK)["openings"]) == 1
    )


def test_an_opening_while_a_charge_goes_in_is_no_over_current():
    """Over-current needs current out; a high cell opens the board under a charger."""
    log = Timeline(soc=0.95).flow(20.0, 0.5).board_open(0.1).flow(-2.0, 1)

    assert "over_current" not in listed(log.readings())["kind"].tolist()


def from_inside(
    *, ends_v: float, rest_v: float, after_a: float, hours: float = 6.0, flicker_a: float = 0.0, rises_v: float = 0.8
):
    """A monitor that shows the cells whether the board is open or not: a load ends, nothing flows, something else begins."""
    count = round(hours * 60)
    volts = np.concatenate(
        [np.linspace(12.6, ends_v, 60), np.linspace(ends_v + rises_v, rest_v, count), np.full(60, 13.0)]
    )
    amps = np.concatenate([np.full(60, -8.0), flicker_a * (np.arange(count) % 5), np.full(60, after_a)])
    return readings_of(amps, voltage_v=volts)


def test_where_the_monitor_goes_on_to_show_the_cells_an_empty_one_and_no_current_are_an_opening():
    tables = digest(from_inside(ends_v=10.6, rest_v=12.1, after_a=10.0), PACK)
    opening = tables["openings"].iloc[0]

    assert tables["openings"]["kind"].tolist() == ["under_voltage"]
    assert (opening["start_ms"], opening["end_ms"]) == (START_MS + 60 * 60_000, START_MS + 7 * 3_600_000)
    assert tables["anchors"].loc[tables["anchors"]["kind"] == "empty", "edge"].tolist() == ["enter", "leave"]


@pytest.mark.parametrize(("shown_a", "zero_a"), [(0.0, np.nan), (0.08, 0.08)])
def test_a_nought_from_inside_an_open_board_is_no_measured_zero(shown_a, zero_a):
    log = from_inside(ends_v=10.6, rest_v=12.1, after_a=10.0)
    log = with_changes(log, current_a=log.current_a + shown_a)

    assert listed(log)["zero_a"].tolist() == pytest.approx([zero_a], nan_ok=True)


@pytest.mark.parametrize(
    "other",
    [
        {"ends_v": 12.3, "rest_v": 12.9},
        {"ends_v": 10.6, "rest_v": 12.1, "after_a": -6.0},
        {"ends_v": 10.6, "rest_v": 12.1, "flicker_a": 0.1},
        {"ends_v": 10.6, "rest_v": 12.1, "hours": 0.1},
        {"ends_v": 10.6, "rest_v": 10.5, "rises_v": 0.03},
    ],
    ids=["far from empty", "loads came back", "something flows", "minutes", "cells do not recover"],
)
def test_a_load_that_ends_is_no_opening_where_cells_or_currents_say_otherwise(other):
    log = from_inside(**{"after_a": 10.0, **other})

    assert listed(log).empty


def test_a_monitor_that_shows_open_terminals_that_day_needs_no_guess():
    log = from_inside(ends_v=10.6, rest_v=12.1, after_a=10.0)
    volts, amps = log.voltage_v.copy(), log.current_a.copy()
    volts[-20:], amps[-20:] = 1.0, 0.0

    found = listed(with_changes(log, voltage_v=volts, current_a=amps))

    assert found["start_ms"].tolist() == [log.ts_ms[-20]]


@PROPERTY
@given(shifts_days)
def test_an_opening_seen_from_inside_is_the_same_whole_days_later(days):
    log = from_inside(ends_v=10.6, rest_v=12.1, after_a=10.0)
    plain, later = listed(log), listed(with_changes(log, ts_ms=log.ts_ms + days * 86_400_000))

    assert later["start_ms"].to_numpy() - plain["start_ms"].to_numpy() == days * 86_400_000
    assert later["kind"].tolist() == plain["kind"].tolist()


def at_bare_terminals(amps: np.ndarray, volts: np.ndarray):
    """An hour of use, then terminals at a few volts, then use again."""
    shown = np.concatenate([np.full(60, -5.0), amps, np.full(60, -5.0)])
    return readings_of(shown, voltage_v=np.concatenate([np.full(60, 12.9), volts, np.full(60, 13.0)]))


@pytest.mark.parametrize(
    ("amps", "volts", "zero_a"),
    [
        (np.full(30, 0.08), np.full(30, 3.2), 0.08),
        (np.full(30, 0.5), np.linspace(5.0, 7.5, 30), np.nan),
        (np.linspace(0.3, 1.6, 30), np.full(30, 6.0), np.nan),
    ],
    ids=["nothing flows", "a flat pack is charged", "the sun rises"],
)
def test_a_charge_into_a_pack_that_lies_flat_is_no_measured_zero(amps, volts, zero_a):
    assert listed(at_bare_terminals(amps, volts))["zero_a"].tolist() == pytest.approx([zero_a], nan_ok=True)
