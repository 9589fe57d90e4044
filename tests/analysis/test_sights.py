"""Sights: what was seen in the last minutes before the board acted."""

from __future__ import annotations

import numpy as np
import pytest

from logbook.analysis.digest import digest
from logbook.analysis.protection import protection
from logbook.analysis.sights import LOOK_BACK_S, MOST, sights
from logbook.analysis.track import track
from tests.analysis.timeline import PACK, START_MS, Timeline, readings_of

MINUTE_MS = 60_000


def test_an_empty_pack_s_last_minutes_are_kept_with_its_cut_off():
    tables = digest(Timeline(soc=0.3).flow(-20.0, 0.5).run_empty().readings(), PACK)

    event = protection(tables["openings"], tables["blocked"], tables["sights"], tables["status"]).events[0]

    times = [sight.time_ms for sight in event.before]
    assert times == sorted(times)
    assert times[-1] == event.start_ms
    assert event.start_ms - times[0] <= LOOK_BACK_S * 1000
    assert len(times) == pytest.approx(11, abs=1)
    assert event.before[-2].voltage_v == pytest.approx(tables["openings"]["before_v"].iloc[0], abs=0.001)
    assert event.before[-1].voltage_v < 8.0
    assert event.before[0].lowest_cell_v is None


def test_no_more_than_the_latest_are_kept_of_a_fine_log():
    counted = track(readings_of(np.full(900, -5.0), interval_s=1.0))

    assert len(sights(counted, [START_MS + 800_000])) == MOST


def test_nothing_is_taken_from_beyond_a_pause():
    log = Timeline(soc=0.8).flow(-5.0, 1).pause(0.1).flow(-5.0, 0.05)
    at_ms = log.now_ms - MINUTE_MS

    frame = sights(track(log.readings()), [at_ms])

    assert frame["ago_s"].tolist() == [120.0, 60.0, 0.0]


def test_nothing_happened_nothing_is_kept():
    assert sights(track(readings_of([1.0] * 10)), []).empty
