"""Holds: a charger that keeps the pack at a voltage below that of full."""

from __future__ import annotations

import numpy as np
import pytest

from logbook.analysis import ocv
from logbook.analysis.digest import digest
from logbook.analysis.hold import CELL_V, SIGMA, SOC, held_soc
from tests.analysis.timeline import PACK, Timeline

JAHN2024_AFTER_CHARGE = {3.376: 0.970, 3.437: 1.0}
"""Voltage of the branch after a charge at a stored charge: Jahn et al. 2024, doi 10.1038/s44172-024-00221-4, Ah of 1.0062."""
HALF_GAP_V = 0.012


def anchors(log: Timeline):
    return digest(log.readings(), PACK)["anchors"]


def held(cell_v: float, *, hours: float = 3.0, last_a: float = 0.3, drawn_hours: float = 4.0):
    """Discharged, charged, and held at this voltage while the current fades away; then used again."""
    log = Timeline(soc=0.9).flow(-10.0, drawn_hours).flow(15.0, 2.6)
    fades = np.geomspace(8.0, last_a, round(60 * hours))
    return log.flow(fades, hours, volts=4 * cell_v).flow(-5.0, 2.0)


def test_a_float_held_until_next_to_nothing_flows_is_an_anchor():
    found = anchors(held(3.385))

    assert set(found["kind"]) >= {"held"}
    row = found[found["kind"] == "held"].iloc[-1]
    assert row["soc"] == pytest.approx(held_soc(3.385)[0], abs=0.002)


def test_a_held_voltage_on_the_plateau_proves_nothing():
    assert "held" not in set(anchors(held(3.345))["kind"])


def test_a_charge_that_is_still_large_is_not_held():
    assert "held" not in set(anchors(held(3.385, last_a=6.0))["kind"])


def test_a_quarter_of_an_hour_is_too_short_to_settle():
    assert "held" not in set(anchors(held(3.385, hours=0.25))["kind"])


def test_a_pack_that_rests_after_a_charge_is_not_held():
    """Its voltage sinks: the charger has gone."""
    log = Timeline(soc=0.9).flow(-10.0, 4.0).flow(15.0, 2.6)
    for volts in np.linspace(13.58, 13.48, 10):
        log.flow(0.0, 0.2, volts=float(volts))

    assert "held" not in set(anchors(log.flow(-5.0, 2.0))["kind"])


@pytest.mark.parametrize(("cell_v", "soc"), JAHN2024_AFTER_CHARGE.items())
def test_published_jahn2024_the_cell_lies_within_the_table(cell_v, soc):
    value, sigma = held_soc(cell_v)

    assert abs(value - soc) <= 1.3 * sigma


@pytest.mark.parametrize("cell_v", CELL_V)
def test_the_mean_of_the_three_public_tables_lies_within_the_table(cell_v):
    """The tables of `ocv`, raised by half the gap between the branches."""
    mean = float(np.interp(cell_v - HALF_GAP_V, ocv.CELL_V, ocv.SOC))
    value, sigma = held_soc(cell_v)

    assert abs(value - mean) <= 1.3 * sigma


def test_a_higher_voltage_is_fuller_and_surer():
    assert (np.diff(SOC) > 0).all()
    assert (np.diff(SIGMA) < 0).all()
