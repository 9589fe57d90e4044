"""Blocked: charges the protection board refused in the cold."""

from __future__ import annotations

import numpy as np
import pytest
from hypothesis import given

from logbook.analysis.blocked import blocked
from logbook.analysis.digest import digest
from logbook.analysis.track import track
from tests.analysis.properties import PROPERTY, shifts_days
from tests.analysis.timeline import PACK, START_MS, Timeline, with_changes

HOUR_MS = 3_600_000


def refused(**settings):
    return Timeline(soc=0.5, temperature_c=-3.0, **settings).rest(2).flow(0.0, 3, volts=14.4).rest(2)


def test_a_charger_s_voltage_without_current_on_a_frozen_pack_is_a_refused_charge():
    frame = blocked(track(refused().readings()), PACK)

    assert frame["start_ms"].tolist() == [START_MS + 2 * HOUR_MS]
    assert frame["end_ms"].iloc[0] == pytest.approx(START_MS + 5 * HOUR_MS, abs=120_000)


def test_a_refused_charge_is_no_full_pack_and_no_cold_charge():
    tables = digest(refused().readings(), PACK)

    assert not {"full", "nearly_full"} & set(tables["anchors"]["kind"])
    assert tables["cold"].empty


def test_a_charge_that_went_in_was_not_refused():
    log = Timeline(soc=0.5, temperature_c=-3.0).rest(2).flow(10.0, 3, volts=14.4).rest(2)

    assert blocked(track(log.readings()), PACK).empty


def cut_short(temperature_c: float = -3.0, *, again: float = 6.0, load_a: float = -1.5):
    """The sun rises on a fridge, the board opens at the limit, the charger feeds the fridge for two hours."""
    log = Timeline(soc=0.5, temperature_c=temperature_c).flow(load_a, 4).flow(2.0, 0.25).rest(2)
    return log.flow(again, 1).flow(load_a, 1)


def test_a_charge_cut_short_while_the_loads_vanish_is_a_refused_charge():
    frame = blocked(track(cut_short().readings()), PACK)

    assert frame["start_ms"].tolist() == [START_MS + 4.25 * HOUR_MS]
    assert frame["end_ms"].iloc[0] == pytest.approx(START_MS + 6.25 * HOUR_MS, abs=120_000)


@pytest.mark.parametrize(
    "log",
    [
        pytest.param(cut_short(temperature_c=6.0), id="a mild day"),
        pytest.param(cut_short(load_a=0.0), id="no loads that could vanish"),
        pytest.param(
            Timeline(soc=0.5, temperature_c=-3.0).flow(-1.5, 4).flow(2.0, 0.5).flow(-1.5, 2).flow(6.0, 1),
            id="loads stay",
        ),
        pytest.param(
            Timeline(soc=0.5, temperature_c=-3.0).flow(-1.5, 4).flow(2.0, 0.5).rest(20), id="switched off for the night"
        ),
    ],
)
def test_a_charge_that_merely_ends_is_none(log):
    assert blocked(track(log.readings()), PACK).empty


def test_a_board_that_had_let_charge_in_for_hours_at_that_temperature_did_not_open_for_the_cold():
    log = Timeline(soc=0.5, temperature_c=-3.0).flow(-1.5, 4).flow(2.0, 3).rest(2).flow(6.0, 1).flow(-1.5, 1)

    assert blocked(track(log.readings()), PACK).empty


@pytest.mark.parametrize("rests_v", [13.48, 13.61])
def test_a_full_pack_that_rests_high_opened_for_a_high_cell(rests_v):
    """A charger's voltage at a pack that rested at 3.37 to 3.40 V a cell, as full ones do (common practice, no source)."""
    log = Timeline(soc=0.5, temperature_c=1.5).flow(0.0, 2, volts=rests_v).flow(0.0, 3, volts=14.6).rest(2)

    assert blocked(track(log.readings()), PACK).empty


def test_a_full_pack_in_mild_weather_was_not_refused_anything():
    log = Timeline(soc=0.5, temperature_c=18.0).rest(2).flow(0.0, 3, volts=14.4).rest(2)

    assert blocked(track(log.readings()), PACK).empty


def test_a_pack_charged_full_in_the_cold_was_not_refused_anything():
    assert blocked(track(Timeline(soc=0.8, temperature_c=-2.0).charge_full().rest(2).readings()), PACK).empty


def test_without_a_thermometer_nothing_is_said():
    readings = with_changes(refused().readings(), temperature_c=np.nan)

    assert blocked(track(readings), PACK).empty


@PROPERTY
@given(shifts_days)
def test_whole_days_later_the_refusals_are_the_same(days):
    shift_ms = days * 24 * HOUR_MS

    early = blocked(track(refused().readings()), PACK)
    late = blocked(track(refused(start_ms=START_MS + shift_ms).readings()), PACK)

    assert (late["start_ms"] - early["start_ms"]).tolist() == [shift_ms]


def test_a_full_cell_that_opens_the_board_on_a_cool_day_is_no_refused_charge():
    """From 14.1 V in the upper knee the terminals leap to the charger's 14.6 V and the current is gone."""
    log = Timeline(soc=0.95, temperature_c=2.0).flow(10.0, 1, volts=14.1).flow(0.0, 1, volts=14.6)

    assert blocked(track(log.readings()), PACK).empty


def test_a_leap_between_coarse_samples_is_a_charge_that_faded():
    log = Timeline(soc=0.5, temperature_c=-3.0, interval_s=900.0).flow(18.0, 2, volts=13.4).flow(0.4, 2, volts=14.2)

    assert blocked(track(log.readings()), PACK).empty


def test_a_charger_that_comes_to_an_open_board_was_not_refused_for_the_cold():
    """After a cut-off the terminals show nothing; a charger there makes them leap, in any weather."""
    log = Timeline(soc=0.3, temperature_c=-3.0).run_empty(20.0).flow(0.0, 1, volts=14.2).flow(5.0, 3)

    assert blocked(track(log.readings()), PACK).empty
