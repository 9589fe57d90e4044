"""Idle loss: the refill after storage, and what the parked vehicle draws."""

from __future__ import annotations

import numpy as np
import pytest
from hypothesis import given
from hypothesis import strategies as st

from logbook.analysis.answer import answer
from logbook.analysis.digest import digest
from logbook.analysis.idle import DEAD_BAND_A
from tests.analysis.histories import History, World
from tests.analysis.properties import SLOW_PROPERTY, ratings_ah
from tests.analysis.timeline import PACK, Timeline, pack_of, with_changes

HOURS_PER_MONTH = 720


def idle(readings, pack=PACK):
    return answer(digest(readings, pack), pack).idle


def stored(loss_a, *, months=3, pack=PACK):
    """Full, a month parked with a sensor that shows exactly nothing, refilled; again and again."""
    log = Timeline(pack, soc=0.9, interval_s=600.0, loss_a=loss_a)
    for _ in range(months):
        log.charge_full(0.2 * pack.rated_ah).rest(HOURS_PER_MONTH)
    return log.charge_full(0.2 * pack.rated_ah)


@pytest.mark.parametrize("percent_per_month", [4.0, 10.8])
def test_a_known_loss_in_storage_comes_back_from_the_refill(percent_per_month):
    """10.8 % a month is 15 mA on 100 Ah; aim: within 15 % of the truth, truth inside the interval."""
    loss_a = percent_per_month / HOURS_PER_MONTH

    found = idle(stored(loss_a).readings()).self_discharge_percent_per_month

    assert found.low <= percent_per_month <= found.high
    assert found.value == pytest.approx(percent_per_month, rel=0.15)


def test_a_pack_that_loses_nothing_is_not_said_to_lose_much():
    found = idle(stored(0.0).readings()).self_discharge_percent_per_month

    assert found is None or found.low <= 0.5


def test_ten_milliamperes_of_a_board_are_seven_ampere_hours_a_month():
    """10 mA · 720 h = 7.2 Ah: the arithmetic of growth of a count by an offset."""
    found = idle(stored(0.010).readings()).self_discharge_percent_per_month

    assert found.low <= 7.2 <= found.high


@pytest.mark.parametrize("lifted", [0.05, 0.1, 0.3])
def test_what_noise_lifts_over_the_edge_of_the_dead_band_is_no_draw(lifted):
    """Nothing flows; the sensor is 0.02 A off, hides less than 0.025 A, and now and then shows -0.03 A."""
    percent_per_month = 7.9
    readings = stored(percent_per_month / HOURS_PER_MONTH).readings()
    rng = np.random.default_rng(5)
    zero = readings.current_a == 0
    current = np.where(zero & (rng.random(len(zero)) < lifted), -0.03, readings.current_a)
    current = np.where(zero, current, current - 0.02)

    found = idle(with_changes(readings, current_a=current)).self_discharge_percent_per_month

    assert found.low <= percent_per_month <= found.high
    assert found.value == pytest.approx(percent_per_month, rel=0.15)


def test_a_display_that_rounds_does_tell_by_how_often_it_shows_its_step():
    """0.03 A drawn through a sensor that shows tenths: three in ten readings show a tenth, and nothing is lost unseen."""
    log = Timeline(soc=0.9, interval_s=600.0)
    for _ in range(3):
        log.charge_full(20.0).flow(-0.03, HOURS_PER_MONTH)
    readings = log.charge_full(20.0).readings()
    rng = np.random.default_rng(5)
    small = np.abs(readings.current_a) < 0.05
    shown = np.where(small, -0.1 * (rng.random(len(small)) < 0.3), np.round(readings.current_a, 1))

    found = idle(with_changes(readings, current_a=shown)).self_discharge_percent_per_month

    assert found is None or found.low <= 1.0


def test_storage_that_was_not_logged_is_not_counted_as_idleness():
    log = Timeline(soc=0.9, interval_s=120.0, loss_a=0.02)
    for _ in range(4):
        log.charge_full().rest(2).pause(HOURS_PER_MONTH)

    found = idle(log.charge_full().readings())

    assert found.self_discharge_percent_per_month is None
    assert found.standby_current_a is None
    assert found.reason


def test_use_in_a_pause_is_no_loss():
    """A pause in which 40 Ah were used unseen must not show up as self-discharge."""
    log = Timeline(soc=0.9, interval_s=600.0, loss_a=0.004)
    for _ in range(3):
        log.charge_full().rest(HOURS_PER_MONTH / 2).charge_full().pause(48, amps=-0.8)

    found = idle(log.charge_full().readings()).self_discharge_percent_per_month

    assert found is None or found.low <= 0.004 * HOURS_PER_MONTH


def test_a_standby_current_through_the_sensor_is_read():
    log = Timeline(soc=0.9, interval_s=300.0).charge_full().flow(-0.12, 96).charge_full()

    found = idle(log.readings()).standby_current_a

    assert found.low <= 0.12 <= found.high
    assert found.value == pytest.approx(0.12, abs=0.03)


def test_a_sensor_that_shows_exactly_nothing_may_hide_its_dead_band():
    found = idle(Timeline(soc=0.9).rest(72).readings())

    assert found.standby_current_a.low == 0.0
    assert found.standby_current_a.high == DEAD_BAND_A
    assert "dead band" in found.reason


def test_an_offset_of_the_sensor_is_no_standby_current():
    history = History(World(offset_a=-0.06)).full()
    for _ in range(10):
        history.to(0.6, hours=10).to(0.6, hours=96).full()

    found = answer(history.tables(), PACK).idle.standby_current_a

    assert abs(found.value) <= 0.03
    assert found.low <= 0.0 <= found.high


def parked_at(amps: float, *, times: int = 3, log: Timeline | None = None) -> Timeline:
    log = log or Timeline(interval_s=300.0)
    for _ in range(times):
        log.charge_full().flow(-amps, 96).charge_full().flow(-8.0, 5)
    return log


@pytest.mark.parametrize(("was_a", "is_a"), [(0.05, 0.4), (0.4, 0.05)])
def test_what_is_drawn_today_is_told_and_not_what_was(was_a, is_a):
    """A consumer more or less since the last winter is what the next one will meet."""
    log = parked_at(is_a, log=parked_at(was_a)).charge_full().run_empty()

    found = idle(log.charge_full().readings())

    assert found.standby_current_a.low <= is_a <= found.standby_current_a.high
    assert found.days_full_to_fifth.low <= 80.0 / is_a / 24 <= found.days_full_to_fifth.high
    assert f"before, it showed {was_a:.2f} A" in found.reason


def test_a_pack_that_a_charger_holds_is_not_parked():
    """13.5 V at the terminals for a week and no current: the charger feeds the loads."""
    log = Timeline(interval_s=300.0)
    for _ in range(3):
        log.charge_full().flow(0.0, 168, volts=13.5).flow(-8.0, 5)

    found = idle(log.charge_full().readings())

    assert found.standby_current_a is None
    assert found.days_full_to_fifth is None


def test_a_day_of_use_is_not_idleness():
    found = idle(Timeline(soc=0.9).flow(-6.0, 10).readings())

    assert found.standby_current_a is None
    assert found.reason


@SLOW_PROPERTY
@given(ratings_ah)
def test_the_loss_in_percent_is_the_same_for_a_pack_of_any_size(rated_ah):
    pack = pack_of(rated_ah)

    found = idle(stored(1e-4 * rated_ah, pack=pack).readings(decimals=6), pack).self_discharge_percent_per_month

    assert found.low <= 7.2 <= found.high


@SLOW_PROPERTY
@given(st.floats(0.05, 1.5))
def test_more_drawn_is_never_told_as_less(current_a):
    def told(amps):
        return idle(Timeline(soc=0.95, interval_s=600.0).flow(-amps, 30).readings()).standby_current_a.value

    assert told(current_a) <= told(1.2 * current_a) + 1e-9


def test_the_days_a_parked_pack_lasts_hold_the_truth():
    """80 Ah of 100 at 10 mA unseen and nothing shown: 333 days, or fewer with what a dead band may hide."""
    found = idle(stored(0.010).run_empty().charge_full().readings()).days_full_to_fifth

    assert found.low <= 80.0 / 0.010 / 24 <= found.high * 1.15
    assert found.low < found.high


def lived_in(days, *, load_a=2.0, compressor_a=4.5):
    """Sunless days aboard: a compressor that runs a third of the time, lights in the evening; 2 % of 560 Ah are 11 A."""
    minute = np.arange(days * 1440)
    evening = (minute % 1440) >= 18 * 60
    return -(0.3 + np.where(minute % 30 < 10, compressor_a, 0.0) + np.where(evening, load_a, 0.0))


def test_a_small_share_of_a_large_pack_is_no_parked_vehicle():
    large = pack_of(560.0)
    log = Timeline(large, soc=0.9).flow(lived_in(3), 72)

    found = idle(log.readings(), large)

    assert found.standby_current_a is None
    assert found.days_full_to_fifth is None
    assert found.reason


def test_lights_in_the_evening_are_no_parked_vehicle():
    large = pack_of(560.0)
    log = Timeline(large, soc=0.9).flow(lived_in(3, load_a=0.9, compressor_a=0.0), 72)

    assert idle(log.readings(), large).standby_current_a is None
