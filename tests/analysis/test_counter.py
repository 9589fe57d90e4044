"""Counter: the monitor's own count, where it counts freely."""

from __future__ import annotations

import numpy as np
import pytest
from hypothesis import given
from hypothesis import strategies as st

from logbook.analysis.counter import SHORTEST_S, counter
from logbook.analysis.track import track
from tests.analysis.properties import PROPERTY
from tests.analysis.timeline import PACK, Timeline, with_changes


def stretches(readings):
    return counter(track(readings), PACK)


def test_a_long_discharge_counts_freely_all_the_way():
    """Quarter by quarter of the day, each from the step at which the last one ended."""
    frame = stretches(Timeline(soc=0.9).flow(-5.0, 16).readings())

    assert len(frame) == 3
    assert (frame["start_ms"].to_numpy()[1:] == frame["end_ms"].to_numpy()[:-1]).all()
    assert frame["soc_change_percent"].sum() == pytest.approx(-80.0, abs=0.2)
    assert frame["discharge_ah"].sum() == pytest.approx(80.0, abs=0.2)


def test_a_counter_at_its_stop_is_not_counting():
    assert stretches(Timeline(soc=1.0).rest(12).readings()).empty


def test_a_jump_to_a_hundred_percent_ends_a_stretch():
    readings = Timeline(soc=0.6).flow(-2.0, 8).readings()
    reported = readings.soc_percent.copy()
    reported[len(reported) // 2 :] += 30.0

    frame = stretches(with_changes(readings, soc_percent=reported))

    assert len(frame) == 3
    assert frame["soc_change_percent"].abs().max() < 10
    assert frame["soc_change_percent"].sum() == pytest.approx(-16.0, abs=0.3)


def test_short_stretches_are_left_out():
    assert stretches(Timeline(soc=0.6).flow(-5.0, SHORTEST_S / 3600 - 0.5).readings()).empty


def test_without_a_reported_percentage_there_is_nothing():
    assert stretches(with_changes(Timeline(soc=0.6).flow(-5.0, 8).readings(), soc_percent=np.nan)).empty


def test_a_percentage_in_whole_points_is_known_for_that():
    readings = Timeline(soc=0.9).flow(-5.0, 8).readings()

    frame = stretches(with_changes(readings, soc_percent=np.round(readings.soc_percent)))

    assert frame["resolution_percent"].iloc[0] == 1.0


@pytest.mark.parametrize("late_rows", [0, 1, 2])
def test_a_percentage_that_is_shown_a_minute_or_two_late_counts_the_same(late_rows):
    """A night's draw that ends in a morning's charge at 30 A, half an ampere-hour a minute."""
    readings = Timeline(soc=0.9).flow(-4.0, 9).flow(2.0, 3).flow(30.0, 0.4).readings()
    soc = np.round(readings.soc_percent)
    shown = np.concatenate([np.full(late_rows, soc[0]), soc[: len(soc) - late_rows]])

    frame = stretches(with_changes(readings, soc_percent=shown))

    missed_ah = frame["soc_change_percent"] / 100 * PACK.rated_ah - (frame["charge_ah"] - frame["discharge_ah"])
    assert len(frame)
    assert missed_ah.abs().max() < 0.3


@PROPERTY
@given(st.floats(60.0, 160.0))
def test_change_over_charge_gives_back_the_typed_in_capacity_whatever_the_truth(typed_ah):
    """Why it is no evidence: a pack of 80 Ah shows the typed-in figure all the same."""
    log = Timeline(soc=0.9, capacity_ah=80.0, typed_ah=typed_ah).flow(-4.0, 10)

    frame = stretches(log.readings(decimals=6))

    implied_ah = frame["discharge_ah"] / -frame["soc_change_percent"] * 100
    assert implied_ah.iloc[0] == pytest.approx(typed_ah, rel=0.001)


def test_a_kettle_between_two_readings_is_counted_and_no_jump():
    """Four minutes at 80 A that no reading shows: more than 5 % between two that are five minutes apart."""
    fine = Timeline(soc=0.9, interval_s=60.0)
    for _ in range(10):
        fine.flow(-4.0, 1.0).flow(np.array([-84.0, -84.0, -84.0, -84.0, -4.0]), 5 / 60)
    readings = fine.readings()
    log = readings.taken(slice(4, None, 5))

    frame = stretches(log)

    assert frame["soc_change_percent"].sum() == pytest.approx(-87.0, abs=2.0)
    assert frame["discharge_ah"].sum() < 45.0
