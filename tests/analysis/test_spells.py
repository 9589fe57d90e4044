"""Spells: the day as an owner would tell it."""

from __future__ import annotations

import numpy as np
import pytest
from hypothesis import given

from logbook.analysis.openings import openings
from logbook.analysis.spells import INTERLUDE_S, spells
from logbook.analysis.track import track
from logbook.schema.reading import Readings
from tests.analysis.properties import PROPERTY, currents_a
from tests.analysis.timeline import PACK, Timeline, readings_of


def told(readings):
    counted = track(readings)
    return spells(counted, PACK, openings(counted, PACK))


def test_a_day_is_told_in_its_parts():
    frame = told(Timeline(soc=0.5).rest(6).flow(15.0, 4).flow(-5.0, 8).rest(2).readings())

    assert frame["kind"].tolist() == ["rest", "charge", "discharge", "rest"]
    assert frame["net_ah"].tolist() == pytest.approx([0.0, 60.0, -40.0, 0.0], abs=0.2)


def test_a_switching_fridge_is_one_discharge():
    fridge = np.tile([-5.0] * 8 + [0.0] * (int(INTERLUDE_S / 60) - 2), 20)

    assert told(readings_of(fridge))["kind"].tolist() == ["discharge"]


def test_a_pause_of_the_log_ends_a_spell():
    frame = told(Timeline(soc=0.5).rest(2).pause(5).rest(2).readings())

    assert frame["kind"].tolist() == ["rest", "rest"]
    assert (frame["end_ms"].iloc[0] < frame["start_ms"].iloc[1] - 4 * 3_600_000).all()


def test_an_open_board_is_neither_rest_nor_use():
    frame = told(Timeline(soc=0.2).run_empty(10.0, asleep_hours=3).charge_full().readings())

    assert frame["kind"].tolist()[:2] == ["discharge", "open"]


def test_midnight_ends_a_spell():
    frame = told(Timeline(soc=0.5).rest(30).readings())

    assert frame["kind"].tolist() == ["rest", "rest"]


def test_nothing_is_told_of_nothing():
    assert told(Readings.empty()).empty


@PROPERTY
@given(currents_a)
def test_spells_share_out_all_that_was_counted(current):
    readings = readings_of(current)
    counted = track(readings)

    frame = told(readings)

    total_ah = counted.net_ah[-1] + current[-1] * counted.held_s[-1] / 3600
    assert frame["net_ah"].sum() == pytest.approx(total_ah, abs=1e-9)
    assert (frame["end_ms"].to_numpy()[:-1] <= frame["start_ms"].to_numpy()[1:]).all()
