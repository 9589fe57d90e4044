"""Resets: jumps of the reported percentage to 100, and which of them were false."""

from __future__ import annotations

import numpy as np
import pytest
from hypothesis import given
from hypothesis import strategies as st

from logbook.analysis.answer import answer
from logbook.analysis.digest import digest
from logbook.analysis.resets import false_ones, resets
from logbook.analysis.track import track
from tests.analysis.properties import PROPERTY
from tests.analysis.timeline import PACK, START_MS, Timeline, readings_of, with_changes


def listed(readings):
    return resets(track(readings), PACK)


def thin_sun():
    """A trickle lifts a half-empty pack to 13.5 V; the monitor takes that for full after three hours."""
    readings = Timeline(soc=0.55).flow(1.5, 6).readings()
    reported = readings.soc_percent.copy()
    reported[180:] = 100.0
    return with_changes(readings, voltage_v=13.5, soc_percent=reported)


def test_a_reset_under_thin_sun_is_false_and_told_with_its_time():
    frame = false_ones(listed(thin_sun()))

    assert frame["start_ms"].tolist() == [START_MS + 3 * 3_600_000]
    assert frame["from_percent"].iloc[0] == pytest.approx(59.5, abs=0.2)


def test_a_false_reset_reaches_the_answer():
    told = answer(digest(thin_sun(), PACK), PACK).monitor.false_fulls

    assert [entry.time_ms for entry in told] == [START_MS + 3 * 3_600_000]
    assert told[0].voltage_v == 13.5


def test_a_reset_at_a_real_full_charge_is_not_false():
    log = Timeline(soc=0.6, capacity_ah=80.0).charge_full(held_hours=0.2)
    log.reported = 85.0
    log.flow(0.2, 0.2, volts=14.4)
    log.reported = 100.0
    log.flow(0.2, 0.2, volts=14.4)

    frame = listed(log.readings())

    assert len(frame) >= 1
    assert false_ones(frame).empty


def test_a_percentage_that_climbs_to_a_hundred_by_counting_is_no_reset():
    assert listed(Timeline(soc=0.7).charge_full().readings()).empty


def test_a_jump_across_a_pause_of_the_log_is_not_judged():
    readings = Timeline(soc=0.5).rest(1).pause(9, amps=5.0).rest(1).readings()
    reported = np.where(np.arange(len(readings)) < 60, 50.0, 100.0)

    assert listed(with_changes(readings, soc_percent=reported)).empty


def test_without_a_percentage_there_is_nothing_to_reset():
    assert listed(with_changes(thin_sun(), soc_percent=np.nan)).empty


@PROPERTY
@given(st.lists(st.floats(0.0, 98.0), min_size=2, max_size=40))
def test_a_percentage_that_never_reaches_full_is_never_reset(percent):
    assert listed(readings_of(np.zeros(len(percent)), soc_percent=percent)).empty


def test_a_reset_at_a_voltage_that_is_the_charger_s_is_false():
    """The board keeps its cells off: 14.4 V, no current, and the monitor believes in a full pack."""
    readings = Timeline(soc=0.4, temperature_c=-4.0).flow(-1.0, 2).flow(0.0, 2, volts=14.4).readings()
    reported = readings.soc_percent.copy()
    reported[125:] = 100.0

    assert len(false_ones(listed(with_changes(readings, soc_percent=reported)))) == 1


def test_what_flows_in_a_quarter_of_an_hour_is_no_reset():
    """30 A for 15 min are 7.5 % of 100 Ah."""
    percent = np.array([77.5, 85.0, 92.5, 100.0, 100.0])

    assert listed(readings_of([30.0] * 5, interval_s=900.0, voltage_v=13.5, soc_percent=percent)).empty
