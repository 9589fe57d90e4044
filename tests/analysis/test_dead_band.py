"""Dead band: what a sensor is too coarse to show, and what may flow behind its zero."""

from __future__ import annotations

import re
from dataclasses import replace

import numpy as np
import pytest

from logbook.analysis.answer import answer
from logbook.analysis.dead_band import FINEST_A, dead_band, width_a
from logbook.analysis.digest import digest
from logbook.analysis.track import track
from tests.analysis.timeline import PACK, Timeline, readings_of

HOURS_PER_MONTH = 720


def seen_through(readings, band_a):
    """The same log by a sensor that shows exactly nothing below `band_a`."""
    shown_a = np.where(np.abs(readings.current_a) < band_a, 0.0, readings.current_a)
    return replace(readings, current_a=shown_a)


def parked_with(load_a, *, hours=480.0, months=4):
    """Full, parked with a small load, refilled, run down once, and again; at times a little sun."""
    log = Timeline(soc=0.9, interval_s=600.0)
    for _ in range(months):
        log.charge_full().flow(-load_a, hours).charge_full().flow(np.linspace(-0.2, 0.6, 24), 4)
        log.charge_full().run_empty()
    return log.charge_full().readings()


def health(readings):
    return answer(digest(readings, PACK), PACK)


def test_the_smallest_current_of_a_day_tells_how_little_is_shown():
    days = dead_band(track(readings_of([0.0] * 1440 + [0.0, -0.4, 2.0] * 480)))

    assert days["least_a"].tolist() == [0.4]
    assert width_a(days) == pytest.approx(0.4)


def test_a_log_of_zeros_tells_nothing_of_its_dead_band():
    assert width_a(dead_band(track(readings_of([0.0] * 300)))) == FINEST_A


def test_a_load_behind_a_shown_zero_is_told_by_the_refill():
    """Nothing is shown, and 0.12 A · 480 h are missing at each refill: more than cells and board ever lose."""
    found = health(seen_through(parked_with(0.12), 0.3))

    assert found.idle.standby_current_a.low <= 0.12 <= found.idle.standby_current_a.high
    assert found.idle.standby_current_a.value == pytest.approx(0.12, rel=0.15)
    assert found.idle.self_discharge_percent_per_month is None
    assert re.search(r"0\.1[12] A flow out while the sensor.*cannot be told", found.idle.reason)
    assert found.monitor.dead_band_a == pytest.approx(0.3, abs=0.05)
    assert found.idle.days_full_to_fifth.value == pytest.approx(80.0 / 0.12 / 24, rel=0.1)


def test_a_load_that_is_shown_is_none_behind_a_zero():
    found = health(parked_with(0.12))

    assert found.monitor.dead_band_a is None
    assert found.idle.standby_current_a.low <= 0.12 <= found.idle.standby_current_a.high
    assert found.idle.self_discharge_percent_per_month is None or found.idle.self_discharge_percent_per_month.low < 2.0


def test_a_pack_that_ran_flat_behind_a_shown_zero_still_has_its_capacity():
    """0.2 A for 25 days is more than a full pack: the board opens with next to nothing counted since full."""
    log = Timeline(soc=0.9, interval_s=600.0)
    for _ in range(3):
        log.charge_full().flow(np.linspace(-0.2, 0.6, 24), 4).charge_full().run_empty().charge_full()
        log.run_empty(0.2, asleep_hours=300)
    found = health(seen_through(log.charge_full().readings(), 0.3))

    assert found.capacity.ah.low <= 100.0 <= found.capacity.ah.high
    assert found.fade.sudden_losses == ()
