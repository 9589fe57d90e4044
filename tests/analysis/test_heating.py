"""Heating: current that warms a frozen pack is no charge, and a real cold charge is never explained away."""

from __future__ import annotations

import numpy as np
import pytest
from hypothesis import given
from hypothesis import strategies as st

from logbook.analysis import cold
from logbook.analysis.digest import digest
from tests.analysis.properties import PROPERTY
from tests.analysis.timeline import PACK, pack_of, readings_of

WARM_PAD_W, PACK_KG, CELL_J_PER_KG_K = 60.0, 12.0, 1000.0
"""A pad of some tens of watts, a pack of 11 to 13 kg, and about 1 kJ/(kg·K) for cells; common practice, no source."""


def charged(readings, pack=PACK):
    tables = digest(readings, pack)
    return cold.answer(tables["cold"], pack, has_temperature=True, hours=tables["hours"])


def heater(*, handed_over: bool = True, soc_follows: bool = False, start_c: float = -8.0, amps: float = 5.0):
    """The charger warms the pack for an hour and a half, then the board lets 25 A into the cells."""
    minutes = np.arange(240)
    per_hour = WARM_PAD_W * 3600 / (PACK_KG * CELL_J_PER_KG_K) * 0.6
    temps = np.minimum(start_c + per_hour * minutes / 60, 5.0)
    warm = temps >= 4.9
    current = np.where(warm, 25.0 if handed_over else amps, amps) + 0.1 * np.sin(minutes)
    stored = np.where(warm | soc_follows, current, 0.0)
    soc = 40.0 + np.append(0.0, np.cumsum(stored / 60))[:-1]
    return readings_of(current, temperature_c=np.round(temps, 1), soc_percent=np.round(soc, 1), voltage_v=13.6)


def test_a_heater_s_current_is_no_cold_charge_and_is_told():
    found = charged(heater())

    assert found.events == ()
    assert found.total_charge_ah == 0.0
    assert found.heater_times == 1
    assert found.heater_ah == pytest.approx(
        5.0 * 8.0 / (WARM_PAD_W * 3600 / (PACK_KG * CELL_J_PER_KG_K) * 0.6), rel=0.2
    )
    assert sum(band.charge_ah for band in found.bands if band.high_c <= 0.0) == pytest.approx(0.0, abs=0.01)


def test_a_percentage_that_stands_still_is_evidence_enough():
    assert charged(heater(handed_over=False)).heater_times == 1


def test_current_that_is_stored_is_a_charge_although_the_pack_warms():
    found = charged(heater(handed_over=False, soc_follows=True))

    assert len(found.events) == 1
    assert found.heater_times == 0


def cabin(hours: float = 3.0):
    """A cabin heater warms pack and all by 10 °C an hour while the alternator gives a steady 12 A, then the fridge stops."""
    minutes = np.arange(round(hours * 60))
    temps = np.minimum(-8.0 + 10.0 * minutes / 60, 18.0)
    return readings_of(np.where(temps > 1.0, 20.0, 12.0), temperature_c=np.round(temps, 1))


def test_a_cabin_s_warmth_is_no_heater_of_the_pack():
    found = charged(cabin())

    assert found.heater_times == 0
    assert found.total_charge_ah == pytest.approx(12.0 * 0.8, rel=0.05)
    assert found.perhaps_heater_ah == found.total_charge_ah


def test_an_owner_who_knows_of_a_heater_is_believed_up_to_its_current():
    assert charged(cabin(), pack_of(100.0, heater_current_a=12.0)).events == ()
    assert charged(cabin(), pack_of(100.0, heater_current_a=5.0)).events != ()


def test_a_typed_in_capacity_far_too_large_slows_the_percentage_and_makes_no_heater():
    slow = cabin()
    soc = 40.0 + np.append(0.0, np.cumsum(slow.current_a / 60))[:-1] / 4
    found = charged(readings_of(slow.current_a, temperature_c=slow.temperature_c, soc_percent=np.round(soc, 1)))

    assert found.heater_times == 0


def test_a_slowly_warming_morning_is_a_charge_although_the_alternator_steps_up():
    temps = np.round(np.linspace(-6.0, 3.0, 480), 1)
    current = np.where(temps > 0.5, 30.0, 5.0)

    found = charged(readings_of(current, temperature_c=temps))

    assert len(found.events) == 1
    assert found.heater_times == 0


@given(
    start_c=st.floats(-12.0, -4.0),
    hours=st.floats(0.7, 6.0),
    seed=st.integers(0, 1000),
    peak_a=st.floats(8.0, 40.0),
)
@PROPERTY
def test_a_sunny_morning_is_always_a_charge(start_c, hours, seed, peak_a):
    """The sun's current rises and flickers with the clouds, and the percentage follows it."""
    minutes = np.arange(round(hours * 60) + 60)
    rng = np.random.default_rng(seed)
    temps = np.round(np.minimum(start_c + (2.0 - start_c) * minutes / (hours * 60), 6.0), 1)
    current = (
        peak_a * np.minimum(1.0, 0.1 + minutes / (hours * 60)) * rng.choice([1.0, 0.5], len(minutes), p=[0.7, 0.3])
    )
    soc = np.round(30.0 + np.append(0.0, np.cumsum(current / 60))[:-1], 1)

    found = charged(readings_of(current, temperature_c=temps, soc_percent=soc))

    assert found.heater_times == 0
    assert found.events


def test_a_heater_that_only_had_two_degrees_to_go_is_told_by_its_warming_beyond_the_limit():
    mild = heater(start_c=-2.0, soc_follows=True)

    assert charged(mild, pack_of(100.0, heater_current_a=5.0)).events == ()
    assert charged(mild).perhaps_heater_ah > 0.0
