"""Sag: what a load leaves at the terminals, by the pack's own resistance."""

from __future__ import annotations

from dataclasses import replace

import numpy as np
import pytest
from hypothesis import given
from hypothesis import strategies as st

from logbook.analysis.sag import sag
from logbook.schema.estimate import Estimate
from logbook.schema.health import Resistance
from logbook.schema.sag import Load
from tests.analysis.properties import PROPERTY
from tests.analysis.timeline import JAHN2024_CELL_V, JAHN2024_SOC, PACK

KNOWN = Resistance(Estimate(8.0, 7.4, 8.6), None, None)
KETTLE = Load(watts=1200.0, soc_percent=50.0, temperature_c=20.0)


def test_power_voltage_and_current_agree():
    told = sag(KNOWN, PACK, KETTLE)

    assert told.after_minutes_v.value * told.current_a.value == pytest.approx(1200.0 / 0.88, rel=0.01)
    assert told.after_minutes_v.value < told.at_once_v.value < told.resting_v.value


def test_at_once_the_drop_is_current_times_the_measured_resistance():
    told = sag(KNOWN, PACK, replace(KETTLE, temperature_c=25.0))
    amps = 1200.0 / 0.88 / told.at_once_v.value

    assert told.resting_v.value - told.at_once_v.value == pytest.approx(amps * 0.008, rel=0.03)


def test_published_resting_voltage_lies_in_the_interval():
    """Jahn et al. 2024, Commun. Eng. 3:74, doi 10.1038/s44172-024-00221-4: mean curve of an A123 cell, rounded (`timeline`)."""
    for soc in (0.15, 0.2, 0.3, 0.5, 0.7, 0.9):
        told = sag(KNOWN, PACK, replace(KETTLE, soc_percent=100 * soc))

        assert told.resting_v.low <= 4 * np.interp(soc, JAHN2024_SOC, JAHN2024_CELL_V) <= told.resting_v.high


def test_trade_a_microwave_draws_about_115_a_at_12_6_v():
    """1300 W of alternating current through an inverter of 88 %: 115 to 120 A (common practice, no source)."""
    told = sag(KNOWN, PACK, Load(watts=1300.0, soc_percent=50.0, temperature_c=20.0))

    assert 110.0 <= told.current_a.value <= 130.0


@pytest.mark.parametrize(
    ("soc", "celsius", "milliohm", "verdict"),
    [(80.0, 20.0, 6.0, "carries"), (50.0, 20.0, 8.0, "carries"), (2.0, -15.0, 40.0, "stops")],
)
def test_the_inverter_s_own_limit_decides(soc, celsius, milliohm, verdict):
    known = Resistance(Estimate(milliohm, 0.93 * milliohm, 1.07 * milliohm), None, None)

    assert sag(known, PACK, replace(KETTLE, soc_percent=soc, temperature_c=celsius)).verdict == verdict


def test_a_limit_inside_the_interval_may_stop_it():
    told = sag(KNOWN, PACK, KETTLE)

    assert sag(KNOWN, PACK, replace(KETTLE, stops_below_v=told.after_minutes_v.value)).verdict == "may_stop"


@given(
    watts=st.floats(10.0, 2000.0),
    soc=st.floats(5.0, 100.0),
    warmer=st.floats(1.0, 30.0),
    celsius=st.floats(-15.0, 20.0),
)
@PROPERTY
def test_a_colder_pack_and_a_larger_load_sag_more(watts, soc, warmer, celsius):
    cold = sag(KNOWN, PACK, Load(watts, soc, celsius))
    warm = sag(KNOWN, PACK, Load(watts, soc, celsius + warmer))
    larger = sag(KNOWN, PACK, Load(watts * 1.2, soc, celsius))

    assert cold.after_minutes_v.value <= warm.after_minutes_v.value + 0.01
    assert larger.after_minutes_v.value <= cold.after_minutes_v.value + 0.01
    for estimate in (cold.at_once_v, cold.after_minutes_v, cold.current_a):
        assert estimate.low <= estimate.value <= estimate.high


def test_without_a_measured_resistance_it_says_how_to_get_one():
    told = sag(Resistance(None, None, "Log at 1 s while a big load starts."), PACK, KETTLE)

    assert told.verdict == "undetermined"
    assert "1 s" in told.reason


def test_another_chemistry_is_refused():
    assert "LiFePO4" in sag(KNOWN, replace(PACK, chemistry="nmc"), KETTLE).reason


def test_high_currents_and_frost_come_with_their_cautions():
    told = sag(KNOWN, PACK, replace(KETTLE, watts=1500.0, temperature_c=-5.0))

    said = " ".join(told.cautions)
    assert "above the 100 A" in said
    assert "licensed" in said
    assert "capacitors" in said
    assert "not charged" in said


@pytest.mark.parametrize("celsius", [25.0, 5.0, -5.0])
@pytest.mark.parametrize("milliohm", [3.0, 8.0])
def test_published_minutes_add_a_share_of_the_step_in_warmth_and_cold(celsius, milliohm):
    """After a minute 1.6, after three 1.7 to 1.9 times the drop after one second: K2 26650 cell at 20 °C, 20 to 90 % of
    charge, ARTS-Lab (University of South Carolina) HPPC data, github.com/ARTS-Laboratory, CC BY-SA 4.0."""
    known = Resistance(Estimate(milliohm, 0.95 * milliohm, 1.05 * milliohm), None, None)
    told = sag(known, PACK, replace(KETTLE, watts=300.0, temperature_c=celsius))

    ratio = (told.resting_v.value - told.after_minutes_v.value) / (told.resting_v.value - told.at_once_v.value)

    assert 1.3 < ratio < 1.95
