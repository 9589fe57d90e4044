"""Capacity: the truth comes back inside its interval, and nothing that is no evidence moves it."""

from __future__ import annotations

import numpy as np
import pytest
from hypothesis import given
from hypothesis import strategies as st

from logbook.analysis.answer import answer
from logbook.analysis.digest import digest
from tests.analysis.histories import History, World
from tests.analysis.properties import SLOW_PROPERTY
from tests.analysis.timeline import PACK, START_MS, Timeline, pack_of, slow_runs, with_changes, year_of_use

DAY_MS = 86_400_000


def health(readings, pack=PACK):
    return answer(digest(readings, pack), pack)


def measured(readings, pack=PACK):
    return health(readings, pack).capacity


def two_runs(**settings):
    log = Timeline(soc=0.6, **settings)
    return log.charge_full().run_empty().charge_full().run_empty().charge_full()


@pytest.mark.parametrize("capacity_ah", [70.0, 82.0, 93.0, 101.0])
def test_a_known_capacity_comes_back_within_its_interval(capacity_ah):
    found = measured(two_runs(capacity_ah=capacity_ah).readings())

    assert found.ah.low <= capacity_ah <= found.ah.high
    assert found.ah.value == pytest.approx(capacity_ah, rel=0.012)
    assert found.ah.width <= 5.0


def test_one_single_run_from_full_to_the_cut_off_is_an_answer_already():
    found = measured(Timeline(soc=0.7, capacity_ah=91.0).charge_full().run_empty().readings())

    assert found.ah.low <= 91.0 <= found.ah.high
    assert len(found.observations) == 1
    assert "one measurement" in found.reason


@pytest.mark.parametrize(("capacity_ah", "verdict"), [(99.0, "meets_rating"), (88.0, "reduced"), (72.0, "end_of_life")])
def test_the_verdict_follows_the_contract_s_lines(capacity_ah, verdict):
    found = measured(two_runs(capacity_ah=capacity_ah).readings())

    assert found.verdict == verdict
    assert found.state_of_health.value == pytest.approx(found.ah.value / 100.0)


def test_of_two_hundred_histories_85_to_97_percent_hold_the_truth_in_the_90_percent_interval(many_worlds):
    inside = [found.ah.low <= truth <= found.ah.high for _, truth, found, _, _ in many_worlds]

    assert len(inside) == 200
    assert 0.85 <= np.mean(inside) <= 0.97


def test_of_two_hundred_histories_the_median_error_and_width_are_small(many_worlds):
    errors = [abs(found.ah.value - truth) for _, truth, found, _, _ in many_worlds]

    assert np.median(errors) <= 0.8
    assert max(errors) <= 3.0
    assert np.median([found.ah.width for _, _, found, _, _ in many_worlds]) <= 4.5


def test_every_observation_is_shown_with_its_interval_and_ends():
    found = measured(two_runs(capacity_ah=90.0).readings())

    assert len(found.observations) >= 2
    for entry in found.observations:
        assert entry.low < entry.ah < entry.high
        assert START_MS <= entry.start_ms < entry.end_ms
        assert "empty" in entry.method


def test_an_offset_of_a_twentieth_of_an_ampere_does_not_turn_96_ah_into_85():
    """Nine days at a small draw: 0.05 A hides 11 Ah of what went out, and the plain count says 85 Ah."""
    readings = slow_runs(capacity_ah=96.0, offset_a=0.05).readings()
    tables = digest(readings, PACK)
    first, last = np.flatnonzero(readings.voltage_v < 1.0)[0], np.flatnonzero(readings.voltage_v > 14.3)
    begin = last[last < first][-1]
    plain_ah = -(readings.current_a[begin:first] * 120 / 3600).sum()

    found = answer(tables, PACK)

    assert plain_ah < 86.5
    assert found.capacity.ah.low <= 96.0 <= found.capacity.ah.high
    assert found.capacity.ah.value == pytest.approx(96.0, abs=2.0)
    assert found.capacity.ah.low > 90.0
    assert found.monitor.current_offset_a.low <= 0.05 <= found.monitor.current_offset_a.high


@pytest.mark.parametrize("typed_ah", [60.0, 100.0, 150.0])
def test_the_monitor_s_percentage_never_counts_as_evidence_of_capacity(typed_ah):
    counted = two_runs(capacity_ah=80.0, typed_ah=typed_ah).readings()
    silent = with_changes(counted, soc_percent=np.nan)

    found, without = measured(counted), measured(silent)

    assert found.ah.low <= 80.0 <= found.ah.high
    assert found.ah.value == pytest.approx(without.ah.value, abs=0.3)


def test_a_percentage_that_says_full_use_where_only_half_was_used_makes_no_capacity():
    """Typed in as 50 Ah, the monitor shows 100 to 0 while half of the pack is used over and over."""
    log = Timeline(soc=1.0, typed_ah=50.0)
    for _ in range(6):
        log.charge_full().flow(-10.0, 5)

    found = measured(log.charge_full().readings())

    assert found.ah is None
    assert found.verdict == "undetermined"


def test_only_shallow_use_gives_no_figure_a_reason_and_an_honest_bound():
    log = Timeline(soc=0.8, capacity_ah=97.0)
    for _ in range(10):
        log.charge_full().flow(-8.0, 4).rest(10)

    found = measured(log.charge_full().readings())

    assert found.ah is None
    assert found.state_of_health is None
    assert found.verdict == "undetermined"
    assert "near empty" in found.reason
    assert 0.8 * 32.0 <= found.at_least_ah <= 32.5


def test_never_full_gives_no_figure_and_says_what_is_missing():
    log = Timeline(soc=0.7)
    for _ in range(6):
        log.flow(-10.0, 3).flow(10.0, 3)

    found = measured(log.readings())

    assert found.ah is None
    assert "full" in found.reason
    assert found.at_least_ah is None


def test_a_cold_discharge_that_ends_early_is_not_called_ageing():
    """At −8 °C the board opens with a seventh of the charge still in; it is there again in the mild."""
    log = Timeline(soc=0.6, capacity_ah=98.0).charge_full().run_empty().charge_full()
    log.at(-8.0).run_empty(30.0, left_soc=0.14).at(18.0).charge_full().run_empty().charge_full()

    found = health(log.readings())

    assert found.capacity.ah.low <= 98.0 <= found.capacity.ah.high
    assert found.capacity.verdict == "meets_rating"
    assert found.fade.sudden_losses == ()
    cold = [entry for entry in found.capacity.observations if entry.temperature_c < 0]
    assert cold
    assert all(entry.note for entry in cold)


def test_nothing_but_a_cold_discharge_is_no_sure_loss():
    log = Timeline(soc=0.6, capacity_ah=98.0).charge_full().at(-8.0).run_empty(30.0, left_soc=0.14)

    found = measured(log.readings())

    assert found.ah is None or found.ah.high >= 97.0


def test_an_inverter_that_stops_at_half_charge_is_no_capacity():
    log = Timeline(soc=0.7)
    for _ in range(3):
        log.charge_full().flow(-10.0, 5).flow(-120.0, 4 / 60, volts=10.9).rest(5)

    found = measured(log.charge_full().readings())

    assert found.ah is None
    assert found.at_least_ah <= 60.0


def test_charge_that_flowed_in_a_pause_makes_no_capacity():
    """Full, half used, a pause in which the other half goes unseen, then cut off."""
    log = Timeline(soc=0.7).charge_full().flow(-10.0, 5).pause(10, amps=-4.0).run_empty()

    found = measured(log.readings())

    assert found.ah is None


def test_a_run_that_disagrees_with_all_others_is_left_out_and_said_so():
    history = History(World(capacity_ah=95.0)).full()
    for run in range(6):
        if run == 3:
            history.world.capacity_ah = 70.0
        history.empty()
        history.world.capacity_ah = 95.0
        history.full().pause(400, soc=history.soc).full()

    found = answer(history.tables(), PACK).capacity

    assert found.ah.low <= 95.0 <= found.ah.high
    odd = [entry for entry in found.observations if not entry.used]
    assert odd
    assert all(entry.note for entry in odd)


def test_a_last_run_far_below_all_others_is_a_loss_or_an_oddity_and_nobody_can_say():
    history = History(World(capacity_ah=99.0)).full()
    for _ in range(6):
        history.empty().full().pause(400, soc=history.soc).full()
    history.world.capacity_ah = 84.0
    history.empty()

    found = answer(history.tables(), PACK).capacity

    assert found.verdict == "undetermined"
    assert found.ah.low <= 84.0
    assert found.ah.high >= 99.0
    assert "84 Ah" in found.reason


def test_no_readings_are_undetermined_with_a_reason():
    found = measured(Timeline().rest(0.1).readings().between(0, 0))

    assert found.verdict == "undetermined"
    assert found.reason


def test_a_small_cell_is_told_currents_that_are_not_zero():
    small = pack_of(2.6)

    reason = answer(digest(Timeline(pack=small).rest(0.1).readings(), small), small).capacity.reason

    assert "tapered to 0.1 A" in reason
    assert "about 0.5 A down" in reason


def test_a_year_of_ordinary_use_gives_the_capacity_back():
    found = measured(year_of_use(capacity_ah=94.0, offset_a=-0.03).readings())

    assert found.ah.low <= 94.0 <= found.ah.high


@SLOW_PROPERTY
@given(st.sampled_from([20.0, 50.0, 200.0, 280.0]))
def test_health_is_the_same_for_a_pack_of_any_size_used_alike(rated_ah):
    pack = pack_of(rated_ah)
    log = Timeline(pack, capacity_ah=0.9 * rated_ah, soc=0.6)
    log.charge_full(0.2 * rated_ah).run_empty(0.2 * rated_ah).charge_full(0.2 * rated_ah).run_empty(0.2 * rated_ah)

    found = measured(log.readings(decimals=6), pack)

    assert found.state_of_health.value == pytest.approx(0.9, abs=0.01)
    assert found.state_of_health.low <= 0.9 <= found.state_of_health.high


@SLOW_PROPERTY
@given(st.integers(-700, 700))
def test_whole_days_later_the_figure_is_the_same(days):
    early = measured(two_runs(capacity_ah=88.0).readings())
    late = measured(two_runs(capacity_ah=88.0, start_ms=START_MS + days * DAY_MS).readings())

    assert late.ah == early.ah
    assert [entry.start_ms for entry in late.observations] == [
        entry.start_ms + days * DAY_MS for entry in early.observations
    ]


@SLOW_PROPERTY
@given(st.sampled_from([10.0, 20.0, 30.0]))
def test_a_finer_log_gives_the_same_figure(interval_s):
    coarse = measured(two_runs(capacity_ah=88.0).readings())
    fine = measured(two_runs(capacity_ah=88.0, interval_s=interval_s).readings())

    assert fine.ah.value == pytest.approx(coarse.ah.value, abs=0.4)


@SLOW_PROPERTY
@given(st.floats(0.05, 0.9))
def test_what_went_out_bounds_the_capacity_from_below(depth):
    log = Timeline(soc=0.9, capacity_ah=92.0).charge_full().flow(-10.0, 9.2 * depth).rest(2).charge_full()

    found = measured(log.readings())

    assert (found.at_least_ah or 0.0) <= 92.0 * depth + 0.5
