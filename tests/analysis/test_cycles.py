"""Cycles: throughput and rainflow depths."""

from __future__ import annotations

from dataclasses import replace

import numpy as np
import pytest
from hypothesis import given
from hypothesis import strategies as st

from logbook.analysis.answer import answer
from logbook.analysis.cycles import LEAST_DEPTH_PERCENT, cycles, depth_counts
from logbook.analysis.digest import digest
from logbook.schema.reading import Readings
from tests.analysis.properties import PROPERTY, ratings_ah
from tests.analysis.timeline import PACK, Timeline, pack_of, readings_of

ASTM_E1049_FIG_6A = [-2, 1, -3, 5, -1, 3, -4, 4, -2]


def counted(history) -> dict[float, float]:
    """Range to count."""
    totals: dict[float, float] = {}
    for depth, count in depth_counts(history):
        totals[depth] = totals.get(depth, 0.0) + count
    return totals


def worked(readings, pack=PACK):
    tables = digest(readings, pack)
    return cycles(tables["hours"], tables["openings"], pack, capacity_ah=pack.rated_ah, offset_a=0.0)


def test_published_astm_e1049_85_fig_6a():
    """ASTM E1049-85 (2017) section 5.4.4, figure 6(a): half cycles 3, 4, 6, 8, 8, 9 and one whole cycle of 4."""
    assert counted(ASTM_E1049_FIG_6A) == {3: 0.5, 4: 1.5, 6: 0.5, 8: 1.0, 9: 0.5}


def test_a_history_of_state_of_charge_by_hand():
    """By the three-point rule: 20 % twice as whole cycles, 80 % as two halves of the residue."""
    assert counted([100, 60, 80, 20, 90, 70, 100]) == {20: 2.0, 80: 1.0}


def test_reversals_under_two_percent_are_left_out():
    assert counted([50, 51, 50, 51, 50]) == {}


@PROPERTY
@given(st.lists(st.integers(0, 50).map(lambda value: 2.0 * value), min_size=3, max_size=40))
def test_counted_depths_add_up_to_half_the_way_travelled(percent):
    """With the residue as half cycles: Σ range·count = Σ|ΔSOC|/2; steps of 2 % so that none is left out."""
    travelled = np.abs(np.diff(percent)).sum()

    assert sum(depth * count for depth, count in depth_counts(percent)) == pytest.approx(travelled / 2)


@PROPERTY
@given(st.lists(st.floats(0, 100).map(lambda value: round(value, 1)), min_size=2, max_size=40), st.floats(-50, 50))
def test_depths_do_not_depend_on_where_the_history_starts(percent, shift):
    there = sorted(depth_counts(percent))
    moved = sorted(depth_counts(np.round(np.array(percent) + round(shift, 1), 1)))

    for (depth, count), (other_depth, other_count) in zip(there, moved, strict=False):
        if min(depth, other_depth) > LEAST_DEPTH_PERCENT + 1e-6:
            assert depth == pytest.approx(other_depth)
            assert count == other_count


def test_one_full_discharge_and_charge_is_one_equivalent_full_cycle():
    log = Timeline(soc=1.0).flow(-20.0, 5).flow(20.0, 5)

    use = worked(log.readings())

    assert use.equivalent_full_cycles == pytest.approx(1.0, rel=0.005)
    assert use.discharge_ah == pytest.approx(100.0, rel=0.005)


def test_three_half_deep_cycles_stand_in_their_bin():
    log = Timeline(soc=0.9)
    for _ in range(3):
        log.flow(-15.0, 3).flow(15.0, 3)

    use = worked(log.readings())

    counts = {bin_.depth_low_percent: bin_.count for bin_ in use.depth_histogram}
    assert counts[40.0] == pytest.approx(3.0)
    assert sum(counts.values()) == pytest.approx(3.0)


def test_energy_is_charge_times_voltage():
    use = worked(readings_of([-10.0] * 61, voltage_v=13.0))

    assert use.discharge_wh == pytest.approx(use.discharge_ah * 13.0, rel=1e-3)


def test_energy_goes_without_the_offset_as_charge_does():
    """What came out and what went in differ by the pack's losses and not by what the sensor adds."""
    log, plain = Timeline(soc=0.7, offset_a=0.1), Timeline(soc=0.7)
    for timeline in (log, plain):
        for _ in range(4):
            timeline.charge_full().flow(-8.0, 5).flow(-0.25, 90).charge_full().run_empty()

    found, true = (answer(digest(timeline.readings(), PACK), PACK).cycles for timeline in (log, plain))

    assert found.charge_wh == pytest.approx(true.charge_wh, rel=0.01)
    assert found.discharge_wh == pytest.approx(true.discharge_wh, rel=0.01)


def test_what_an_offset_shows_as_charge_all_night_is_discharge():
    """0.05 A flow out of a parked pack, and a sensor 0.1 A too high shows 0.05 A going in."""
    log = Timeline(soc=0.7, offset_a=0.1)
    for _ in range(4):
        log.charge_full().flow(-8.0, 5).flow(-0.05, 150).charge_full().run_empty()
    true_ah = sum(float(np.maximum(-(piece[2] - 0.1), 0.0).sum()) / 60 for piece in log.pieces)

    found = answer(digest(log.readings(), PACK), PACK)

    assert found.cycles.discharge_ah == pytest.approx(true_ah, rel=0.01)


def test_a_pack_that_mostly_stands_is_told_how_unsure_its_few_cycles_are():
    standing = Timeline(soc=0.7, interval_s=300.0)
    used = Timeline(soc=0.7, interval_s=300.0)
    for _ in range(3):
        standing.charge_full().flow(-0.05, 600).flow(-8.0, 3)
        used.charge_full().flow(-8.0, 10)

    unsure, sure = (answer(digest(log.charge_full().readings(), PACK), PACK).cycles for log in (standing, used))

    assert "mostly stood" in unsure.reason
    assert sure.reason is None


def test_a_flicker_about_zero_is_no_throughput():
    """A sensor that shows 0.2 A in and out in turn for weeks, while nothing flows."""
    flickering = Timeline(soc=0.7).flow(np.tile([0.2, -0.2], 30 * 240), 240)

    assert worked(flickering.readings()).equivalent_full_cycles == pytest.approx(0.0, abs=0.01)


def test_small_charges_and_loads_of_different_hours_are_throughput():
    """A trickle of 0.2 A by day and as much drawn by night is 4.8 Ah a day in and out together."""
    log = Timeline(soc=0.7)
    for _ in range(10):
        log.flow(0.2, 12).flow(-0.2, 12)

    assert worked(log.readings()).equivalent_full_cycles == pytest.approx(10 * 4.8 / 200, rel=0.02)


def test_the_drift_of_a_count_between_full_charges_is_no_cycle():
    """A season of a tenth of the pack a day, never deeper, with an offset that adds up to two packs."""
    log = Timeline(soc=1.0, offset_a=0.05, loss_a=0.02, interval_s=300.0)
    for _ in range(120):
        log.flow(-1.0, 10).charge_full(10.0).rest(6)

    found = answer(digest(log.readings(), PACK), PACK).cycles

    deeper = sum(bin_.count for bin_ in found.depth_histogram if bin_.depth_low_percent >= 20.0)
    assert deeper == 0.0
    assert sum(bin_.count for bin_ in found.depth_histogram) == pytest.approx(120, abs=3)


def test_nothing_is_joined_across_a_pause():
    """Down 40 %, a pause of two days, up 40 %: two half cycles, and what flowed in the pause is not invented."""
    log = Timeline(soc=0.9).flow(-10.0, 4).pause(48, amps=-0.5).flow(10.0, 4)

    use = worked(log.readings())

    assert sum(bin_.count for bin_ in use.depth_histogram) == pytest.approx(1.0)
    assert use.charge_ah + use.discharge_ah == pytest.approx(80.0, rel=0.01)


def test_readings_without_a_current_are_a_reason_not_a_zero_alone():
    found = worked(replace(Timeline(soc=0.5).flow(-10.0, 3).readings(), current_a=np.full(180, np.nan)))

    assert found.equivalent_full_cycles == 0.0
    assert "no current" in found.reason


def test_no_readings_are_a_reason_not_a_zero_alone():
    tables = digest(Readings.empty(), PACK)

    use = cycles(tables["hours"], tables["openings"], PACK, capacity_ah=100.0, offset_a=0.0)

    assert use.equivalent_full_cycles == 0.0
    assert use.reason


@PROPERTY
@given(ratings_ah)
def test_a_pack_twice_as_big_used_twice_as_hard_is_used_alike(rated_ah):
    pack = pack_of(rated_ah)
    log = Timeline(pack, soc=0.9).flow(-0.11 * rated_ah, 4).flow(0.11 * rated_ah, 3)

    use = worked(log.readings(decimals=6), pack)

    assert use.equivalent_full_cycles == pytest.approx(0.385, abs=0.006)
    assert {bin_.depth_low_percent for bin_ in use.depth_histogram if bin_.count} == {30.0, 40.0}


def test_hours_in_harm_s_way_are_told():
    log = Timeline(soc=0.999, temperature_c=35.0).rest(3).at(50.0).flow(-5.0, 2).at(20.0).run_empty(20.0)

    use = worked(log.readings())

    assert use.hot_hours == pytest.approx(2.0, abs=0.1)
    assert use.full_and_warm_hours >= 3.0
    assert 0.0 < use.nearly_empty_hours < 2.0


def test_a_known_offset_is_taken_out_of_what_went_in_and_put_to_what_came_out():
    """Parked for days on a quarter of an ampere, of which a sensor 0.1 A too high shows 0.15: the truth is what flowed."""
    log = Timeline(soc=0.7, offset_a=0.1)
    for _ in range(4):
        log.charge_full().flow(-8.0, 5).flow(-0.25, 90).charge_full().run_empty()
    true_ah = 0.0
    for piece in log.pieces:
        true_ah += float(np.abs(piece[2] - 0.1).sum()) / 60

    found = answer(digest(log.readings(), PACK), PACK)

    assert found.cycles.equivalent_full_cycles == pytest.approx(true_ah / 2 / PACK.rated_ah, rel=0.01)
    assert found.monitor.current_offset_a.value == pytest.approx(0.1, abs=0.02)


def test_what_flows_behind_a_shown_zero_is_counted():
    """A quarter of an ampere hides for weeks in a dead band of 0.3 A: the balance finds it, and so it is throughput."""
    log = Timeline(soc=0.7)
    for _ in range(4):
        log.charge_full().flow(-8.0, 5).flow(-0.25, 150).charge_full().run_empty()
    readings = log.readings()
    hidden = np.abs(readings.current_a) < 0.3
    assert hidden.mean() > 0.5
    true_ah = sum(float(np.abs(piece[2]).sum()) / 60 for piece in log.pieces)

    found = answer(digest(replace(readings, current_a=np.where(hidden, 0.0, readings.current_a)), PACK), PACK)

    assert found.cycles.equivalent_full_cycles == pytest.approx(true_ah / 2 / PACK.rated_ah, rel=0.03)
    assert found.cycles.discharge_wh / found.cycles.discharge_ah == pytest.approx(13.1, abs=0.3)
