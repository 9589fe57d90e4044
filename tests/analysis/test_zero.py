"""Zero: a current sensor that was set anew or replaced in the middle of a pack's history."""

from __future__ import annotations

import numpy as np
import pytest

from logbook.analysis.answer import answer
from logbook.analysis.balance import balance
from logbook.analysis.digest import digest
from tests.analysis.histories import History, World
from tests.analysis.timeline import PACK, Timeline


def replaced(before_a, after_a, *, months=24, capacity_ah=98.0, seed=5):
    """Two full charges and a run down each month; another instrument after half of them."""
    world = World(capacity_ah=capacity_ah, offset_a=before_a)
    history = History(world, np.random.default_rng(seed), scatter=0.003).full()
    for month in range(months):
        if month == months // 2:
            world.offset_a = after_a
        history.empty().to(history.soc, hours=60).full().to(history.soc, hours=90).full().pause(500, soc=history.soc)
    return history.full()


@pytest.mark.parametrize(("before_a", "after_a"), [(0.05, -0.06), (-0.02, 0.10), (0.0, -0.12)])
def test_a_zero_that_changed_is_found_dated_and_sized(before_a, after_a):
    history = replaced(before_a, after_a)

    found = balance(history.tables(), PACK)

    (change,) = found.zero_changes
    hours = history.tables()["hours"]["start_ms"].to_numpy()
    assert change.at_ms == pytest.approx((hours[0] + hours[-1]) / 2, abs=45 * 86_400_000)
    assert change.by_a == pytest.approx(before_a - after_a, abs=0.02)
    assert found.value("offset_a") == pytest.approx(after_a, abs=0.02)
    assert found.value("capacity_ah") == pytest.approx(98.0, abs=1.0)
    assert found.steps == ()


def test_a_zero_that_stayed_is_not_said_to_have_changed():
    for seed in range(12):
        assert balance(replaced(0.05, 0.05, seed=seed).tables(), PACK).zero_changes == ()


def test_a_sudden_loss_is_no_change_of_zero():
    world = World(capacity_ah=98.0, offset_a=0.04)
    history = History(world, np.random.default_rng(2), scatter=0.003).full()
    for month in range(24):
        world.capacity_ah -= 14.0 if month == 12 else 0.0
        history.empty().to(history.soc, hours=60).full().to(history.soc, hours=90).full().pause(500, soc=history.soc)

    found = balance(history.full().tables(), PACK)

    assert found.zero_changes == ()
    assert [found.value(step.name) for step in found.steps] == pytest.approx([14.0], abs=1.5)


def test_everything_before_the_change_is_read_as_the_later_instrument_would_have_shown_it():
    """The same use by two instruments: throughput, offset and draw of the parked vehicle come out as with one."""

    def log(offsets_a):
        line = Timeline(soc=0.9, interval_s=300.0)
        for offset_a in offsets_a:
            line.offset_a = offset_a
            for _ in range(6):
                line.charge_full().flow(-0.12, 96).charge_full().run_empty()
        return answer(digest(line.charge_full().readings(), PACK), PACK)

    one, two = log((-0.06, -0.06)), log((0.08, -0.06))

    (change,) = two.monitor.zero_changes
    assert change.by_a == pytest.approx(-0.14, abs=0.02)
    assert one.monitor.zero_changes == ()
    assert two.monitor.current_offset_a.value == pytest.approx(-0.06, abs=0.02)
    assert two.cycles.equivalent_full_cycles == pytest.approx(one.cycles.equivalent_full_cycles, rel=0.01)
    assert two.cycles.charge_wh == pytest.approx(one.cycles.charge_wh, rel=0.01)
    assert two.cycles.discharge_wh == pytest.approx(one.cycles.discharge_wh, rel=0.01)
    assert two.idle.standby_current_a.low <= 0.12 <= two.idle.standby_current_a.high
