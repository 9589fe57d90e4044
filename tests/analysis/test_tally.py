"""Tally: the monitor's own counter stands in where point samples miss what switches between them."""

from __future__ import annotations

from dataclasses import replace

import numpy as np
import pytest
from hypothesis import given
from hypothesis import strategies as st

from logbook.analysis.answer import answer
from logbook.analysis.digest import digest
from logbook.analysis.tally import hourly, tally
from logbook.analysis.track import track
from tests.analysis.properties import PROPERTY
from tests.analysis.timeline import PACK, Timeline, frozen, readings_of

QUARTER_S = 900


def thinned(fine, every: int, *, counter: bool = True, step_ah: float = 0.1, set_ah: float = 0.0):
    """Every so many-th reading only, with what a counter that saw them all shows."""
    held_h = np.append(np.diff(fine.ts_ms), 0) / 3_600_000
    counted = set_ah + np.append(0.0, np.cumsum(fine.current_a * held_h)[:-1])
    shown = np.round(counted / step_ah) * step_ah
    return frozen(replace(fine, counted_ah=shown if counter else None).taken(slice(None, None, every)))


def kettle_and_fridge(trips: int = 3):
    """From full to the cut-off on a fridge that switches every eight minutes and 90 A for three minutes an hour and a half."""
    log = Timeline(soc=0.7, capacity_ah=88.0)
    rng = np.random.default_rng(5)
    for _ in range(trips):
        log.charge_full()
        for _ in range(40):
            if log.soc < 0.12:
                break
            hour = np.where(np.arange(90) // 8 % 2, -4.5, -0.4)
            start = int(rng.integers(0, 80))
            hour[start : start + 3] = -90.0
            log.flow(hour, 1.5)
        log.run_empty()
    return log.readings()


def test_without_a_counter_there_is_no_tally():
    counted = track(readings_of([-10.0] * 60))

    assert tally(counted) is None
    assert hourly(counted, None).empty


def test_a_counter_that_agrees_gives_what_the_samples_give():
    fine = thinned(Timeline(soc=0.9).flow(-20.0, 3).readings(), 1)
    counted = track(fine)
    told = tally(counted)

    assert told.counted_ah[-1] == pytest.approx(counted.net_ah[-1], abs=0.15)
    assert told.counted_s[-1] == pytest.approx(counted.logged_s[-1], rel=0.02)


def test_a_leap_to_full_is_a_setting_and_not_charge():
    fine = thinned(Timeline(soc=0.9).flow(-20.0, 3).readings(), 1)
    leapt = fine.counted_ah.copy()
    leapt[90:] += 25.0

    told = tally(track(frozen(replace(fine, counted_ah=leapt))))

    assert told.counted_ah[-1] == pytest.approx(-60.0, abs=0.5)


def test_a_counter_at_its_stop_leaves_the_word_to_the_samples():
    """Absorption goes on at 4 A after the counter has reached its full value."""
    fine = readings_of([4.0] * 120, voltage_v=14.4)
    told = tally(track(frozen(replace(fine, counted_ah=np.zeros(120)))))

    assert told.counted_ah[-1] == pytest.approx(4.0 * 119 / 60, abs=0.01)
    assert told.counted_s[-1] == 0.0


def test_counter_through_a_hole_in_its_column_is_not_guessed():
    fine = thinned(Timeline(soc=0.9).flow(-20.0, 3).readings(), 1)
    holed = fine.counted_ah.copy()
    holed[50:100] = np.nan

    told = tally(track(frozen(replace(fine, counted_ah=holed))))

    assert told.counted_ah[-1] == pytest.approx(-60.0, abs=0.5)
    assert told.counted_s[-1] == pytest.approx(3 * 3600 - 51 * 60, abs=90)


def test_a_quarter_hourly_log_with_a_counter_gives_the_capacity_that_point_samples_cannot():
    fine = kettle_and_fridge()
    point = thinned(fine, 15, counter=False)
    with_counter = thinned(fine, 15)

    blind = answer(digest(point, PACK), PACK).capacity
    seen = answer(digest(with_counter, PACK), PACK).capacity

    assert seen.ah.low <= 88.0 <= seen.ah.high
    assert seen.ah.width < 5.0
    assert blind.ah is None or blind.ah.width > 1.3 * seen.ah.width


@given(seed=st.integers(0, 10_000), every=st.sampled_from([1, 5, 15]), step_ah=st.sampled_from([0.01, 0.1, 1.0]))
@PROPERTY
def test_the_counter_s_sum_never_strays_from_the_truth(seed, every, step_ah):
    rng = np.random.default_rng(seed)
    amps = np.repeat(rng.uniform(-25.0, 12.0, 48), 15) + rng.choice([0.0, -60.0], 720, p=[0.97, 0.03])
    fine = readings_of(amps)
    true_ah = float(np.sum(amps[: 720 - every]) / 60)

    told = tally(track(thinned(fine, every, step_ah=step_ah)))

    by_samples = track(thinned(fine, every, counter=False))
    tolerance = 0.2 + step_ah + (0.0 if every == 1 else abs(by_samples.net_ah[-1] - true_ah))
    assert abs(told.counted_ah[-1] - true_ah) <= tolerance


def test_cycles_of_a_coarse_log_follow_the_counter():
    fine = kettle_and_fridge()
    whole = answer(digest(fine, PACK), PACK).cycles

    counted = answer(digest(thinned(fine, 15), PACK), PACK).cycles
    blind = answer(digest(thinned(fine, 15, counter=False), PACK), PACK).cycles

    assert counted.equivalent_full_cycles == pytest.approx(whole.equivalent_full_cycles, rel=0.03)
    assert counted.basis.note is None
    assert abs(blind.equivalent_full_cycles / whole.equivalent_full_cycles - 1) > 0.05
