"""Exchange: another pack behind the same monitor."""

from __future__ import annotations

import pytest

from logbook.analysis.answer import answer
from logbook.analysis.balance import balance
from logbook.analysis.digest import digest
from logbook.analysis.exchange import exchange
from tests.analysis.timeline import PACK, Timeline


def two_packs(first_ah: float, second_ah: float, *, runs: int = 3) -> Timeline:
    """Full-to-empty runs of one pack, then of another behind the same monitor."""
    log = Timeline(capacity_ah=first_ah, interval_s=120.0)
    for _ in range(runs):
        log.charge_full().flow(-3.0, 6.0).charge_full().run_empty().charge_full()
    log.capacity_ah = second_ah
    for _ in range(runs):
        log.charge_full().flow(-3.0, 6.0).charge_full().run_empty().charge_full()
    return log


def test_a_pack_that_suddenly_holds_twice_as_much_is_another_one():
    health = answer(digest(two_packs(60.0, 120.0).readings(), PACK), PACK)

    assert health.capacity.ah.low <= 120.0 <= health.capacity.ah.high
    assert "another pack" in health.capacity.reason
    assert "60 Ah" in health.capacity.reason
    assert "other_pack" in {flag.code for flag in health.flags}


def test_the_day_lies_between_the_runs():
    log = Timeline(capacity_ah=60.0, interval_s=120.0)
    for _ in range(3):
        log.charge_full().run_empty().charge_full()
    changed_ms, log.capacity_ah = log.now_ms, 120.0
    for _ in range(3):
        log.charge_full().run_empty().charge_full()

    found = exchange(balance(digest(log.readings(), PACK), PACK))

    assert abs(found.at_ms - changed_ms) <= 86_400_000
    assert (found.before_ah, found.after_ah) == (pytest.approx(60.0, rel=0.02), pytest.approx(120.0, rel=0.02))


@pytest.mark.parametrize(("first_ah", "second_ah"), [(100.0, 100.0), (95.0, 104.0), (100.0, 80.0)])
def test_one_pack_and_one_that_loses_a_cell_are_no_exchange(first_ah, second_ah):
    assert exchange(balance(digest(two_packs(first_ah, second_ah).readings(), PACK), PACK)) is None


def test_one_false_cut_off_at_the_beginning_is_no_exchange():
    log = Timeline(interval_s=120.0).charge_full().run_empty(left_soc=0.4).charge_full()
    for _ in range(3):
        log.charge_full().run_empty().charge_full()

    assert exchange(balance(digest(log.readings(), PACK), PACK)) is None
