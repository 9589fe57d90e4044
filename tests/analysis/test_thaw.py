"""Thaw: cells that follow their thermometer by hours."""

from __future__ import annotations

import numpy as np
import pytest

from logbook.analysis.answer import answer
from logbook.analysis.digest import digest
from logbook.analysis.thaw import cells_c
from tests.analysis.timeline import PACK, pack_of, readings_of


def morning(current_a, *, night_c=-6.0, day_c=6.0):
    """Twelve hours of frost, then at once mild air and sun on the panels for six hours."""
    temps = np.repeat([night_c, day_c], [12 * 60, 6 * 60])
    return readings_of(np.repeat([0.0, current_a], [12 * 60, 6 * 60]), temperature_c=temps)


def cold(readings, pack=PACK):
    return answer(digest(readings, pack), pack).cold_charging


def test_cells_follow_a_jump_as_a_first_order_lag_does():
    """After n hours of time constant τ a step has come to 1 − e^(−n/τ) of its height: textbook, first-order system."""
    hours = digest(morning(5.0), PACK)["hours"]

    followed = cells_c(hours, 3.0)

    expected = 6.0 - 12.0 * np.exp(-np.arange(1, 7) / 3.0)
    assert followed[:12] == pytest.approx([-6.0] * 12)
    assert followed[12:] == pytest.approx(expected, abs=0.02)


def test_charge_while_it_thaws_is_a_possibility_beside_the_events():
    """−6 °C to +6 °C is half way after τ·ln 2: 0.7 h at a lag of 1 h, 2.1 h at 3 h; 5 A flow meanwhile."""
    found = cold(morning(5.0))

    assert found.perhaps_frozen_ah.high == pytest.approx(5.0 * 3.0 * np.log(2), abs=5.0)
    assert 0.0 <= found.perhaps_frozen_ah.low <= 5.0
    assert found.perhaps_frozen_ah.low < found.perhaps_frozen_ah.high
    assert found.total_charge_ah <= 1.3


def test_a_thermometer_on_the_cells_leaves_no_doubt():
    assert cold(morning(5.0), pack_of(100.0, thermometer_lag_h=0.0)).perhaps_frozen_ah is None


@pytest.mark.parametrize(("amps", "night_c"), [(-5.0, -6.0), (5.0, 2.0), (0.2, -6.0)])
def test_no_charge_or_no_frost_is_no_possibility(amps, night_c):
    assert cold(morning(amps, night_c=night_c)).perhaps_frozen_ah is None


def test_a_pause_in_the_log_is_forgotten():
    """After a night that was not logged nobody knows how cold the cells were."""
    readings = morning(5.0)
    evening, day = readings.ts_ms < readings.ts_ms[6 * 60], readings.ts_ms >= readings.ts_ms[12 * 60]

    assert cold(readings.taken(np.flatnonzero(evening | day))).perhaps_frozen_ah is None


def test_without_temperatures_nothing_is_supposed():
    readings = readings_of([5.0] * 300, temperature_c=np.nan)

    assert cold(readings).perhaps_frozen_ah is None
