"""Anchors: what proves a state of charge, and what only looks like it."""

from __future__ import annotations

from dataclasses import replace

import numpy as np
import pytest
from hypothesis import given

from logbook.analysis.digest import digest
from logbook.analysis.spans import placed
from logbook.schema.pack import Limits
from tests.analysis.properties import SLOW_PROPERTY, ratings_ah, shifts_days
from tests.analysis.timeline import PACK, START_MS, Timeline, pack_of, readings_of, with_changes

FULL = {"full", "nearly_full", "rested_full"}
EMPTY = {"empty", "knee"}


def found(readings, pack=PACK):
    return digest(readings, pack)["anchors"]


def kinds(readings, pack=PACK) -> set[str]:
    return set(found(readings, pack)["kind"])


def test_full_voltage_with_the_tail_current_held_is_full():
    frame = found(Timeline(soc=0.6).charge_full().rest(2).readings())

    full = frame[frame["kind"] == "full"]
    assert len(full) in (1, 2)
    assert (full["soc"] - 1.0).abs().max() <= 3 * full["sigma"].max()
    assert full["sigma"].max() < 0.02


def test_thirteen_point_six_volts_under_thin_sun_and_a_hundred_percent_reported_is_not_full():
    """A trickle of sun lifts a half-empty pack to 13.6 V; the monitor takes it for full and says 100 %."""
    thin = Timeline(soc=0.55).flow(1.5, 6)

    readings = with_changes(thin.readings(), voltage_v=13.6, soc_percent=100.0)

    assert "full" not in kinds(readings)


def test_a_monitor_that_says_a_hundred_percent_proves_nothing():
    readings = with_changes(Timeline(soc=0.5).rest(1).flow(-2.0, 12).readings(), soc_percent=100.0)

    assert kinds(readings) == set()


def test_a_monitor_that_says_nought_proves_nothing():
    readings = with_changes(Timeline(soc=0.5).flow(-2.0, 12).readings(), soc_percent=0.0)

    assert kinds(readings) == set()


def test_a_charger_stopped_by_the_board_at_the_top_is_not_full():
    """One high cell: the current is cut from 20 A to nothing while the terminals leap to the charger's voltage."""
    log = Timeline(soc=0.85).flow(20.0, 0.4).flow(0.0, 1.0, volts=14.6).rest(2)

    assert "full" not in kinds(log.readings())


def test_a_passing_cloud_at_full_voltage_is_not_full():
    log = Timeline(soc=0.7).flow(20.0, 0.5, volts=14.2).flow(1.0, 2 / 60, volts=14.1).flow(20.0, 0.5, volts=14.2)

    assert "full" not in kinds(log.readings())


def test_an_inverter_that_stops_at_half_charge_is_not_empty():
    """Its low-voltage stop under 150 A: the load goes, the pack recovers to the plateau, the board stays closed."""
    surge = Timeline(soc=0.5).flow(-5.0, 2).flow(-90.0, 5 / 60, volts=11.2).rest(4)

    assert not EMPTY & kinds(surge.readings())


@pytest.mark.parametrize("readings", [1, 2, 3])
@pytest.mark.filterwarnings("error")
def test_a_log_that_begins_nearly_full_a_quarter_of_an_hour_apart_has_a_top(readings):
    """One reading or two at 13.8 V before the loads come on are all there is to read the voltage from."""
    fading = np.linspace(1.0, 0.6, readings)
    log = Timeline(soc=0.99, interval_s=900.0).flow(fading, readings / 4, volts=13.8).flow(-5.0, 6)

    tops = found(log.readings()).query("kind == 'nearly_full'")

    assert len(tops)
    assert tops["top_cell_v"].notna().all()


def test_a_cable_that_drops_the_voltage_to_the_cutoff_is_not_empty():
    """20 mΩ and 140 A at half charge: 10.0 V for some minutes, and the plateau right after; a flat pack stays low."""
    sag = Timeline(soc=0.5).flow(-5.0, 2).flow(-140.0, 4 / 60, volts=10.0).flow(-5.0, 2)
    flat = Timeline(soc=0.5).flow(-5.0, 2).flow(-20.0, 4 / 60, volts=10.0).flow(-1.0, 2, volts=11.8)

    assert not EMPTY & kinds(sag.readings())
    assert "empty" in kinds(flat.readings())


def test_a_board_opened_by_a_low_cell_is_empty():
    frame = found(Timeline(soc=0.5).run_empty(10.0).charge_full().readings())

    empty = frame[frame["kind"] == "empty"]
    assert empty["edge"].tolist() == ["enter", "leave"]
    assert (empty["soc"].abs() <= 3 * empty["sigma"]).all()


def test_the_cold_end_of_a_discharge_counts_for_less_than_a_mild_one():
    mild = found(Timeline(soc=0.4).run_empty(20.0).readings())
    cold = found(Timeline(soc=0.4, temperature_c=-5.0).run_empty(20.0).readings())

    assert cold.loc[cold["kind"] == "empty", "sigma"].max() > 2 * mild.loc[mild["kind"] == "empty", "sigma"].max()


def test_the_bottom_knee_at_a_gentle_load_tells_how_little_is_left():
    frame = found(Timeline(soc=0.4).flow(-3.0, 12.2).flow(0.0, 1.5).flow(10.0, 5).readings())

    knee = frame[frame["kind"] == "knee"]
    assert len(knee) == 1
    true_soc = 0.4 - 3.0 * 12.2 / 100
    assert abs(knee["soc"].iloc[0] - true_soc) <= 2.6 * knee["sigma"].iloc[0]


def test_the_plateau_is_never_an_anchor():
    assert kinds(Timeline(soc=0.7).flow(-5.0, 6).rest(12).flow(5.0, 4).rest(12).readings()) == set()


def test_a_log_that_begins_rested_above_the_plateau_begins_near_full():
    frame = found(Timeline(soc=0.985).rest(2).flow(-5.0, 5).readings())

    assert frame["kind"].tolist() == ["rested_full"]
    assert abs(frame["soc"].iloc[0] - 0.985) <= 3 * frame["sigma"].iloc[0]


def test_a_pack_enters_full_by_as_much_less_as_still_goes_in():
    """From 4 A down to nothing another 0.7 Ah go in; without them every closure seems to lose that much."""
    tables = digest(Timeline(soc=0.6).charge_full().readings(), PACK)
    full = placed(tables, PACK).query("kind == 'full'")

    counted = np.ptp(full["net_ah"]) / PACK.rated_ah

    assert counted == pytest.approx(np.ptp(full["soc"]), abs=0.002)


@pytest.mark.parametrize(
    ("soc", "cell_v"),
    [
        (0.80, 3.3535),
        (0.90, 3.3568),
        (0.95, 3.3644),
        (0.98, 3.3902),
    ],
)
def test_published_jahn2024_a_rest_after_a_charge_that_ended_early(soc, cell_v):
    """Relaxed voltages of the charge branch, doi 10.1038/s44172-024-00221-4: at 80 % it shows what 96 % shows after a discharge."""
    frame = found(Timeline(soc=soc).flow(0.0, 2, volts=4 * cell_v).flow(-5.0, 5).readings())

    assert ((frame["soc"] - soc).abs() <= 3 * frame["sigma"]).all()


def test_a_percentage_the_monitor_reset_too_soon_makes_no_rested_voltage_surer():
    rested = Timeline(soc=0.9).flow(0.0, 2, volts=13.42).flow(-5.0, 5).readings()

    told, untold = found(with_changes(rested, soc_percent=100.0)), found(with_changes(rested, soc_percent=np.nan))

    assert (told["sigma"].to_numpy() >= untold["sigma"].to_numpy() - 1e-9).all()


def test_a_pack_of_another_chemistry_is_not_read_by_the_curve_of_this_one():
    """Li-ion NMC at 3.5 V a cell is at about 15 %, at 3.1 V not yet empty (from memory): neither is an anchor."""
    nmc = replace(PACK, chemistry="nmc", limits=Limits.defaults(100.0, 4, "nmc"))
    log = Timeline(nmc, soc=0.15).flow(1.0, 2, volts=14.0).flow(-5.0, 1.5, volts=13.6).flow(-2.0, 1.0, volts=12.4)

    assert kinds(log.flow(10.0, 1, volts=13.9).readings(), nmc) == set()


def test_open_terminals_at_rest_are_not_an_empty_pack():
    assert not EMPTY & kinds(readings_of([0.0] * 240, voltage_v=0.4))


def test_sums_within_the_hour_put_an_anchor_exactly_on_the_ledger():
    log = Timeline(soc=1.0, start_ms=START_MS + 20 * 60_000).run_empty(20.0)
    tables = digest(log.readings(), PACK)

    empty = tables["anchors"].query("kind == 'empty'").iloc[0]

    hours = tables["hours"]
    before = hours[hours["start_ms"] + 3_600_000 <= empty["start_ms"]]
    counted = (before["charge_ah"] - before["discharge_ah"]).sum() + empty["hour_net_ah"]
    # The board opened somewhere in the last minute: a third of an Ah at 20 A.
    assert counted == pytest.approx(-100.0, abs=0.35)


@SLOW_PROPERTY
@given(ratings_ah)
def test_a_pack_of_any_size_is_full_and_empty_in_the_same_way(rated_ah):
    pack = pack_of(rated_ah)
    log = Timeline(pack, soc=0.7).charge_full(0.2 * rated_ah).run_empty(0.2 * rated_ah)

    frame = found(log.readings(decimals=6), pack)

    assert set(frame["kind"]) == {"full", "empty"}
    assert frame["kind"].iloc[-1] == "empty"


@SLOW_PROPERTY
@given(shifts_days)
def test_whole_days_later_the_anchors_are_the_same(days):
    shift_ms = days * 86_400_000

    early = found(Timeline(soc=0.7).charge_full().run_empty().readings())
    late = found(Timeline(soc=0.7, start_ms=START_MS + shift_ms).charge_full().run_empty().readings())

    assert (late["start_ms"] - early["start_ms"] == shift_ms).all()
    np.testing.assert_allclose(late["soc"], early["soc"])


def test_a_log_without_a_reported_percentage_has_the_same_anchors():
    readings = Timeline(soc=0.985).rest(2).run_empty().readings()

    assert kinds(with_changes(readings, soc_percent=np.nan)) == kinds(readings)


def test_a_lone_low_sample_between_calm_ones_is_no_knee():
    """The pack recovers from a heavy load that a coarse log did not see."""
    volts = np.full(60, 13.02)
    volts[30] = 12.3

    assert "knee" not in set(
        digest(readings_of(np.full(60, -0.4), voltage_v=volts, interval_s=600.0), PACK)["anchors"]["kind"]
    )


def test_a_charger_behind_which_only_a_heater_runs_is_not_full():
    """The board keeps frozen cells off: the terminals leap to the charger's voltage, a heater's 3 A flow, as in a tail."""
    log = Timeline(soc=0.4, temperature_c=-4.0).flow(-1.0, 2).flow(3.0, 3, volts=14.4).flow(12.0, 2)

    assert "full" not in digest(log.readings(), PACK)["anchors"]["kind"].tolist()


def test_a_full_that_next_to_nothing_went_into_since_empty_is_none():
    log = Timeline(soc=0.3).run_empty(20.0).flow(9.0, 0.2, volts=13.9).flow(1.0, 0.5, volts=14.4).run_empty(20.0)
    tables = digest(log.readings(), PACK)

    assert "full" in tables["anchors"]["kind"].tolist()
    assert "full" not in placed(tables, PACK)["kind"].tolist()


@pytest.mark.parametrize(("c_rate", "brisk"), [(0.05, -0.15), (0.2, 0.0), (1.0, 0.8)])
def test_an_empty_pack_says_how_brisk_its_discharge_was(c_rate, brisk):
    told = found(Timeline(soc=0.9, interval_s=10).run_empty(100.0 * c_rate).flow(20.0, 1).readings())

    assert told.loc[told["kind"] == "empty", "brisk"].to_list() == pytest.approx([brisk] * 2, abs=0.02)
