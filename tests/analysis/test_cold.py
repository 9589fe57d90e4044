"""Cold charging: exposure proved by readings, never by a flicker."""

from __future__ import annotations

import numpy as np
import pytest
from hypothesis import assume, given
from hypothesis import strategies as st

from logbook.analysis import cold
from logbook.analysis.answer import answer
from logbook.analysis.digest import digest
from logbook.analysis.track import track
from tests.analysis.properties import PROPERTY, ratings_ah, shifts_days
from tests.analysis.timeline import PACK, START_MS, Timeline, pack_of, readings_of

GRADES = ("slight", "marked", "severe")
HOUR_MS = 3_600_000


def charged(readings, pack=PACK):
    tables = digest(readings, pack)
    return cold.answer(tables["cold"], pack, has_temperature=bool(tables["hours"]["min_temperature_c"].notna().any()))


def test_charging_through_a_frost_is_one_event_with_the_charge_that_went_in_below_the_limit():
    """From 6 °C down to −6 °C and up again in eight hours: four of them below 0 °C, at 12 A."""
    temps = np.concatenate([np.linspace(6.0, -6.0, 240), np.linspace(-6.0, 6.0, 240)])

    found = charged(readings_of([12.0] * 480, temperature_c=np.round(temps, 1)))

    assert len(found.events) == 1
    event = found.events[0]
    assert event.charge_ah == pytest.approx(48.0, rel=0.05)
    assert event.duration_s == pytest.approx(4 * 3600, rel=0.05)
    assert event.min_temperature_c == -6.0
    assert event.max_current_a == 12.0
    assert event.start_ms == pytest.approx(START_MS + 2 * HOUR_MS, abs=HOUR_MS / 10)
    assert found.total_charge_ah == event.charge_ah
    assert found.reason is None


@given(
    temps=st.lists(st.floats(-14.0, 6.0), min_size=2, max_size=8),
    amps=st.floats(1.0, 40.0),
    step_c=st.sampled_from([0.1, 0.5, 1.0]),
)
@PROPERTY
def test_the_bands_below_the_limit_add_up_to_the_events(temps, amps, step_c):
    shown = np.round(np.interp(np.arange(480), np.linspace(0, 479, len(temps)), temps) / step_c) * step_c
    tables = digest(readings_of([amps] * 480, temperature_c=shown), PACK)

    found = cold.answer(tables["cold"], PACK, hours=tables["hours"], has_temperature=True)

    below_ah = sum(band.charge_ah for band in found.bands if band.high_c <= 0.0)
    assert below_ah == pytest.approx(found.total_charge_ah, abs=0.03)


def test_published_cell_sheet_lower_limit_of_charging():
    """Specification of a 202 Ah LiFePO4 cell: charge at 0 to 60 °C; so 1 °C is allowed and −1 °C is not."""
    assert PACK.limits.charge_minimum_c == 0.0
    assert charged(Timeline(soc=0.5, temperature_c=1.0).flow(10.0, 2).readings()).events == ()
    assert len(charged(Timeline(soc=0.5, temperature_c=-1.0).flow(10.0, 2).readings()).events) == 1


def test_published_wu2017_a_third_of_c_at_minus_ten_is_graded_worst():
    """Wu et al., Ionics 2017 (abstract): at −10 °C a third of C plated severely; a tenth and less did not."""
    assert cold.severity(-10.0, 1 / 3) == "severe"
    assert GRADES.index(cold.severity(-1.0, 0.01)) < GRADES.index(cold.severity(-10.0, 1 / 3))


def test_discharging_in_the_cold_is_no_event():
    assert charged(Timeline(soc=0.9, temperature_c=-15.0).flow(-20.0, 3).readings()).events == ()


def test_an_offset_of_the_sensor_is_no_charging():
    assert charged(Timeline(soc=0.9, temperature_c=-15.0, offset_a=0.2).rest(48).readings()).events == ()


def test_a_known_offset_is_no_part_of_the_charge_that_went_in_cold():
    """Fulls and empties show the sensor's 0.1 A; the frost charges of 2 A for ten hours are 20 Ah each, not 21.

    At either end the mean over half an hour is half of the mild weather, which takes a quarter of an hour off each.
    """
    log = Timeline(soc=0.7, offset_a=0.1)
    for _ in range(4):
        log.charge_full().flow(-8.0, 5).at(-5.0).flow(2.0, 10).at(15.0).flow(-2.0, 10).charge_full().run_empty()

    found = answer(digest(log.readings(), PACK), PACK).cold_charging

    assert found.total_charge_ah == pytest.approx(4 * (20.0 - 0.5), rel=0.01)
    below = [band.charge_ah for band in found.bands if band.high_c is not None and band.high_c <= 0.0]
    assert sum(below) == pytest.approx(found.total_charge_ah, abs=0.02)


def test_a_lone_cold_sample_is_no_event():
    temps = np.full(120, 4.0)
    temps[60] = -8.0

    assert charged(readings_of([10.0] * 120, temperature_c=temps)).events == ()


def test_a_lone_cold_sample_in_an_empty_column_is_no_event():
    temps = np.full(120, np.nan)
    temps[60] = -8.0

    assert charged(readings_of([10.0] * 120, temperature_c=temps)).events == ()


def test_a_thermometer_of_whole_degrees_at_the_limit_proves_nothing():
    """It shows 0 for anything from −0.5 to 0.5 °C."""
    assert charged(readings_of([10.0] * 240, temperature_c=0.0)).events == ()


def test_a_thermometer_of_whole_degrees_below_the_limit_proves_it():
    found = charged(readings_of([10.0] * 240, temperature_c=-1.0))

    assert [event.charge_ah for event in found.events] == [pytest.approx(40.0, rel=0.01)]


def test_a_thermometer_flickering_below_the_limit_is_one_event_of_all_its_charge(rng):
    """True −0.7 °C in whole degrees with a little noise: mostly −1, at times 0."""
    temps = np.round(-0.7 + rng.normal(0.0, 0.3, 240))

    found = charged(readings_of([10.0] * 240, temperature_c=temps))

    assert set(temps) >= {-1.0, 0.0}
    assert [event.charge_ah for event in found.events] == [pytest.approx(40.0, rel=0.05)]


def test_a_thermometer_flickering_above_the_limit_is_none(rng):
    temps = np.round(0.7 + rng.normal(0.0, 0.4, 240))

    assert charged(readings_of([10.0] * 240, temperature_c=temps)).events == ()


def test_no_temperature_says_it_cannot_tell():
    found = charged(readings_of([10.0] * 240, temperature_c=np.nan))

    assert found.events == ()
    assert "temperature" in found.reason


def test_midnight_does_not_cut_an_event_in_two():
    log = Timeline(soc=0.3, temperature_c=-4.0, start_ms=START_MS + 22 * HOUR_MS).flow(10.0, 4)

    found = charged(log.readings())

    assert len(found.events) == 1
    assert found.events[0].charge_ah == pytest.approx(40.0, rel=0.01)


def test_two_mornings_are_two_events():
    log = Timeline(soc=0.3, temperature_c=-4.0).flow(10.0, 1).rest(23).flow(10.0, 1)

    assert len(charged(log.readings()).events) == 2


def test_charge_in_a_pause_of_the_log_is_not_invented():
    log = Timeline(soc=0.3, temperature_c=-4.0).flow(10.0, 1).pause(6, amps=10.0).flow(10.0, 1)

    assert charged(log.readings()).total_charge_ah == pytest.approx(20.0, rel=0.05)


def test_the_limit_of_the_pack_s_own_sheet_holds():
    careful = pack_of(100.0, charge_minimum_c=5.0)
    heated = pack_of(100.0, charge_minimum_c=-20.0)
    readings = Timeline(soc=0.3, temperature_c=2.0).flow(10.0, 2).readings()
    frozen = Timeline(soc=0.3, temperature_c=-10.0).flow(10.0, 2).readings()

    assert len(charged(readings, careful).events) == 1
    assert charged(readings).events == ()
    assert charged(frozen, heated).events == ()


def test_no_interval_of_cold_charging_is_longer_than_it_was():
    log = Timeline(soc=0.5, temperature_c=8.0).flow(10.0, 2).at(-6.0).flow(10.0, 1).at(8.0).flow(10.0, 2)

    event = charged(log.readings()).events[0]

    assert event.duration_s == pytest.approx(3600, abs=900)
    assert event.charge_ah == pytest.approx(10.0, abs=2.5)


@PROPERTY
@given(ratings_ah)
def test_charge_scales_with_the_pack(rated_ah):
    pack = pack_of(rated_ah)
    log = Timeline(pack, soc=0.4, temperature_c=-6.0).flow(0.12 * rated_ah, 2)

    found = charged(log.readings(decimals=6), pack)

    assert found.total_charge_ah == pytest.approx(0.24 * rated_ah, rel=0.01)
    assert found.events[0].severity == "severe"


@PROPERTY
@given(shifts_days)
def test_whole_days_later_the_events_are_the_same(days):
    shift_ms = days * 24 * HOUR_MS

    early = charged(Timeline(soc=0.4, temperature_c=-6.0).flow(9.0, 2).readings())
    late = charged(Timeline(soc=0.4, temperature_c=-6.0, start_ms=START_MS + shift_ms).flow(9.0, 2).readings())

    assert [event.start_ms + shift_ms for event in early.events] == [event.start_ms for event in late.events]
    assert [event.charge_ah for event in early.events] == [event.charge_ah for event in late.events]


@PROPERTY
@given(st.sampled_from([5.0, 10.0, 30.0]))
def test_a_finer_log_finds_the_same_charge(interval_s):
    coarse = Timeline(soc=0.4, temperature_c=8.0).rest(1).at(-5.0).flow(9.0, 2).at(8.0).rest(1)
    fine = Timeline(soc=0.4, temperature_c=8.0, interval_s=interval_s).rest(1).at(-5.0).flow(9.0, 2).at(8.0).rest(1)

    one, other = charged(coarse.readings()), charged(fine.readings())

    assert len(one.events) == len(other.events) == 1
    assert other.total_charge_ah == pytest.approx(one.total_charge_ah, rel=0.03)


@PROPERTY
@given(st.lists(st.tuples(st.floats(-60.0, 60.0), st.floats(1.5, 40.0)), min_size=1, max_size=80))
def test_a_pack_never_below_the_limit_has_no_event(samples):
    current, temps = zip(*samples, strict=True)

    assert charged(readings_of(current, temperature_c=np.round(temps, 1))).events == ()


@PROPERTY
@given(st.floats(-30.0, 0.0), st.floats(-30.0, 0.0), st.floats(0.005, 1.0), st.floats(0.005, 1.0))
def test_colder_or_faster_is_never_graded_milder(one_c, other_c, one_rate, other_rate):
    mild = cold.severity(max(one_c, other_c), min(one_rate, other_rate))
    harsh = cold.severity(min(one_c, other_c), max(one_rate, other_rate))

    assert GRADES.index(mild) <= GRADES.index(harsh)


def test_charge_below_five_degrees_is_told_by_band():
    """The half-hour mean that decides blurs a jump by a quarter of an hour."""
    temps = np.repeat([-12.0, -7.0, -2.0, 3.0, 20.0], 240)
    tables = digest(readings_of([5.0] * 1200, temperature_c=temps), PACK)

    bands = cold.answer(tables["cold"], PACK, has_temperature=True, hours=tables["hours"]).bands

    assert [(band.low_c, band.high_c) for band in bands] == [(None, -10.0), (-10.0, -5.0), (-5.0, 0.0), (0.0, 5.0)]
    assert [band.charge_ah for band in bands] == pytest.approx([20.0] * 4, rel=0.065)


@given(
    slope=st.floats(0.4, 4.0), turn_c=st.floats(-6.0, -1.5), step_c=st.sampled_from([0.5, 1.0]), phase=st.floats(0, 1)
)
@PROPERTY
def test_a_thermometer_of_whole_degrees_loses_little_of_what_a_fine_one_tells(slope, turn_c, step_c, phase):
    """A night's valley, warm again at both ends of the log: within nine minutes of charging and 3 %."""
    hours = np.arange(1200) / 60
    true_c = turn_c + slope * np.abs(hours - 10.0 - phase) ** 1.2
    assume(min(true_c[0], true_c[-1]) > 1.0)
    fine = charged(readings_of([10.0] * 1200, temperature_c=np.round(true_c, 2)))
    rough = charged(readings_of([10.0] * 1200, temperature_c=np.round(true_c / step_c) * step_c))

    assert rough.total_charge_ah == pytest.approx(fine.total_charge_ah, abs=1.5 + 0.03 * fine.total_charge_ah)


def test_a_fine_thermometer_is_taken_at_its_word():
    readings = readings_of([1.0] * 5, temperature_c=[0.11, 0.2, 0.31, 0.2, -0.5])

    assert cold.between_steps(track(readings)).tolist() == readings.temperature_c.tolist()


def test_whole_degrees_run_straight_from_half_to_half():
    """Falling by a degree an hour and a half: half way between two values where it steps from one to the other."""
    shown = np.repeat([3.0, 2.0, 1.0, 0.0], 90)

    run = cold.between_steps(track(readings_of([1.0] * 360, temperature_c=shown)))

    assert run[[90, 180, 270]] == pytest.approx([2.5, 1.5, 0.5], abs=0.02)
    assert run[[135, 225]] == pytest.approx([2.0, 1.0], abs=0.02)
    assert np.diff(run).max() <= 0.0


@given(days=st.integers(3, 6), seed=st.integers(0, 10_000))
@PROPERTY
def test_a_day_s_cold_rests_on_nothing_far_from_it(days, seed):
    """A whole-degree thermometer that stands still for days: digested with two days about it a day gives what it gives in all."""
    rng = np.random.default_rng(seed)
    level = np.repeat(rng.integers(-3, 3, 2 * days), 24) + rng.integers(0, 2, 48 * days) * (rng.random(48 * days) < 0.1)
    readings = readings_of(np.full(48 * days, 10.0), temperature_c=level.astype(float), interval_s=1800.0)
    day_ms = 86_400_000
    middle_ms = START_MS + (days // 2) * day_ms
    near = readings.between(middle_ms - 2 * day_ms, middle_ms + 3 * day_ms)

    def of_the_day(some):
        hours = digest(some, PACK)["hours"]
        inside = (hours["start_ms"] >= middle_ms) & (hours["start_ms"] < middle_ms + day_ms)
        return hours.loc[inside, list(cold.COLD_BANDS_C)].to_numpy()

    np.testing.assert_allclose(of_the_day(near), of_the_day(readings))
