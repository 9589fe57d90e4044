"""The joint estimate against references that have the same information."""

from __future__ import annotations

import numpy as np
import pandas as pd
import pytest
from hypothesis import given
from hypothesis import strategies as st

from logbook.analysis.balance import balance, fed_heater
from logbook.analysis.cold import COLUMNS as COLD_COLUMNS
from logbook.analysis.digest import digest
from logbook.analysis.heating import NO, PERHAPS
from logbook.analysis.recount import counter_scale
from logbook.analysis.unknown import BRISK_SIGMA, OFFSET_C_RATE
from logbook.schema.reading import Readings
from tests.analysis.histories import HOUR_MS, START_MS, History, World, two_years
from tests.analysis.properties import SLOW_PROPERTY
from tests.analysis.timeline import PACK, Timeline, pack_of, with_changes

WTLS_CHANGE = [0.62, -0.45, 0.81, -0.33, 0.54, -0.70]
WTLS_AH = [61.0, -42.8, 78.1, -33.5, 50.9, -68.2]


def solved(history):
    return balance(history.tables(), PACK)


def unlinked_spans(changes, counted_ah, sigma):
    """Spans of an hour with no anchor in common, each end known to `sigma`/√2 of the state of charge."""
    history = History(World())
    for place, (change, net_ah) in enumerate(zip(changes, counted_ah, strict=True)):
        begin = 0.1 if change > 0 else 0.95
        kind = ("knee", "nearly_full")[place % 2]
        history.anchor(kind, edge="leave", sigma=sigma / np.sqrt(2), soc=begin)
        history.counted(net_ah, hours=1)
        history.anchor(kind, edge="enter", sigma=sigma / np.sqrt(2), soc=begin + change)
        history.counted(0.0, hours=1).pause(5)
    return history


def test_published_plett2011_weighted_total_least_squares_vector():
    """Check vector A for the estimators of Plett 2011, J. Power Sources 196:2319, σx 0.03, σy 0.5 Ah.

    WTLS by brute force gives 96.875326 Ah with σ 2.019234. The joint estimate has the same data and
    weak priors beside it, and no drift or offset to speak of within an hour; a tenth of σ is allowed.
    """
    found = solved(unlinked_spans(WTLS_CHANGE, WTLS_AH, 0.03))

    assert found.value("capacity_ah") == pytest.approx(96.875326, abs=0.2)
    assert found.sigma("capacity_ah") == pytest.approx(2.019234, rel=0.15)


def test_states_of_charge_in_error_do_not_make_the_estimate_too_sure():
    """Plain least squares on vector A says σ 0.34 Ah, a sixth of the truth."""
    assert solved(unlinked_spans(WTLS_CHANGE, WTLS_AH, 0.03)).sigma("capacity_ah") > 5 * 0.342313


def test_published_missing_charge_regression_between_full_charges():
    """M = a·Δt + b·Ah between fulls (refill method): a 0.15 Ah a day, b 0.002, recovered by least squares; a by the balance too."""
    days, through_ah = np.array([3, 7, 10, 14, 21]), np.array([120.0, 150, 400, 300, 250])
    missing_ah = np.array([0.69, 1.35, 2.30, 2.70, 3.65])
    reference, *_ = np.linalg.lstsq(np.column_stack([days, through_ah]), missing_ah, rcond=None)
    history = History(World())
    for passed, through, missing in zip(days, through_ah, missing_ah, strict=True):
        history.anchor("full", edge="leave", sigma=0.002, soc=0.999)
        history.counted(missing, hours=24, throughput_ah=2 * through).park(int(passed) * 24 - 24)
        history.anchor("full", edge="enter", sigma=0.002, soc=0.999).park(1)

    found = solved(history)

    assert reference == pytest.approx([0.15, 0.002], abs=1e-6)
    assert abs(24 * found.value("loss_a") - 0.15) <= 1.645 * 24 * found.sigma("loss_a")
    assert found.learned(loss_a=1.0) > 0.1


def test_closures_from_full_to_full_give_the_offset_back():
    history = History(World(offset_a=0.06)).full()
    for _ in range(12):
        history.to(0.6, hours=10).to(0.6, hours=120).full()

    found = solved(history)

    assert found.value("offset_a") == pytest.approx(0.06, abs=0.02)
    assert abs(found.value("offset_a") - 0.06) <= 1.645 * found.sigma("offset_a")
    assert found.learned(capacity_ah=1.0) < 0.5


def test_everything_comes_back_together_where_chance_plays_no_part():
    world = World(capacity_ah=93.0, rate_ah_per_year=3.0, offset_a=-0.04, loss_a=0.01)

    history = two_years(world)
    found = solved(history)

    assert found.value("capacity_ah") == pytest.approx(history.capacity_now(), abs=0.8)
    assert found.value("rate_ah_per_year") == pytest.approx(3.0, abs=0.5)
    # What the sensor adds and what is lost unseen are told apart only where the sensor shows nothing.
    assert found.value("offset_a") + found.value("loss_a") == pytest.approx(-0.03, abs=0.005)


def test_no_spans_leave_what_was_assumed_beforehand():
    found = balance(digest(Readings.empty(), PACK), PACK)

    assert found.spans.empty
    assert found.learned(capacity_ah=1.0) == pytest.approx(0.0, abs=1e-6)
    assert found.steps == ()


@pytest.mark.parametrize("runs", [1, 2, 3])
def test_few_spans_are_solved_as_well(runs):
    history = History(World(capacity_ah=90.0)).full()
    for _ in range(runs):
        history.empty().pause(10, soc=0.999)
        history.anchor("full", edge="leave", sigma=0.005, soc=0.999)

    found = solved(history)

    assert found.value("capacity_ah") == pytest.approx(90.0, abs=1.5)


def test_one_wild_span_is_weighed_down():
    history = two_years(World(capacity_ah=95.0))
    history.anchor("full", edge="leave", sigma=0.005, soc=0.999)
    history.counted(-60.0, hours=6)
    history.anchor("empty", edge="enter", sigma=0.004, soc=0.0)

    found = solved(history)

    assert found.spans["weight"].iloc[-1] < 0.2
    assert found.value("capacity_ah") == pytest.approx(95.0, abs=1.0)


def test_a_step_down_is_found_and_dated_between_the_runs_around_it():
    history = two_years(World(capacity_ah=98.0), loss_ah=14.0)

    found = solved(history)

    year_ms = 12 * 30.5 * 86_400_000
    assert found.steps[0].at_ms == pytest.approx(
        history.tables()["hours"]["start_ms"].iloc[0] + year_ms, abs=90 * 86_400_000
    )
    assert found.value(found.steps[0].name) == pytest.approx(14.0, abs=2.0)


@pytest.mark.parametrize("typed_ah", [80.0, 100.0, 125.0])
def test_the_typed_in_capacity_is_read_off_the_monitor_s_own_count(typed_ah):
    log = Timeline(soc=0.95, typed_ah=typed_ah)
    for _ in range(6):
        log.flow(-6.0, 8).rest(16).flow(6.0, 7.9).rest(16.1)

    assert counter_scale(digest(log.readings(), PACK), PACK) == pytest.approx(typed_ah / 100.0, rel=0.02)


def test_a_percentage_that_never_moves_is_no_count():
    log = Timeline(soc=0.95)
    for _ in range(6):
        log.flow(-6.0, 8).rest(16).flow(6.0, 7.9).rest(16.1)

    assert counter_scale(digest(with_changes(log.readings(), soc_percent=50.0), PACK), PACK) is None


@SLOW_PROPERTY
@given(st.integers(0, 10_000))
def test_the_estimate_does_not_depend_on_the_order_rows_are_kept_in(seed):
    tables = two_years(World(capacity_ah=90.0, offset_a=0.02)).tables()
    rng = np.random.default_rng(seed)
    shuffled = tables | {"anchors": tables["anchors"].iloc[rng.permutation(len(tables["anchors"]))]}

    assert balance(shuffled, PACK).value("capacity_ah") == pytest.approx(balance(tables, PACK).value("capacity_ah"))


def test_two_drops_at_once_are_two_steps_and_no_steep_fade():
    """A cell damaged twice: 8 and 10 Ah in a pack that otherwise fades by 2 Ah a year."""
    world = World(capacity_ah=100.0, rate_ah_per_year=2.0)
    history = History(world).full()
    for month in range(36):
        world.capacity_ah -= {12: 8.0, 24: 10.0}.get(month, 0.0)
        history.empty().to(history.soc, hours=40).full().pause(620, soc=history.soc)

    found = solved(history.full())

    sizes = [found.value(step.name) for step in found.steps]
    assert sizes == pytest.approx([8.0, 10.0], abs=1.0)
    rate, sigma = found.value("rate_ah_per_year"), found.sigma("rate_ah_per_year")
    assert abs(rate - 2.0) <= 2 * sigma
    assert sigma < 1.0


def test_a_doubtful_step_makes_the_fade_unsure_too():
    """A drop just under what proves itself must widen the rate that would otherwise swallow it."""
    plain = solved(two_years(World(capacity_ah=98.0)))
    doubtful = solved(two_years(World(capacity_ah=98.0), np.random.default_rng(3), scatter=1.5, loss_ah=5.0))

    assert doubtful.steps == ()
    assert doubtful.sigma("rate_ah_per_year") > plain.sigma("rate_ah_per_year")


def test_without_a_proven_full_the_curve_of_a_rested_pack_is_not_learned():
    """Only rested tops: their common error stays as large as it was, and capacity is that much less sure."""
    history = History(World(capacity_ah=95.0, full_soc=0.93), np.random.default_rng(4), scatter=0.002)
    for month in range(14):
        history.to(0.93, hours=10)
        history.anchor("rested_full", edge="leave", sigma=(0.03, 0.06)[month % 2], soc=(0.96, 0.93)[month % 2])
        history.empty().pause(300, soc=0.5)

    found = solved(history)

    assert abs(found.value("bias_rested_full")) < 0.01
    assert found.sigma("capacity_ah") > 1.5


def test_readings_a_quarter_of_an_hour_apart_tell_no_typed_in_capacity():
    log = Timeline(soc=0.95, typed_ah=100.0, interval_s=900.0)
    for _ in range(6):
        log.flow(-6.0, 8).rest(16).flow(6.0, 7.9).rest(16.1)

    assert counter_scale(digest(log.readings(), PACK), PACK) is None


@pytest.mark.parametrize("share", [0.0, 0.3, 0.6, 1.2])
def test_what_the_cold_keeps_back_of_a_pack_is_learned_and_is_no_fade(share):
    """A year that ends in winter; nine runs in mild weather, then nine in the cold of each of its months."""
    rng = np.random.default_rng(5)
    history = History(World(capacity_ah=96.0, cold_share=share), rng).full()
    for run in range(18):
        history.empty(cold=0.0 if run < 9 else 0.01 * (run - 8)).pause(480).full()

    found = balance(history.tables(), PACK)

    assert abs(found.value("cold") - share) <= 2 * found.sigma("cold")
    assert found.sigma("cold") < 0.25
    assert abs(found.value("capacity_ah") - 96.0) <= 2 * found.sigma("capacity_ah")
    assert not found.steps


def test_runs_in_the_cold_alone_leave_capacity_as_unsure_as_the_cold():
    """No number of them tells a worn pack from a cold one."""
    told = []
    for runs in (4, 24):
        history = History(World(capacity_ah=96.0, cold_share=0.3), np.random.default_rng(6)).full()
        for _ in range(runs):
            history.empty(cold=0.1).pause(240).full()
        told.append(balance(history.tables(), PACK).sigma("capacity_ah"))

    assert min(told) > 0.03 * 96.0


def of_a_cold_pack(*, stored: bool, looks_like_a_heater: bool, rng: np.random.Generator) -> dict[str, pd.DataFrame]:
    """Sixteen runs, in eight of which 6 Ah go in below the limit: into the cells, or into a heater."""
    history = History(World(capacity_ah=96.0, offset_a=0.03), rng).full()
    pieces = []
    for run in range(16):
        history.empty()
        if run % 2:
            pieces.append({"start_ms": START_MS + history.hours * HOUR_MS, "charge_ah": 6.0, "heats": NO})
            if stored:
                history.to(history.soc + 6.0 / history.capacity_now(), hours=2)
            else:
                history.counted(6.0, hours=2)
        history.full()
    cold = pd.DataFrame(pieces).reindex(columns=list(COLD_COLUMNS))
    cold.loc[:2, "heats"] = PERHAPS if looks_like_a_heater else NO
    return {**history.tables(), "cold": cold.assign(end_ms=cold["start_ms"] + 2 * HOUR_MS)}


@pytest.mark.parametrize("stored", [True, False])
def test_the_charge_balance_tells_a_heater_from_a_cold_charge(stored):
    tables = of_a_cold_pack(stored=stored, looks_like_a_heater=True, rng=np.random.default_rng(3))

    found = balance(tables, PACK)

    assert abs(found.value("heated") - (0.0 if stored else 1.0)) <= 2 * found.sigma("heated") + 0.02
    assert fed_heater(found, tables["cold"]) is not stored
    assert abs(found.value("offset_a") - 0.03) <= 2 * found.sigma("offset_a")
    assert abs(found.value("capacity_ah") - 96.0) <= 2 * found.sigma("capacity_ah")


def test_without_a_sign_of_a_heater_no_cold_charge_is_explained_away():
    tables = of_a_cold_pack(stored=False, looks_like_a_heater=False, rng=np.random.default_rng(3))

    found = balance(tables, PACK)

    assert found.value("heated") == pytest.approx(0.0, abs=1e-3)
    assert not fed_heater(found, tables["cold"])


@pytest.mark.parametrize("share", [0.0, 0.012, 0.035])
def test_one_capacity_comes_out_of_gentle_and_brisk_runs(share):
    """A cell sheet's rate test: what 1 C leaves behind is learned from runs at 0.1 C and is no fade."""
    history = History(World(capacity_ah=96.0, brisk_share=share), np.random.default_rng(7)).full()
    for run in range(16):
        history.empty(brisk=-0.1 if run % 2 else 0.8).pause(480).full()

    found = balance(history.tables(), PACK)

    assert abs(found.value("brisk") - share) <= 2 * found.sigma("brisk")
    assert found.sigma("brisk") < 0.5 * BRISK_SIGMA
    assert abs(found.value("capacity_ah") - 96.0) <= 2 * found.sigma("capacity_ah")
    assert not found.steps


def test_runs_at_one_c_alone_leave_capacity_as_unsure_as_what_they_leave():
    told = []
    for runs in (4, 24):
        history = History(World(capacity_ah=96.0, brisk_share=0.02), np.random.default_rng(8)).full()
        for _ in range(runs):
            history.empty(brisk=0.8).pause(240).full()
        told.append(balance(history.tables(), PACK))

    assert min(found.sigma("capacity_ah") for found in told) > 0.008 * 96.0
    assert all(abs(found.value("capacity_ah") - 96.0) <= 2 * found.sigma("capacity_ah") for found in told)


def test_the_zero_of_a_small_pack_is_not_as_unsure_as_that_of_a_vehicle():
    """1 % of C, where a vehicle's shunt may be off by 0.15 A whatever the pack: a cell of 3 Ah is no two hours from empty."""
    found = balance(digest(Timeline(pack_of(3.0)).rest(1).readings(), pack_of(3.0)), pack_of(3.0))

    assert found.sigma("offset_a") <= OFFSET_C_RATE * 3.0


@pytest.mark.parametrize("share", [0.0, 0.5, 1.0])
def test_cells_that_still_show_charge_when_the_board_opens_may_hold_it_or_not(share):
    """A board that opens at 3.0 V a cell, or one cell that is empty before the others: the log does not say which."""
    history = History(World(capacity_ah=96.0, early_share=share), np.random.default_rng(9)).full()
    for _ in range(12):
        history.empty(early=0.03).pause(300).full()

    found = balance(history.tables(), PACK)

    assert abs(found.value("capacity_ah") - 96.0) <= 2 * found.sigma("capacity_ah")
    assert found.sigma("capacity_ah") > 0.007 * 96.0


def test_a_cell_that_became_weak_is_no_board_that_opens_early():
    """What the other cells still show at the end of the later runs is the loss itself."""
    sides = []
    for early in (0.0, 0.05):
        history = History(World(capacity_ah=96.0), np.random.default_rng(10)).full()
        for run in range(12):
            history.empty(early=early if run > 7 else 0.0).pause(300).full()
        sides.append(balance(history.tables(), PACK))

    assert sides[1].value("capacity_ah") == pytest.approx(sides[0].value("capacity_ah"))
