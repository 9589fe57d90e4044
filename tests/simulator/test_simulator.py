"""The simulator itself: charge is kept, seeds repeat, the laboratory test is what it says, the cold bites."""

from __future__ import annotations

from dataclasses import replace

import numpy as np
import pytest

from tests.simulator import SCENARIOS, simulate, simulate_many
from tests.simulator.curve import draw_curve
from tests.simulator.run import Batch, Vehicle
from tests.simulator.truth import cold_spans, laboratory_test

SHORT = replace(SCENARIOS["weekend_healthy"], days=8, fade_per_year=(0.0, 0.0))


def same(left, right) -> bool:
    ours, theirs = left.columns(), right.columns()
    return ours.keys() == theirs.keys() and all(
        np.array_equal(column, theirs[name], equal_nan=True) for name, column in ours.items()
    )


def test_charge_is_neither_made_nor_lost():
    batch = Batch([Vehicle(SHORT, seed) for seed in range(4)])
    before = (batch.circuit.soc * batch.circuit.cell_ah).mean(0)

    batch.run()

    current = batch.current.astype(float)
    lost_in_charging = (1.0 - batch.circuit.efficiency) * np.maximum(current, 0.0).sum(0)
    counted = (current.sum(0) - lost_in_charging) * batch.dt_s / 3600.0 - batch.leaked_ah
    after = (batch.circuit.soc * batch.circuit.cell_ah).mean(0)
    # Balancing moves charge between cells of slightly different size: hundredths of an Ah.
    np.testing.assert_allclose(after - before, counted, atol=0.05)


def test_a_seed_gives_the_same_readings_alone_and_in_company():
    alone = simulate(SHORT, [3])[0]

    company = simulate_many([(SHORT, 1), (replace(SCENARIOS["cold_no_cutoff"], days=8), 3), (SHORT, 3)])[2]

    assert same(alone.readings, company.readings)
    assert alone.truth == company.truth


def test_seeds_differ():
    first, second = simulate(SHORT, [1, 2])

    assert not same(first.readings, second.readings)
    assert first.truth.capacity_ah_start != second.truth.capacity_ah_start


def test_the_laboratory_test_repeats_and_leaves_the_pack_alone():
    batch = Batch([Vehicle(SHORT, seed) for seed in range(3)])
    soc = batch.circuit.soc.copy()

    again = laboratory_test(batch.circuit, batch.rated).delivered_ah

    np.testing.assert_array_equal(again, batch.capacity_start)
    np.testing.assert_array_equal(batch.circuit.soc, soc)


def test_a_tenth_less_of_every_cell_delivers_a_tenth_less():
    batch = Batch([Vehicle(SHORT, seed) for seed in range(6)])
    batch.circuit.cell_ah = batch.circuit.cell_ah * 0.9

    # Same current on a smaller cell is a higher rate: up to half a percent less again.
    np.testing.assert_allclose(
        laboratory_test(batch.circuit, batch.rated).delivered_ah / batch.capacity_start, 0.9, atol=0.006
    )


def test_the_weakest_cell_bounds_the_pack():
    batch = Batch([Vehicle(SHORT, 0)])
    batch.circuit.cell_ah[2] *= 0.8

    assert laboratory_test(batch.circuit, batch.rated).delivered_ah[0] / batch.capacity_start[0] == pytest.approx(
        0.8, abs=0.02
    )


def test_cold_holds_charge_back_as_cell_sheets_say():
    """At 0 °C sheets give 80 to 90 % at 0.3 to 0.5 C, less loss at lower rates: at 0.2 C 80 to 99.5 % is in kind."""
    batch = Batch([Vehicle(SHORT, seed) for seed in range(12)])

    share = laboratory_test(batch.circuit, batch.rated, discharge_c=0.0).delivered_ah / batch.capacity_start
    colder = laboratory_test(batch.circuit, batch.rated, discharge_c=-10.0).delivered_ah / batch.capacity_start

    assert (share < 0.995).all()
    assert (share > 0.8).all()
    assert (colder < share).all()


def test_curves_rise_and_agree_with_a_published_sheet():
    """The sheet of a 202 Ah prismatic LiFePO4 cell gives 3.275 to 3.304 V between 30 and 50 %."""
    soc = np.linspace(0.0, 1.0, 1001)
    for seed in range(100):
        shape = draw_curve(np.random.default_rng(seed))
        volts = shape.voltage(soc)
        assert (np.diff(volts) > 0).all()
        assert 3.25 <= np.interp(0.3, soc, volts) <= 3.3
        assert 3.27 <= np.interp(0.5, soc, volts) <= 3.32  # 20 mV either side: other cells, other currents
        assert 2.0 <= volts[0] <= 2.6
        assert 3.45 <= volts[-1] <= 3.65


def test_the_monitor_counts_against_the_rating_and_hides_small_currents():
    worn = replace(SCENARIOS["fulltime_worn"], days=20, dead_band_a=(0.5, 0.5), capacity=(0.75, 0.8))

    readings = simulate(worn, [5])[0].readings

    small = np.abs(readings.current_a)
    assert small[small > 0].min() >= 0.5
    empty = readings.voltage_v < 8.0
    assert empty.any()
    # A pack of 75 to 80 % goes dark with a fifth of the monitor's count left.
    assert readings.soc_percent[empty].min() > 12.0


def test_a_lost_cell_takes_its_share_from_the_pack():
    scenario = replace(SCENARIOS["sudden_loss"], days=10, sudden_loss=(0.14, 0.14))

    truth = simulate(scenario, [1])[0].truth

    assert truth.sudden_loss is not None
    assert truth.sudden_loss.ah == pytest.approx(0.14 * truth.capacity_ah_start, rel=0.12)
    assert truth.capacity_ah_start - truth.capacity_ah_end == pytest.approx(truth.sudden_loss.ah, abs=0.6)


def test_cold_spans_join_over_short_breaks_and_ask_for_two_shown_samples():
    time_ms = np.arange(8) * 1_200_000
    current = np.array([5.0, 5.0, 0.0, 5.0, 0.0, 0.0, 0.0, 5.0])
    temperature = np.full(8, -2.0)
    shown = np.array([1, 1, 1, 0, 1, 1, 1, 1], bool)

    spans = cold_spans(time_ms, current, temperature, shown, shown, rated_ah=100.0, dt_s=1200.0)

    # The break of 40 minutes parts them, one of 20 does not.
    assert [(span.start_ms, span.end_ms) for span in spans] == [
        (0, 1_200_000),
        (3_600_000, 3_600_000),
        (8_400_000, 8_400_000),
    ]
    assert [span.logged for span in spans] == [True, False, False]
    assert spans[0].ah == pytest.approx(5.0 * 2400.0 / 3600.0)


def test_the_true_state_runs_from_full_to_empty():
    home = {"log_gaps": True, "mains_between": (1.0, 1.0), "trip_days": (3, 4), "gap_days": (3, 4)}
    scenario = replace(SCENARIOS["fulltime_worn"], days=15, deep_share=(0.5, 0.5), **home)

    told = simulate(scenario, [5])[0]

    dark = np.flatnonzero(told.readings.voltage_v < 8.0)[:1]
    full = np.flatnonzero((told.readings.voltage_v > 14.1) & (np.abs(told.readings.current_a) < 3.0))[:1]
    state = np.interp(told.readings.ts_ms[[dark[0], full[0]]], told.state_ms, told.state)
    assert state[0] == pytest.approx(0.0, abs=0.02)
    assert state[1] == pytest.approx(1.0, abs=0.01)
