"""Pauses: what the monitor counted while the log was off."""

from __future__ import annotations

from dataclasses import replace

import numpy as np
import pytest

from logbook.analysis.answer import answer
from logbook.analysis.balance import balance
from logbook.analysis.digest import digest
from logbook.analysis.pauses import pauses
from logbook.analysis.track import track
from tests.analysis.timeline import PACK, Timeline, frozen


def listed(log: Timeline):
    return pauses(track(log.readings()))


def trips(pause_h: float, count: int = 6, typed_ah: float = 100.0):
    """From full to the cut-off, each time with a hole in the log in which 10 A flow."""
    log = Timeline(soc=0.7, capacity_ah=90.0, typed_ah=typed_ah)
    for _ in range(count):
        log.charge_full()
        log.reported = 100.0
        log.flow(-10.0, 3).pause(pause_h, amps=-10.0).flow(-10.0, 2).run_empty()
    return log


def test_a_pause_the_monitor_counted_through_is_listed_with_its_change():
    found = listed(Timeline(soc=0.9).flow(-10.0, 2).pause(2, amps=-10.0).flow(-10.0, 1))

    assert len(found) == 1
    assert found["soc_change_percent"].iloc[0] == pytest.approx(-20.0, abs=0.5)
    assert found["end_ms"].iloc[0] - found["start_ms"].iloc[0] == pytest.approx(2 * 3_600_000, abs=120_000)


def test_a_pause_in_which_the_pack_may_have_been_full_is_no_bridge():
    """From 85 % over full back to 80 % takes 35 % of the pack; eight hours are enough for that."""
    assert listed(Timeline(soc=0.95).flow(-10.0, 1).pause(8, amps=-0.6).flow(-10.0, 1)).empty


def test_a_count_at_its_stop_is_no_bridge():
    assert listed(Timeline(soc=1.0).rest(1).pause(1, amps=-1.0).flow(-10.0, 1)).empty


def test_a_long_pause_is_no_bridge():
    assert listed(Timeline(soc=0.5).flow(-1.0, 1).pause(40, amps=-0.1).flow(-1.0, 1)).empty


def test_a_bridged_pause_keeps_the_span_and_its_charge():
    log = trips(pause_h=1.5)

    frame = balance(digest(log.readings(), PACK), PACK).spans
    runs = frame[frame["soc_change"] < -0.9]

    assert len(runs) == 6
    assert runs["bridged_s"].to_numpy() == pytest.approx(1.5 * 3600, abs=200)
    assert runs["net_ah"].to_numpy() == pytest.approx(-90.0, abs=1.5)


def test_capacity_across_bridged_pauses_holds_the_truth_and_without_a_percentage_nothing_is_claimed():
    readings = trips(pause_h=1.5).readings()
    blind = frozen(replace(readings, soc_percent=np.full(len(readings), np.nan)))

    bridged = answer(digest(readings, PACK), PACK).capacity
    unknown = answer(digest(blind, PACK), PACK).capacity

    assert bridged.ah.low <= 90.0 <= bridged.ah.high
    assert unknown.ah is None or unknown.ah.width > bridged.ah.width


def test_a_typed_in_capacity_of_its_own_is_allowed_for():
    """The monitor believes in 130 Ah, so its percentage moves by less for the same charge."""
    found = answer(digest(trips(pause_h=1.5, typed_ah=130.0).readings(), PACK), PACK).capacity

    assert found.ah.low <= 90.0 <= found.ah.high


def test_an_ampere_hour_counter_bridges_where_the_percentage_is_whole_points():
    readings = trips(pause_h=1.5).readings()
    held_h = np.append(np.diff(readings.ts_ms), 0) / 3_600_000
    counted = np.append(0.0, np.cumsum(readings.current_a * held_h)[:-1])
    whole = frozen(replace(readings, soc_percent=np.round(readings.soc_percent), counted_ah=np.round(counted, 1)))

    frame = balance(digest(whole, PACK), PACK).spans
    runs = frame[frame["soc_change"] < -0.9]

    assert runs["net_ah"].to_numpy() == pytest.approx(-90.0, abs=1.0)
