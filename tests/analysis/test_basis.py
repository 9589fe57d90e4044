"""Basis: each answer says how much it saw, how finely, and what that cannot bear."""

from __future__ import annotations

import numpy as np
import pytest

from logbook.analysis.answer import answer
from logbook.analysis.digest import digest
from logbook.schema.reading import Readings
from tests.analysis.test_tally import kettle_and_fridge, thinned
from tests.analysis.timeline import PACK, Timeline, readings_of, with_changes


def told(readings):
    return answer(digest(readings, PACK), PACK)


def test_capacity_rests_on_the_runs_it_used_and_cycles_on_all_that_was_logged():
    log = Timeline(soc=0.7).charge_full().run_empty().pause(40).flow(10.0, 6)

    found = told(log.readings())

    assert 0.0 < found.capacity.basis.seen_share < found.cycles.basis.seen_share < 1.0
    assert found.capacity.basis.interval_s == found.cycles.basis.interval_s == 60.0
    whole_h = found.readings.logged_hours + found.readings.unlogged_hours
    assert found.cycles.basis.seen_share == pytest.approx(found.readings.logged_hours / whole_h, abs=0.001)


def test_cold_charging_rests_on_the_time_with_a_thermometer():
    temps = np.append(np.full(600, 10.0), np.full(600, np.nan))

    found = told(readings_of(np.full(1200, -5.0), temperature_c=temps))

    assert found.cold_charging.basis.seen_share == pytest.approx(0.5, abs=0.01)


def test_minutes_apart_need_no_note():
    found = told(kettle_and_fridge())

    assert found.cycles.basis.note is None
    assert found.cold_charging.basis.note is None


def test_a_coarse_log_says_what_it_cannot_show_and_what_would_mend_it():
    found = told(thinned(kettle_and_fridge(), 15, counter=False))

    assert "15 min apart" in found.cycles.basis.note
    assert "every minute" in found.cycles.basis.note
    assert "30 min" in found.cold_charging.basis.note


def test_nothing_logged_rests_on_nothing():
    empty = told(Readings.empty())

    assert empty.capacity.basis is None
    assert told(with_changes(readings_of([1.0] * 60), temperature_c=np.nan)).cold_charging.basis.seen_share == 0.0
