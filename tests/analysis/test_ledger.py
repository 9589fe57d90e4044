"""Ledger: one row for every hour with readings."""

from __future__ import annotations

import numpy as np
import pytest
from hypothesis import given
from hypothesis import strategies as st

from logbook.analysis.cold import COLD_BANDS_C
from logbook.analysis.ledger import ledger
from logbook.analysis.track import track
from logbook.schema.reading import Readings
from tests.analysis.properties import PROPERTY, currents_a
from tests.analysis.timeline import PACK, START_MS, Timeline, readings_of

HOUR_MS = 3_600_000


def rows(readings):
    return ledger(track(readings), PACK)


def test_an_hour_s_charge_and_energy_are_sums_over_it():
    frame = rows(readings_of([-12.0] * 60 + [6.0] * 60, voltage_v=13.0))

    assert frame["start_ms"].tolist() == [START_MS, START_MS + HOUR_MS]
    assert frame["discharge_ah"].tolist() == pytest.approx([12.0, 0.0])
    assert frame["charge_ah"].tolist() == pytest.approx([0.0, 6.0])
    assert frame["discharge_wh"].tolist() == pytest.approx([156.0, 0.0])


def test_hours_without_readings_have_no_row():
    frame = rows(Timeline(soc=0.5).rest(2).pause(30).rest(2).readings())

    assert len(frame) == 4
    assert frame["logged_s"].sum() == pytest.approx(4 * 3600)


def test_extremes_are_the_hour_s_own():
    current = np.zeros(120)
    current[30], current[90] = -88.0, 44.0
    temps = np.full(120, 8.0)
    temps[45] = -6.0

    frame = rows(readings_of(current, temperature_c=temps))

    assert frame["max_discharge_a"].tolist() == [88.0, 0.0]
    assert frame["max_charge_a"].tolist() == [0.0, 44.0]
    assert frame["min_temperature_c"].tolist() == [-6.0, 8.0]


def test_charge_in_the_cold_stands_in_its_band():
    """Four hours in each; the half-hour mean that decides blurs a jump by a quarter of an hour."""
    temps = np.repeat([-12.0, -7.0, -2.0, 3.0, 20.0], 240)

    frame = rows(readings_of([5.0] * 1200, temperature_c=temps))

    assert [frame[band].sum() for band in COLD_BANDS_C] == pytest.approx([20.0, 20.0, 20.0, 20.0], rel=0.065)


def test_what_was_not_measured_is_missing_not_zero():
    frame = rows(readings_of([5.0] * 60, temperature_c=np.nan, soc_percent=np.nan))

    assert frame[["min_temperature_c", "mean_temperature_c", "last_soc_percent"]].isna().all(axis=None)


def test_time_in_harm_s_way_is_time_not_samples():
    hot = rows(readings_of([5.0] * 120, temperature_c=50.0, voltage_v=13.5, interval_s=30.0))
    low = rows(readings_of([-1.0] * 120, voltage_v=11.6, interval_s=30.0))

    assert hot["hot_s"].sum() == pytest.approx(3600.0)
    assert hot["full_warm_s"].sum() == pytest.approx(3600.0)
    assert low["nearly_empty_s"].sum() == pytest.approx(3600.0)
    assert low["hot_s"].sum() == 0.0


def test_the_count_s_low_and_high_point_stand_in_their_order():
    frame = rows(readings_of([-60.0] * 20 + [60.0] * 40))

    assert frame["sum_low_ah"].iloc[0] == pytest.approx(-20.0)
    assert frame["sum_high_ah"].iloc[0] == pytest.approx(20.0)
    assert frame["low_first"].iloc[0] == 1.0


def test_no_readings_give_no_rows():
    assert rows(Readings.empty()).empty


@PROPERTY
@given(currents_a, st.integers(0, 59))
def test_hours_share_out_all_that_was_counted(current, minute):
    readings = readings_of(np.tile(current, 5), start_ms=START_MS + minute * 60_000)
    counted = track(readings)

    frame = rows(readings)

    total_ah = counted.net_ah[-1] + readings.current_a[-1] * counted.held_s[-1] / 3600
    assert (frame["charge_ah"] - frame["discharge_ah"]).sum() == pytest.approx(total_ah, abs=1e-9)
    assert frame["readings"].sum() == len(readings)
    assert frame["switched_ah"].sum() == pytest.approx(counted.switched_ah[-1], abs=1e-9)
    assert frame["sampling_var_ah2"].sum() == pytest.approx(counted.scatter_ah2[-1], abs=1e-9)
