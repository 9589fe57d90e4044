"""Resistance from load steps, referred to 25 °C."""

from __future__ import annotations

import numpy as np
import pandas as pd
import pytest
from hypothesis import given
from hypothesis import strategies as st

from logbook.analysis.digest import digest
from logbook.analysis.resistance import LEAST_STEPS, resistance, temperature_factor
from logbook.analysis.steps import COLUMNS
from tests.analysis.properties import PROPERTY
from tests.analysis.timeline import PACK, START_MS, readings_of

DAY_MS = 86_400_000


def steps(milliohm, *, count=20, temperature_c=25.0, gap_s=1.0, days=10, soc_percent=60.0, rng=None):
    """Steps of 40 A, one a moment, over a pack of this resistance; a millivolt of noise where chance is given."""
    noise = np.zeros(count) if rng is None else rng.normal(0.0, 0.004, count)
    ohm = np.broadcast_to(np.asarray(milliohm, float) / 1000, (count,))
    return pd.DataFrame(
        {
            "start_ms": START_MS + np.linspace(0, days * DAY_MS, count).astype(np.int64),
            "gap_s": gap_s,
            "step_a": -40.0,
            "step_v": -40.0 * ohm + noise,
            "before_a": -1.0,
            "temperature_c": temperature_c,
            "soc_percent": soc_percent,
            "voltage_v": 13.1,
        }
    )


@pytest.mark.parametrize(
    ("temperature_c", "factor"),
    [(0.0, 1.873), (10.0, 1.438), (15.0, 1.269), (25.0, 1.0), (35.0, 0.800), (40.0, 0.720)],
)
def test_published_arrhenius_factor_at_17_kj_per_mol(temperature_c, factor):
    """exp[Ea/R·(1/T − 1/298.15 K)] worked out by hand for 17 kJ/mol, to three places."""
    assert float(temperature_factor(temperature_c)) == pytest.approx(factor, abs=0.001)


def test_published_naumann2018_us26650_ratio_between_temperatures():
    """Median over 20 to 90 % of the US26650 table (Naumann, thesis TUM 2018): R10/R25 1.39 to 1.60, R40/R25 0.75 to 0.81."""
    assert 1.39 <= float(temperature_factor(10.0)) <= 1.60
    # One activation energy serves both sides of 25 °C: on the warm side it is a twentieth too steep.
    assert 0.75 * 0.95 <= float(temperature_factor(40.0)) <= 0.81


def test_published_iec_61960_worked_example():
    """Direct-current method: 13.18 V at 20 A and 12.98 V at 100 A is 2.5 mΩ."""
    frame = steps(0.0).assign(step_a=-80.0, step_v=12.98 - 13.18)

    assert resistance(frame, 1.0).milliohm_25c.value == pytest.approx(2.5)


def test_known_resistance_comes_back_within_its_interval(rng):
    answer = resistance(steps(6.0, rng=rng), 1.0)

    assert answer.milliohm_25c.low <= 6.0 <= answer.milliohm_25c.high
    assert answer.milliohm_25c.value == pytest.approx(6.0, rel=0.03)


def test_readings_a_second_apart_give_the_resistance_of_the_load():
    current = np.tile([-2.0] * 30 + [-42.0] * 30, 10)
    readings = readings_of(current, interval_s=1.0, voltage_v=13.2 + current * 0.005, temperature_c=25.0)

    answer = resistance(digest(readings, PACK)["steps"], 1.0)

    assert answer.milliohm_25c.value == pytest.approx(5.0, rel=0.01)


def test_a_cold_pack_is_referred_to_25_c():
    warm = resistance(steps(6.0), 1.0).milliohm_25c.value
    cool = resistance(steps(6.0 * (0.15 + 0.85 * 1.438), temperature_c=10.0), 1.0).milliohm_25c.value

    assert cool == pytest.approx(warm, rel=0.002)


@pytest.mark.parametrize("joints", [0.0, 0.3])
def test_joints_that_do_not_follow_the_cold_are_within_the_interval(joints):
    """Lugs, bars and board take none to a third of a pack's resistance (common practice, no source)."""
    cold = resistance(steps(6.0 * (joints + (1 - joints) * 1.438), temperature_c=10.0), 1.0).milliohm_25c

    assert cold.low <= 6.0 <= cold.high


def test_coarse_readings_are_refused_with_the_reason():
    current = np.tile([-2.0] * 5 + [-42.0] * 5, 20)
    readings = readings_of(current, interval_s=60.0, voltage_v=13.2 + current * 0.005)

    answer = resistance(digest(readings, PACK)["steps"], 60.0)

    assert answer.milliohm_25c is None
    assert "60 s" in answer.reason


@pytest.mark.parametrize("outside", [{"temperature_c": -5.0}, {"temperature_c": 48.0}, {"soc_percent": 8.0}])
def test_steps_outside_the_range_of_the_model_do_not_count(outside):
    answer = resistance(steps(6.0, **outside), 1.0)

    assert answer.milliohm_25c is None
    assert str(LEAST_STEPS) in answer.reason


def test_a_voltage_that_does_not_follow_the_current_is_no_resistance():
    answer = resistance(steps(6.0).assign(step_v=0.1), 1.0)

    assert answer.milliohm_25c is None
    assert answer.reason


def test_a_growth_of_a_tenth_a_year_comes_back(rng):
    days = 730
    frame = steps(np.linspace(6.0, 7.2, 200), count=200, days=days, rng=rng)

    trend = resistance(frame, 1.0).percent_per_year

    # A tenth of 6.0 mΩ a year, told against the median of 6.6.
    assert trend.low <= 9.1 <= trend.high
    assert trend.low > 0


@pytest.mark.parametrize("days", [10, 240])
def test_no_trend_before_a_year_has_shown_all_its_seasons(days):
    answer = resistance(steps(6.0, days=days), 1.0)

    assert answer.percent_per_year is None
    assert answer.reason


def test_no_steps_say_so():
    answer = resistance(pd.DataFrame(columns=list(COLUMNS)), None)

    assert answer.milliohm_25c is None
    assert answer.reason


@PROPERTY
@given(st.floats(1.0, 60.0), st.floats(0.2, 5.0))
def test_resistance_scales_with_the_drop(milliohm, factor):
    one = resistance(steps(milliohm), 1.0).milliohm_25c
    other = resistance(steps(milliohm * factor), 1.0).milliohm_25c

    assert other.value == pytest.approx(one.value * factor, abs=0.002 * max(1, factor))


@PROPERTY
@given(st.permutations(range(20)))
def test_the_order_of_the_steps_does_not_matter(order):
    frame = steps(np.linspace(4.0, 7.0, 20))

    assert resistance(frame.iloc[list(order)], 1.0).milliohm_25c == resistance(frame, 1.0).milliohm_25c


def test_readings_close_enough_are_not_blamed():
    reason = resistance(pd.DataFrame(columns=["gap_s"]), 1.0).reason

    assert reason.startswith("No load step was seen;")
