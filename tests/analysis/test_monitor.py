"""Whether the monitor itself can be believed."""

from __future__ import annotations

import numpy as np
import pytest

from logbook.analysis.answer import answer
from logbook.analysis.digest import digest
from tests.analysis.timeline import PACK, Timeline, slow_runs, with_changes


def judged(readings):
    return answer(digest(readings, PACK), PACK).monitor


def weekly(weeks=8, **settings):
    """A full charge a week, some use in between, the log on throughout."""
    log = Timeline(soc=0.8, interval_s=300.0, **settings)
    for _ in range(weeks):
        log.charge_full().flow(-8.0, 5).rest(120)
    return log.charge_full().flow(-8.0, 5).rest(20)


@pytest.mark.parametrize("offset_a", [-0.08, -0.02, 0.02, 0.05])
def test_a_known_offset_comes_back_within_its_interval(offset_a):
    found = judged(weekly(offset_a=offset_a).readings()).current_offset_a

    assert found.low <= offset_a <= found.high
    assert found.value == pytest.approx(offset_a, abs=0.03)


def test_a_sensor_without_an_offset_is_not_said_to_have_one():
    found = judged(weekly().readings()).current_offset_a

    assert found is None or found.low <= 0.0 <= found.high


def test_of_two_hundred_histories_the_interval_of_the_offset_holds_the_truth(many_worlds):
    inside = [
        found.current_offset_a.low <= world.offset_a <= found.current_offset_a.high
        for world, _, _, _, found in many_worlds
    ]

    assert np.mean(inside) >= 0.85
    assert (
        np.median([abs(found.current_offset_a.value - world.offset_a) for world, _, _, _, found in many_worlds]) <= 0.03
    )


def test_the_zero_seen_while_the_board_is_open_counts():
    found = judged(Timeline(soc=0.6, offset_a=0.07).charge_full().run_empty(asleep_hours=8).readings())

    assert found.current_offset_a.value == pytest.approx(0.07, abs=0.02)


def test_one_full_charge_is_too_little_for_an_offset_and_says_so():
    found = judged(Timeline(soc=0.7).charge_full().flow(-8.0, 4).readings())

    assert found.current_offset_a is None
    assert "two full charges" in found.reason


@pytest.mark.parametrize(("typed_ah", "assumes"), [(100.0, True), (70.0, False), (140.0, False)])
def test_a_percentage_that_only_counts_against_the_rating_is_told(typed_ah, assumes):
    log = Timeline(soc=0.95, typed_ah=typed_ah)
    for _ in range(8):
        log.charge_full().flow(-6.0, 8).rest(12)

    assert judged(log.readings()).soc_assumes_rated_capacity is assumes


def test_without_a_percentage_nobody_can_say():
    readings = with_changes(weekly().readings(), soc_percent=np.nan)

    found = judged(readings)

    assert found.soc_assumes_rated_capacity is None
    assert found.soc_error_percent is None
    assert "no state of charge" in found.reason


def test_a_percentage_that_drifted_is_told_by_how_much():
    """Rated 100 Ah, 80 Ah true: after 48 Ah the monitor says 52 %, but 40 % are left."""
    log = Timeline(soc=0.7, capacity_ah=80.0).charge_full().run_empty().charge_full().run_empty().charge_full()
    log.flow(-8.0, 6).flow(-0.5, 4)

    found = judged(log.readings()).soc_error_percent

    assert found.low <= 12.5 <= found.high
    assert found.value == pytest.approx(12.5, abs=3.0)


def test_a_percentage_that_is_right_has_no_error():
    log = Timeline(soc=0.7).charge_full().run_empty().charge_full().run_empty().charge_full().flow(-8.0, 8)

    found = judged(log.readings()).soc_error_percent

    assert found.low <= 0.0 <= found.high
    assert abs(found.value) <= 3.0


def test_a_false_reset_to_a_hundred_percent_is_told_as_an_error():
    """Thin sun lifts the voltage, the monitor takes it for full at 45 %: 50 points and more too high."""
    log = Timeline(soc=0.7).charge_full().run_empty().charge_full().run_empty().charge_full().flow(-8.0, 7)
    log.reported = 100.0
    log.flow(-0.5, 4)

    found = judged(log.readings()).soc_error_percent

    assert found.low > 40.0


def test_a_slow_draw_read_through_an_offset_is_told_as_offset():
    found = judged(slow_runs(2, capacity_ah=96.0, offset_a=-0.06).readings()).current_offset_a

    assert found.low <= -0.06 <= found.high
