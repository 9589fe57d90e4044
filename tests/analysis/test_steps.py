"""Steps: pairs of near samples between which a load came or went."""

from __future__ import annotations

import numpy as np
import pytest
from hypothesis import given

from logbook.analysis.steps import LONGEST_S, MOST_A_DAY, steps
from logbook.analysis.track import track
from tests.analysis.properties import PROPERTY, shifts_days
from tests.analysis.timeline import PACK, START_MS, readings_of

KETTLE = np.tile([-1.0] * 30 + [-61.0] * 30, 4)


def listed(current, **settings):
    return steps(track(readings_of(current, **settings)), PACK)


def test_each_switching_of_a_big_load_is_a_step():
    frame = listed(KETTLE, interval_s=1.0, voltage_v=13.2 + KETTLE * 0.005)

    assert len(frame) == 7
    np.testing.assert_allclose(np.abs(frame["step_a"]), 60.0)
    np.testing.assert_allclose(frame["step_v"] / frame["step_a"], 0.005)


def test_small_steps_are_left_out():
    assert listed(np.tile([-1.0, -8.0], 50), interval_s=1.0).empty


def test_samples_far_apart_are_no_step():
    assert listed(KETTLE, interval_s=LONGEST_S * 1.5).empty


def test_an_opening_of_the_board_is_no_load_step():
    volts = np.where(np.arange(len(KETTLE)) < 90, 13.0, 0.2)

    frame = listed(KETTLE, interval_s=1.0, voltage_v=volts)

    assert (frame["start_ms"] < START_MS + 90_000).all()


def test_no_more_than_the_day_s_largest_are_kept():
    current = np.tile([-1.0, -41.0], 100)
    current[50] = -99.0

    frame = listed(current, interval_s=5.0)

    assert len(frame) == MOST_A_DAY
    assert frame["step_a"].abs().max() == pytest.approx(58.0, abs=0.1)


@PROPERTY
@given(shifts_days)
def test_whole_days_later_the_steps_are_the_same(days):
    shift_ms = days * 86_400_000

    early = listed(KETTLE, interval_s=1.0)
    late = listed(KETTLE, interval_s=1.0, start_ms=START_MS + shift_ms)

    assert (late["start_ms"] - early["start_ms"] == shift_ms).all()
    assert late.drop(columns="start_ms").equals(early.drop(columns="start_ms"))
