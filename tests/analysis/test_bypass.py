"""Bypass: charge that comes or goes past the sensor."""

from __future__ import annotations

import numpy as np
import pytest

from logbook.analysis.answer import answer
from logbook.analysis.bypass import past_sensor_a
from logbook.analysis.digest import digest
from tests.analysis.timeline import PACK, Timeline

DAYS = 12


def month(*, loss_a: float = 0.0, offset_a: float = 0.0) -> Timeline:
    """Days of use between full charges, with a run to empty; `loss_a` leaves the pack uncounted all the while."""
    log = Timeline(interval_s=120.0, loss_a=loss_a, offset_a=offset_a).charge_full()
    for day in range(DAYS):
        log.flow(-3.0, 20.0)
        if day % 4 == 3:
            log.run_empty(20.0, asleep_hours=6.0)
        log.charge_full()
    return log


def health(log: Timeline):
    return answer(digest(log.readings(), PACK), PACK)


def test_a_load_wired_past_the_sensor_is_named():
    found = health(month(loss_a=0.5))

    assert found.monitor.past_sensor_a == pytest.approx(0.5, abs=0.15)
    assert found.monitor.current_offset_a is None
    assert "past_sensor" in {flag.code for flag in found.flags}
    assert found.idle.standby_current_a is None


def test_an_offset_that_the_open_board_shows_too_is_an_offset():
    found = health(month(offset_a=0.15))

    assert found.monitor.past_sensor_a is None
    assert found.monitor.current_offset_a.low <= 0.15 <= found.monitor.current_offset_a.high


def test_throughput_is_that_of_the_sensor_and_not_of_what_goes_past_it():
    log = month(loss_a=0.5)
    amps = log.readings().current_a

    assert health(log).cycles.discharge_ah == pytest.approx(-amps[amps < 0].sum() * 120.0 / 3600.0, rel=0.01)


def test_a_charger_past_the_sensor_by_day_leaves_no_narrow_wrong_capacity():
    """Four amperes for six hours of each day reach the pack uncounted."""
    log = Timeline(interval_s=120.0).charge_full()
    for day in range(DAYS):
        log.flow(-3.0, 8.0)
        log.loss_a = -4.0
        log.flow(-3.0, 6.0)
        log.loss_a = 0.0
        log.flow(-3.0, 6.0)
        if day % 4 == 3:
            log.run_empty(5.0)
        log.charge_full()

    found = health(log)

    assert found.capacity.ah is None or found.capacity.ah.low <= 100.0 <= found.capacity.ah.high
    assert "past the sensor" in found.cold_charging.reason


@pytest.mark.parametrize(
    ("offset_a", "seen", "past"),
    [
        (0.1, None, None),
        (0.15, None, None),
        (0.5, None, 0.5),
        (-0.4, None, -0.4),
        (0.3, (0.3, 0.0001), None),
        (0.15, (0.0, 0.0001), 0.15),
        (0.15, (0.0, 0.0036), None),
    ],
)
def test_what_is_more_than_an_offset(offset_a, seen, past):
    """A zero far off that the open board shows as well is a sensor to be mended, and nothing goes past it."""
    found = past_sensor_a(offset_a, 0.02, seen)

    assert found == (None if past is None else pytest.approx(past))
    assert found is None or np.sign(found) == np.sign(past)
