"""Track: the time each sample stands for, and the charge counted over it."""

from __future__ import annotations

import numpy as np
import pytest
from hypothesis import given
from hypothesis import strategies as st

from logbook.analysis.track import SHORTEST_GAP_S, track
from logbook.schema.reading import Readings
from tests.analysis.properties import PROPERTY, currents_a, shifts_days
from tests.analysis.timeline import START_MS, readings_of

DAY_MS = 86_400_000


def end_ah(counted) -> float:
    """Everything counted, the last sample's hold included."""
    return float(counted.net_ah[-1] + counted.readings.current_a[-1] * counted.held_s[-1] / 3600)


def test_a_steady_current_counts_as_current_times_time():
    counted = track(readings_of([-10.0] * 61))

    assert counted.net_ah[-1] == pytest.approx(-10.0)
    assert counted.discharge_ah[-1] == pytest.approx(10.0)
    assert counted.charge_ah[-1] == 0.0
    assert counted.logged_s[-1] == 3600.0


def test_in_and_out_are_counted_apart():
    counted = track(readings_of([20.0] * 60 + [-30.0] * 60 + [0.0]))

    assert counted.charge_ah[-1] == pytest.approx(20.0)
    assert counted.discharge_ah[-1] == pytest.approx(30.0)
    assert counted.net_ah[-1] == pytest.approx(-10.0)


def test_holding_the_last_value_differs_from_the_trapezoid_by_the_ends_only():
    """Identity of the two rules on even samples: they differ by dt·(I_n − I_0)/2 exactly."""
    current = np.array([0.0, -5.0, -5.0, -80.0, -80.0, 12.0, 12.0, 0.4])

    counted = track(readings_of(current))

    trapezoid_ah = np.trapezoid(current, dx=60.0) / 3600
    assert counted.net_ah[-1] == pytest.approx(-2.433333, abs=1e-6)
    assert trapezoid_ah == pytest.approx(-2.430000, abs=1e-6)
    assert trapezoid_ah - counted.net_ah[-1] == pytest.approx(60 * (0.4 - 0.0) / 2 / 3600)


def test_the_variance_of_a_step_between_samples_is_its_square_over_twelve():
    """A step at a time spread evenly over the interval: (ΔI·Δt)²/12, the variance of a uniform spread."""
    counted = track(readings_of([0.0, -36.0, -36.0]))

    assert counted.scatter_ah2[-1] == pytest.approx((36.0 * 60 / 3600) ** 2 / 12)


def test_a_gap_is_never_counted():
    minutes = np.append(np.arange(60), np.arange(60) + 60 * 24)
    readings = readings_of([-50.0] * 120, ts_ms=START_MS + minutes * 60_000)

    counted = track(readings)

    assert counted.gap_after[59]
    assert not counted.gap_after[:59].any()
    assert end_ah(counted) == pytest.approx(-50.0 * 2.0, abs=50 / 60)


def test_a_gap_counts_as_no_time_at_all():
    minutes = np.append(np.arange(60), np.arange(60) + 60 * 24)

    counted = track(readings_of([0.0] * 120, ts_ms=START_MS + minutes * 60_000))

    assert counted.logged_s[-1] + counted.held_s[-1] == 7200.0


def test_what_stood_before_a_gap_makes_no_step_after_it_less_sure():
    """No current, nine days of nothing, then a load that changes: the same as without what was before."""
    later_a = np.where(np.arange(60) < 1, -4.0, -1.0)
    hour_ms = np.arange(60) * 60_000
    times = np.concatenate([START_MS + hour_ms, START_MS + 9 * DAY_MS + hour_ms])

    alone = track(readings_of(later_a, ts_ms=times[60:]))
    after = track(readings_of(np.concatenate([np.zeros(60), later_a]), ts_ms=times))

    np.testing.assert_allclose(after.scatter_ah2[60:] - after.scatter_ah2[60], alone.scatter_ah2, rtol=0, atol=1e-15)


def test_a_missing_current_counts_as_not_logged():
    counted = track(readings_of([-10.0] * 30 + [np.nan] * 30 + [-10.0] * 30))

    assert counted.logged_s[-1] + counted.held_s[-1] == 3600.0
    assert end_ah(counted) == pytest.approx(-10.0)


def test_an_offset_counts_only_while_the_sensor_shows_something():
    counted = track(readings_of([0.0] * 60 + [-1.0] * 60 + [0.0]))

    assert counted.live_s[-1] == 3600.0
    assert counted.logged_s[-1] == 7200.0


def test_a_log_written_on_change_is_not_a_row_of_gaps():
    """Quiet stretches of a quarter of an hour between changes are the usual thing on such a day."""
    minutes = np.cumsum([0, 1, 15, 14, 2, 15, 15, 1, 15, 15])

    counted = track(readings_of([-4.0] * 10, ts_ms=START_MS + minutes * 60_000))

    assert not counted.gap_after[:-1].any()
    assert counted.net_ah[-1] == pytest.approx(-4.0 * minutes[-1] / 60)


def test_two_minutes_without_a_sample_are_no_gap():
    counted = track(readings_of([-1.0] * 4, ts_ms=START_MS + np.array([0, 10, 20, 20 + SHORTEST_GAP_S]) * 1000))

    assert not counted.gap_after[:-1].any()


def test_nothing_gives_nothing():
    assert len(track(Readings.empty())) == 0


def test_one_sample_is_held_for_a_while_and_ends_the_log():
    counted = track(readings_of([-3.0]))

    assert counted.gap_after.tolist() == [True]
    assert 0 < counted.held_s[0] <= SHORTEST_GAP_S


@PROPERTY
@given(currents_a, st.sampled_from([0.5, 2.0, 10.0]))
def test_counts_scale_with_the_current(current, factor):
    small = track(readings_of(current))
    large = track(readings_of(np.array(current) * factor))

    np.testing.assert_allclose(large.net_ah, small.net_ah * factor, atol=1e-9)
    np.testing.assert_allclose(large.logged_s, small.logged_s)


@PROPERTY
@given(currents_a, shifts_days)
def test_whole_days_later_the_counts_are_the_same(current, days):
    early = track(readings_of(current))
    late = track(readings_of(current, start_ms=START_MS + days * DAY_MS))

    np.testing.assert_array_equal(late.net_ah, early.net_ah)
    np.testing.assert_array_equal(late.gap_after, early.gap_after)


@PROPERTY
@given(currents_a, st.integers(2, 12))
def test_a_finer_log_of_the_same_steps_counts_the_same(current, parts):
    coarse = track(readings_of(current))
    fine = track(readings_of(np.repeat(current, parts), interval_s=60.0 / parts))

    assert fine.net_ah[(len(current) - 1) * parts] == pytest.approx(coarse.net_ah[-1], abs=1e-9)


@PROPERTY
@given(currents_a)
def test_out_of_the_pack_is_the_mirror_of_into_it(current):
    there = track(readings_of(current))
    back = track(readings_of(-np.array(current)))

    np.testing.assert_allclose(back.charge_ah, there.discharge_ah)
    np.testing.assert_allclose(back.net_ah, -there.net_ah, atol=1e-12)


@PROPERTY
@given(st.lists(st.integers(1, 5000), min_size=2, max_size=40))
def test_held_time_never_exceeds_what_passed_nor_reaches_over_a_gap(steps_s):
    times = START_MS + np.cumsum(steps_s) * 1000

    counted = track(readings_of(np.ones(len(times)), ts_ms=times))

    passed_s = np.diff(times) / 1000
    assert (counted.held_s[:-1] <= np.maximum(passed_s, 0) + 1e-9).all()
    assert (counted.held_s[:-1][counted.gap_after[:-1]] < passed_s[counted.gap_after[:-1]]).all()
    assert (passed_s[counted.gap_after[:-1]] > SHORTEST_GAP_S).all()


def test_a_load_that_came_and_went_within_a_sample_is_less_sure_than_one_that_stayed():
    """By the variance of a uniform moment, 1/12, for the step that stayed; p·(1 − p) bounds the other."""
    stayed = track(readings_of([0.0, -12.0, -12.0, -12.0])).scatter_ah2
    went = track(readings_of([0.0, -12.0, 0.0, 0.0])).scatter_ah2

    assert stayed[-1] == pytest.approx(0.2**2 / 12)
    assert went[-1] == pytest.approx(2 * 0.2**2 / 2)


def on_change(hours, *, heartbeat_s, every_s=10):
    """A log that writes a row when its current changes, and one each `heartbeat_s` while nothing does."""
    rng = np.random.default_rng(1)
    times_s, amps, now_s = [], [], 0.0
    while now_s < hours * 3600:
        level = float(rng.choice([-4.0, -1.5, 6.0]))
        lasts_s = float(rng.choice([every_s, 40, 7200]))
        beats = np.arange(0.0, lasts_s, heartbeat_s)
        times_s += list(now_s + beats)
        amps += [level] * len(beats)
        now_s += lasts_s
    at_s, level = np.array(times_s), np.array(amps)
    truth_ah = float((np.diff(np.append(at_s, now_s)) * level).sum() / 3600)
    return readings_of(level, ts_ms=START_MS + (1000 * at_s).astype(np.int64)), truth_ah


def test_a_log_written_on_change_holds_its_value_from_one_heartbeat_to_the_next():
    readings, truth_ah = on_change(72, heartbeat_s=900)

    counted = track(readings)

    assert end_ah(counted) == pytest.approx(truth_ah, abs=2.0)
    assert not counted.gap_after[:-1].any()


def test_pauses_after_which_all_is_different_are_no_heartbeat():
    """Ten minutes of every hour, and another current each time: what flowed between nobody knows."""
    minutes = np.concatenate([np.arange(10) + 60 * hour for hour in range(24)])
    current = np.repeat(np.where(np.arange(24) % 2, -5.0, 8.0), 10)

    counted = track(readings_of(current, ts_ms=START_MS + minutes * 60_000))

    assert counted.gap_after.sum() == 24


def sampled(days, *, on_change, every_s=20, fine=False):
    """Readings each `every_s`, some of them the same as before; with `on_change` those are left out but at full hours."""
    rng = np.random.default_rng(2)
    count = days * 86_400 // every_s
    at_s = every_s * np.arange(count)
    levels = np.repeat(rng.choice([-0.3, -4.0, 6.0, 15.0], count // 90 + 1), 90)[:count]
    current = np.round(levels + rng.normal(0.0, 0.03, count), 4 if fine else 1)
    voltage = np.round(13.2 + 0.004 * levels + rng.normal(0.0, 0.004, count), 4 if fine else 2)
    if on_change:
        kept = np.append(True, (np.diff(current) != 0) | (np.diff(voltage) != 0)) | (at_s % 3600 == 0)
    else:
        kept = np.repeat(np.arange(count * every_s // 600) % 3 > 0, 600 // every_s)
    truth_ah = float(current.sum() * every_s / 3600)
    readings = readings_of(current[kept], voltage_v=voltage[kept], ts_ms=START_MS + 1000 * at_s[kept].astype(np.int64))
    return readings, truth_ah


def test_where_no_row_repeats_the_one_before_each_holds_until_the_next():
    readings, truth_ah = sampled(3, on_change=True)

    counted = track(readings)

    assert np.diff(readings.ts_ms).max() > 300_000
    assert end_ah(counted) == pytest.approx(truth_ah, abs=0.005 * counted.charge_ah[-1])


@pytest.mark.parametrize("fine", [False, True])
def test_a_log_by_the_clock_with_pauses_counts_nothing_over_them(fine):
    """Rows that could repeat do, or are too fine to; ten minutes of every half hour are not logged."""
    readings, _ = sampled(3, on_change=False, fine=fine)

    counted = track(readings)

    assert counted.gap_after.sum() == 3 * 48
    assert counted.logged_s[-1] + counted.held_s[-1] == pytest.approx(2 / 3 * 3 * 86_400, rel=0.01)
