"""Open-circuit voltage against published measurements, and what it cannot tell."""

from __future__ import annotations

import numpy as np
import pytest
from hypothesis import given
from hypothesis import strategies as st

from logbook.analysis import ocv
from logbook.analysis.capacity import NO_ESTIMATE_SIGMA
from tests.analysis.properties import PROPERTY
from tests.analysis.timeline import JAHN2024_CELL_V, JAHN2024_SOC


def test_published_cell_sheet_30_to_50_percent():
    """Specification of a 202 Ah LiFePO4 cell: 30 to 50 % is 3.275 to 3.304 V; tolerance the hysteresis half-gap."""
    low_v, high_v = ocv.cell_voltage([0.30, 0.50])

    assert low_v == pytest.approx(3.275, abs=ocv.HYSTERESIS_V)
    assert high_v == pytest.approx(3.304, abs=ocv.HYSTERESIS_V)


def test_published_jahn2024_mean_of_both_branches():
    """An A123 cell, doi 10.1038/s44172-024-00221-4: within table and hysteresis spread together, no fit to it."""
    inside = (JAHN2024_SOC >= 0.01) & (JAHN2024_SOC <= 0.99)

    apart_v = ocv.cell_voltage(JAHN2024_SOC[inside]) - JAHN2024_CELL_V[inside]

    assert np.abs(apart_v).max() < ocv.HYSTERESIS_V + ocv.TABLE_SIGMA_V
    plateau = (JAHN2024_SOC[inside] >= 0.1) & (JAHN2024_SOC[inside] <= 0.95)
    assert np.abs(apart_v[plateau]).max() < ocv.HYSTERESIS_V


def test_published_jahn2024_gap_at_half_charge():
    """3.3178 V charging, 3.2934 V discharging at 50 %: the half-gap of 12 mV lies within the assumed 20 mV."""
    assert (3.3178 - 3.2934) / 2 <= ocv.HYSTERESIS_V <= 2 * (3.3178 - 3.2934)


@pytest.mark.parametrize("soc", [0.02, 0.03, 0.05, 0.08])
def test_the_bottom_knee_tells_the_state_of_charge_within_three_sigma(soc):
    """Discharge branch of Jahn 2024 (mean less half the gap of about 36 mV there): another cell than the table's."""
    cell_v = float(np.interp(soc, JAHN2024_SOC, JAHN2024_CELL_V)) - 0.018

    assert abs(float(ocv.soc_discharging(cell_v)) - soc) <= 3 * float(ocv.soc_sigma(cell_v))
    assert float(ocv.soc_sigma(cell_v)) < 0.08


def test_the_plateau_tells_next_to_nothing():
    assert float(ocv.soc_sigma(3.29)) > 0.10


@PROPERTY
@given(st.floats(0.0, 1.0), st.floats(0.0, 1.0))
def test_more_charge_never_shows_less_voltage(one, other):
    low, high = sorted((one, other))

    assert ocv.cell_voltage(low) <= ocv.cell_voltage(high)


@PROPERTY
@given(st.floats(2.0, 3.7))
def test_states_of_charge_stay_between_nothing_and_all(cell_v):
    assert 0.0 <= float(ocv.soc_discharging(cell_v)) <= 1.0
    assert float(ocv.soc_sigma(cell_v)) > 0.0


@PROPERTY
@given(st.lists(st.floats(2.0, 3.7), min_size=1, max_size=20))
def test_one_by_one_gives_what_an_array_gives(volts):
    together = ocv.soc_discharging(np.array(volts))

    assert together.tolist() == [float(ocv.soc_discharging(value)) for value in volts]


def test_published_curves_place_the_middle_step_too_loosely_for_a_capacity():
    """Why the step is no anchor: a capacity from full to it would be less sure than no estimate at all.

    Rested cells at 70, 75 and 80 % of charge: 3.313, 3.327, 3.343 V (A123, Jahn et al. 2024, doi
    10.1038/s44172-024-00221-4) and 3.311, 3.319, 3.334 V (US26650, Naumann, thesis TUM 2018). Voltmeters of
    the trade are right to 0.5 % (common practice, no source).
    """
    soc = np.array([0.70, 0.75, 0.80])
    cells_v = np.array([[3.313, 3.327, 3.343], [3.311, 3.319, 3.334]])
    at_step_v = 3.325
    places = [float(np.interp(at_step_v, cell_v, soc)) for cell_v in cells_v]
    slope_v = float(np.mean(cells_v[:, -1] - cells_v[:, 0])) / 0.1

    unsure = np.hypot(0.005 * at_step_v / slope_v, np.ptp(places) / 2)

    assert unsure / (1.0 - np.mean(places)) > NO_ESTIMATE_SIGMA
