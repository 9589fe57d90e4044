"""Plateau: how far a pack falls once some percent have gone out of it tells how near full it was."""

from __future__ import annotations

from dataclasses import replace

import numpy as np
import pandas as pd
import pytest

from logbook.analysis.answer import answer
from logbook.analysis.digest import digest
from logbook.analysis.plateau import FALL_V, HELD_SIGMA, HELD_SOC, RESTED_SIGMA, RESTED_SOC, by_fall, plateau_cell_v
from logbook.analysis.track import track
from tests.analysis.timeline import JAHN2024_CELL_V, JAHN2024_SOC, PACK, Timeline

JAHN2024_CHARGED = {0.970: 3.376, 0.980: 3.390, 0.990: 3.416}
"""Branch after a charge, relaxed: Jahn et al. 2024, doi 10.1038/s44172-024-00221-4, data doi 10.5281/zenodo.10852930."""
JAHN2024_DISCHARGED = {0.890: 3.340, 0.900: 3.341, 0.910: 3.342}
US26650_CHARGED = {0.985: 3.3742, 0.990: 3.3843, 0.995: 3.4212}
US26650_DISCHARGED = {0.905: 3.3251, 0.910: 3.3251, 0.915: 3.3252}
"""Open-circuit voltage plus and less the hysteresis voltage: Naumann, thesis TUM 2018, as an open TUM simulation tool has it."""


def top(soc: float = 0.99, *, volts: float | None = None) -> Timeline:
    """A log that begins with a pack at rest near full."""
    return Timeline(soc=soc).flow(0.0, 0.5, volts=volts)


def seen(log: Timeline, place: int = 0) -> float:
    readings = log.readings()
    return float(plateau_cell_v(track(readings), PACK, np.array([place]))[0])


def test_the_plateau_is_where_the_pack_falls_to():
    plateau_v = seen(top().flow(-5.0, 4))

    assert plateau_v == pytest.approx(np.interp(0.90, JAHN2024_SOC, JAHN2024_CELL_V), abs=0.006)


@pytest.mark.parametrize(
    "log",
    [
        top().flow(-5.0, 1.0),
        top().flow(-5.0, 0.6).flow(8.0, 0.4).flow(-5.0, 4),
        top().flow(-5.0, 0.8).pause(3.0, -5.0).flow(-5.0, 4),
        top().flow(-40.0, 0.5),
    ],
    ids=["too little has gone", "charge was put back", "the log pauses", "under a heavy load"],
)
def test_no_plateau_is_seen(log):
    assert np.isnan(seen(log))


def test_a_plateau_is_not_looked_for_after_a_day():
    assert np.isnan(seen(top().flow(-0.2, 24.0).flow(-5.0, 4)))


@pytest.mark.parametrize("off_v", [-0.06, 0.06])
def test_a_voltmeter_that_is_off_moves_nothing_of_what_the_fall_tells(off_v):
    """The voltage itself, 15 mV a cell off, is read as another state of charge."""
    right = top(0.991).flow(-5.0, 4).readings()
    wrong = replace(right, voltage_v=right.voltage_v + off_v)
    told, told_wrong = digest(right, PACK)["anchors"].iloc[0], digest(wrong, PACK)["anchors"].iloc[0]

    by_right, by_wrong = (by_fall(digest(log, PACK)["anchors"]).iloc[0] for log in (right, wrong))

    assert abs(told["soc"] - told_wrong["soc"]) > 0.002
    assert by_wrong["soc"] == pytest.approx(by_right["soc"], abs=1e-9)


@pytest.mark.parametrize("soc", JAHN2024_CHARGED)
def test_published_jahn2024_the_fall_tells_the_state_of_charge_within_its_sigma(soc):
    """The one of the four whose top is broadest: at most 1.6 sigma off."""
    fall_v = JAHN2024_CHARGED[soc] - JAHN2024_DISCHARGED[round(soc - 0.08, 3)]

    assert abs(np.interp(fall_v, FALL_V, HELD_SOC) - soc) <= 1.6 * np.interp(fall_v, FALL_V, HELD_SIGMA)


@pytest.mark.parametrize("soc", US26650_CHARGED)
def test_published_us26650_the_fall_tells_the_state_of_charge_within_its_sigma(soc):
    fall_v = US26650_CHARGED[soc] - US26650_DISCHARGED[round(soc - 0.08, 3)]

    assert abs(np.interp(fall_v, FALL_V, HELD_SOC) - soc) <= np.interp(fall_v, FALL_V, HELD_SIGMA)


def test_a_pack_that_rested_falls_less_far_than_one_that_was_just_held():
    assert (RESTED_SOC >= HELD_SOC).all()
    assert (np.diff(HELD_SOC) >= 0).all()
    assert (np.diff(RESTED_SOC) > 0).all()
    assert (np.diff(HELD_SIGMA) <= 0).all()
    assert (np.diff(RESTED_SIGMA) <= 0).all()


def test_where_no_plateau_was_seen_the_voltage_stands():
    found = digest(top().flow(-5.0, 1.0).readings(), PACK)["anchors"]

    assert by_fall(found).equals(found)


def test_a_pack_that_hardly_falls_was_on_the_plateau_whatever_its_voltmeter_says():
    """At 90 % with a voltmeter that shows 0.12 V too much it would be read as 98.5 % full."""
    log = top(0.90).flow(-5.0, 4).readings()
    found = digest(replace(log, voltage_v=log.voltage_v + 0.12), PACK)["anchors"]

    told, read = found.iloc[0], by_fall(found).iloc[0]

    assert told["soc"] > 0.98
    assert read["sigma"] >= 0.05
    assert read["soc"] - 2 * read["sigma"] <= 0.90 <= read["soc"] + 2 * read["sigma"]


@pytest.mark.parametrize("low_v", [0.0, -0.08])
def test_a_pack_whose_plateau_is_low_reads_no_higher_than_its_truth(low_v):
    """Held at 3.39 V a cell by chargers that stop there, run flat three times: 96 Ah, whatever the curve's height."""
    log = Timeline(capacity_ah=96.0, soc=0.99)
    for _ in range(3):
        log.flow(0.0, 0.5).flow(-12.0, 7.8).flow(-12.0, 0.3, volts=9.9 - low_v).flow(0.0, 1.0, volts=1.0)
        log.soc = 0.0
        log.pause(6.0, 96.0 * 0.99 / 6.0)
    readings = log.readings()
    lower = replace(
        readings, voltage_v=np.where(readings.voltage_v > 12.5, readings.voltage_v + low_v, readings.voltage_v)
    )

    capacity = answer(digest(lower, PACK), PACK).capacity

    assert capacity.ah is not None
    assert capacity.ah.low <= 96.0 <= capacity.ah.high


def test_what_is_seen_at_other_voltages_each_time_is_no_plateau():
    """Tops held at 13.5 V from which 6 to 12 % lead once onto the upper plateau and once onto the step below it."""
    found = digest(top(0.99, volts=13.5).flow(-5.0, 4).readings(), PACK)["anchors"]
    several = pd.concat([found] * 3, ignore_index=True)
    alike = several.assign(plateau_cell_v=[3.322, 3.323, 3.324])
    apart = several.assign(plateau_cell_v=[3.299, 3.300, 3.324])

    assert (by_fall(alike)["sigma"] < 0.02).all()
    assert (by_fall(apart)["sigma"] >= 0.1).all()
