"""Fade: robust trend, sudden losses, and an end of life only from enough evidence."""

from __future__ import annotations

from dataclasses import replace

import numpy as np
import pytest
from hypothesis import given
from hypothesis import strategies as st
from scipy.stats import kendalltau, linregress

from logbook.analysis.answer import answer
from logbook.analysis.fade import HORIZON_SPANS, years_to_show
from logbook.analysis.slope import theil_sen
from logbook.errors import NotEnoughData
from tests.analysis.histories import HISTORY_YEARS, History, World, two_years
from tests.analysis.properties import PROPERTY
from tests.analysis.timeline import PACK

CHECK_YEARS = np.arange(9) / 4
CHECK_PERCENT = np.array([100.2, 99.1, 99.6, 98.0, 98.7, 97.2, 97.9, 96.4, 96.1])
series = st.lists(st.integers(700, 1050).map(lambda value: value / 10), min_size=4, max_size=20)


def faded(history):
    return answer(history.tables(), PACK).fade


def test_published_sen1968_interval_of_a_check_series():
    """Sen 1968, JASA 63:1379, ranks of Gilbert 1987 ch. 16; expected figures worked out by hand from the 36 slopes.

    N = 36, z·√Var S = 18.8 at 95 %, so the interval is the 9th and the 28th slope.
    """
    slopes = sorted(
        (CHECK_PERCENT[j] - CHECK_PERCENT[i]) / (CHECK_YEARS[j] - CHECK_YEARS[i])
        for i in range(9)
        for j in range(i + 1, 9)
    )

    trend = theil_sen(CHECK_YEARS, CHECK_PERCENT, level=0.95)

    assert trend.slope_per_year.value == pytest.approx(np.median(slopes))
    assert trend.slope_per_year.value == pytest.approx(-1.757143, abs=1e-6)
    assert trend.slope_per_year.low == pytest.approx(slopes[8])
    assert trend.slope_per_year.low == pytest.approx(-2.600, abs=1e-3)
    assert trend.slope_per_year.high == pytest.approx(slopes[27])
    assert trend.slope_per_year.high == pytest.approx(-1.466667, abs=1e-6)
    assert trend.intercept == pytest.approx(99.757143, abs=1e-6)


def test_one_wild_value_moves_the_median_of_slopes_little_and_least_squares_much():
    wild = np.append(CHECK_PERCENT[:-1], 80.0)

    assert theil_sen(CHECK_YEARS, wild).slope_per_year.value == pytest.approx(-2.1857, abs=1e-4)
    assert linregress(CHECK_YEARS, wild).slope == pytest.approx(-6.2067, abs=1e-4)


def test_the_sign_of_a_significant_trend_is_kendall_s():
    """SciPy's Kendall test on the check series: τ −0.8333, exact p 0.000854."""
    tau, p_value = kendalltau(CHECK_YEARS, CHECK_PERCENT, method="exact")

    assert tau == pytest.approx(-0.8333, abs=1e-4)
    assert p_value == pytest.approx(0.000854, abs=1e-6)
    assert theil_sen(CHECK_YEARS, CHECK_PERCENT).slope_per_year.high < 0


@pytest.mark.parametrize(
    ("sigma", "per_year", "years", "error"),
    [
        (2.0, 8, 1, 2.16), (2.0, 6, 2, 0.92), (2.0, 12, 2, 0.68), (2.0, 12, 3, 0.37), (2.0, 12, 5, 0.18),
        (3.0, 8, 1, 3.24), (3.0, 6, 2, 1.38), (3.0, 12, 2, 1.02), (3.0, 12, 3, 0.56), (3.0, 12, 5, 0.26),
        (5.0, 12, 5, 0.44),
    ],
)  # fmt: skip
def test_published_standard_error_of_a_slope(sigma, per_year, years, error):
    """SE = σ·√(12(n − 1)/(n(n + 1)))/T of ordinary least squares, tabled to 0.01; a fade shows at twice that."""
    assert years_to_show(2 * (error + 0.006), sigma, per_year) <= years
    assert years_to_show(2 * (error - 0.006), sigma, per_year) > years


def test_the_standard_error_is_what_chance_gives(rng):
    """3000 seeded series of 24 tests with σ 2 % over two years scatter by 0.68 % a year."""
    years = np.linspace(0, 2, 24)
    slopes = [np.polyfit(years, rng.normal(0.0, 2.0, 24), 1)[0] for _ in range(3000)]

    assert np.std(slopes) == pytest.approx(0.68, abs=0.03)


def test_a_fade_nobody_could_ever_see_takes_for_ever():
    assert years_to_show(0.0, 2.0, 4) == float("inf")


@pytest.mark.parametrize(("years", "values"), [([0.0, 1.0], [1.0, 2.0]), ([1.0, 1.0, 1.0], [1.0, 2.0, 3.0])])
def test_too_little_for_a_trend_says_so(years, values):
    with pytest.raises(NotEnoughData, match="three"):
        theil_sen(np.array(years), np.array(values))


@PROPERTY
@given(series, st.floats(-3.0, 3.0), st.floats(0.1, 10.0))
def test_a_trend_turns_and_scales_with_its_values(values, slope, factor):
    years = np.arange(len(values)) / 4
    plain = theil_sen(years, np.array(values)).slope_per_year

    turned = theil_sen(years, factor * np.array(values) + slope * years).slope_per_year

    assert turned.value == pytest.approx(factor * plain.value + slope, abs=1e-6)


@PROPERTY
@given(series, st.floats(-20.0, 20.0))
def test_a_trend_does_not_depend_on_the_calendar(values, later):
    years = np.arange(len(values)) / 4

    early, late = theil_sen(years, np.array(values)), theil_sen(years + later, np.array(values))

    assert late.slope_per_year.value == pytest.approx(early.slope_per_year.value, abs=1e-6)


@PROPERTY
@given(series, st.randoms())
def test_a_trend_does_not_depend_on_the_order(values, random):
    years = np.arange(len(values)) / 4
    order = random.sample(range(len(values)), len(values))

    shuffled = theil_sen(years[order], np.array(values)[order]).slope_per_year

    assert shuffled.value == pytest.approx(theil_sen(years, np.array(values)).slope_per_year.value, abs=1e-9)


@pytest.mark.parametrize("rate", [0.0, 2.0, 4.5])
def test_a_known_fade_comes_back_within_its_interval(rate):
    found = faded(two_years(World(capacity_ah=100.0, rate_ah_per_year=rate, offset_a=0.03)))

    assert found.percent_of_rated_per_year.low <= rate <= found.percent_of_rated_per_year.high
    assert found.percent_of_rated_per_year.value == pytest.approx(rate, abs=0.8)
    assert found.sudden_losses == ()


def test_of_two_hundred_histories_85_to_97_percent_hold_the_true_mean_rate_in_the_90_percent_interval(many_worlds):
    inside = []
    for world, now_ah, _, found, _ in many_worlds:
        rate, truth = found.percent_of_rated_per_year, (world.capacity_ah - now_ah) / HISTORY_YEARS
        inside.append(rate is not None and rate.low <= truth <= rate.high)

    assert 0.85 <= np.mean(inside) <= 0.97


def test_of_two_hundred_histories_without_a_sudden_loss_none_shows_one(many_worlds):
    assert sum(len(found.sudden_losses) for _, _, _, found, _ in many_worlds) == 0


def test_a_sudden_loss_is_dated_and_sized():
    history = two_years(World(capacity_ah=98.0, rate_ah_per_year=1.0), loss_ah=14.0)

    found = faded(history)

    assert len(found.sudden_losses) == 1
    loss = found.sudden_losses[0]
    assert loss.ah_lost.low <= 14.0 <= loss.ah_lost.high
    assert loss.ah_lost.value == pytest.approx(14.0, abs=4.0)


def test_a_winter_of_cold_runs_is_no_sudden_loss():
    """Cut off in the cold with a seventh left, from December to February; the anchors say what the cold may keep back."""
    history = History(World(capacity_ah=97.0, cold_share=0.6)).full()
    for month in range(24):
        history.empty(cold=0.24 if month % 12 in (9, 10, 11) else 0.0)
        history.pause(700, soc=history.soc).full()

    found = answer(history.tables(), PACK)

    assert found.fade.sudden_losses == ()
    assert found.capacity.ah.low <= 97.0 <= found.capacity.ah.high


def test_a_fast_fade_projects_a_range_of_dates_that_holds_the_true_one():
    history = two_years(World(capacity_ah=94.0, rate_ah_per_year=4.5))
    left_years = (history.capacity_now() - 80.0) / 4.5

    found = faded(history)

    dates = found.end_of_life_date
    today = np.datetime64(int(history.tables()["hours"]["start_ms"].iloc[-1]), "ms").astype("datetime64[D]")
    truth = today + np.timedelta64(round(left_years * 365.25), "D")
    assert np.datetime64(dates.low) <= truth
    assert dates.high is None or truth <= np.datetime64(dates.high)
    assert dates.value is None or dates.low <= dates.value


def test_no_fade_projects_no_end():
    found = faded(two_years(World(capacity_ah=99.0)))

    assert found.end_of_life_date is None
    assert found.reason


def test_an_end_beyond_three_times_the_span_is_not_promised():
    found = faded(two_years(World(capacity_ah=104.0, rate_ah_per_year=2.5)))

    if found.end_of_life_date is not None:
        assert found.end_of_life_date.high is None
    assert HORIZON_SPANS * 2 < (104.0 - 80.0) / 2.5


def test_one_month_is_too_early_and_says_how_long_it_takes():
    history = History(World(capacity_ah=95.0)).full().empty().to(0.9, hours=12).full().empty()

    found = faded(history)

    assert found.percent_of_rated_per_year is None
    assert found.end_of_life_date is None
    assert "early" in found.reason
    assert "2 %" in found.reason


def test_rows_in_any_order_give_the_same_fade():
    tables = two_years(World(capacity_ah=100.0, rate_ah_per_year=3.0)).tables()
    backwards = {name: frame.iloc[::-1] for name, frame in tables.items()}

    assert answer(backwards, PACK).fade == answer(tables, PACK).fade


def test_a_fade_is_told_in_percent_of_the_rating():
    tables = two_years(World(capacity_ah=100.0, rate_ah_per_year=3.0)).tables()
    twice = replace(PACK, rated_ah=200.0)
    double = {
        name: frame.assign(**{column: 2 * frame[column] for column in frame.columns if column.endswith("_ah")})
        for name, frame in tables.items()
    }

    one, other = answer(tables, PACK).fade, answer(double, twice).fade

    assert other.percent_of_rated_per_year.value == pytest.approx(one.percent_of_rated_per_year.value, abs=0.3)


def test_before_two_runs_no_pace_is_spoken_of():
    assert faded(History(World(capacity_ah=95.0)).full()).reason == (
        "It is too early: no run from full to empty so far; two a year help most."
    )
