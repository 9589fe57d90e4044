"""Recount: what the monitor's own count says that the samples between missed."""

from __future__ import annotations

from dataclasses import replace
from functools import cache
from typing import TYPE_CHECKING

import numpy as np
import pytest

from logbook.analysis.answer import answer
from logbook.analysis.balance import balance
from logbook.analysis.digest import digest
from logbook.analysis.recount import WAYS, counter_scale, display_share, recounts, ways_sigma
from tests.analysis.timeline import PACK, Timeline

if TYPE_CHECKING:
    from logbook.schema.reading import Readings

CAPACITY_AH = 90.0
FINE_S, SHOWN_EVERY = 10, 6
"""What flows is known every ten seconds; the log shows every sixth moment."""


@cache
def kettles() -> Readings:
    """Eight runs from full to flat by a lamp and kettles of two to three minutes at any moment, every ten seconds."""
    rng = np.random.default_rng(3)
    log = Timeline(capacity_ah=CAPACITY_AH, interval_s=FINE_S, soc=0.4)
    for _ in range(8):
        log.charge_full()
        while log.soc > 0.12:
            hour = np.full(3600 // FINE_S, -3.0)
            if 0.3 < log.soc < 0.9 and rng.random() < 0.8:
                begin = int(rng.integers(len(hour) - 20))
                hour[begin : begin + int(rng.integers(12, 19))] -= 80.0
            log.flow(hour, 1.0)
        log.run_empty(6.0, asleep_hours=2.0)
    return log.readings()


def shown(
    *, typed_ah: float = 100.0, stored: float = 1.0, heavy: float = 0.0, deaf_a: float = 0.0, step: float = 1.0
) -> Readings:
    """The log, its percentage as a monitor of such ways counts it, set to 100 at every full charge."""
    fine = kettles()
    amps = np.where(np.abs(fine.current_a) < deaf_a, 0.0, fine.current_a)
    amps = np.where(amps > 0, stored * amps, amps * np.where(amps < -20.0, 1.0 + heavy, 1.0))
    counted = np.append(0.0, np.cumsum(amps))[:-1] * FINE_S / 36 / typed_ah
    full = np.flatnonzero(fine.soc_percent >= 100.0)
    since = np.searchsorted(full, np.arange(len(amps)), side="right") - 1
    start = np.where(since >= 0, counted[full[np.maximum(since, 0)]] - 100.0, -60.0)
    percent = np.round((counted - start) / step) * step
    return replace(fine, soc_percent=np.clip(percent, 0.0, 100.0)).taken(slice(None, None, SHOWN_EVERY))


def without_percentage(readings: Readings) -> Readings:
    return replace(readings, soc_percent=np.full(len(readings), np.nan))


def off_ah(readings: Readings) -> np.ndarray:
    """What each run from full to empty counts beside the capacity, Ah."""
    frame = balance(digest(readings, PACK), PACK).spans
    runs = frame[frame["soc_change"] < -0.9]
    return (runs["net_ah"] - CAPACITY_AH * runs["soc_change"]).to_numpy(float)


def test_what_samples_missed_of_kettles_is_counted_anew():
    """Samples a minute apart see each run wrong by an ampere-hour or two; the count leaves its own steps."""
    beside = off_ah(shown())

    assert len(beside) == 8
    assert np.std(off_ah(without_percentage(shown()))) > 1.0
    assert np.std(beside) < 0.4
    assert abs(np.mean(beside)) < 0.6


def test_the_interval_is_narrower_for_it_and_holds_the_truth():
    known = answer(digest(shown(), PACK), PACK).capacity.ah
    blind = answer(digest(without_percentage(shown()), PACK), PACK).capacity.ah

    assert known.low <= CAPACITY_AH <= known.high
    assert blind.low <= CAPACITY_AH <= blind.high
    assert known.width < blind.width


@pytest.mark.parametrize(
    "ways",
    [
        {"typed_ah": 96.0},
        {"typed_ah": 104.0},
        {"typed_ah": 70.0},
        {"typed_ah": 160.0},
        {"stored": 0.97},
        {"heavy": 0.05},
        {"deaf_a": 3.5},
        {"step": 0.1},
        {"typed_ah": 95.0, "stored": 0.98, "heavy": 0.03},
    ],
    ids=str,
)
def test_however_a_monitor_counts_it_does_not_move_the_capacity(ways):
    """A pack of 90 Ah rated 100: each of these would move it by 3 to 50 % if the percentage were believed."""
    capacity = answer(digest(shown(**ways), PACK), PACK).capacity.ah

    assert capacity.low <= CAPACITY_AH <= capacity.high
    assert capacity.value == pytest.approx(CAPACITY_AH, abs=1.2)


def test_a_percentage_that_is_corrected_by_voltage_is_not_counted_with():
    """It wanders by some percent beside what flows."""
    readings = shown()
    rng = np.random.default_rng(5)
    wander = np.interp(
        np.arange(len(readings)), np.arange(0, len(readings) + 240, 240), rng.normal(0.0, 4.0, len(readings) // 240 + 2)
    )
    tables = digest(replace(readings, soc_percent=np.clip(np.round(readings.soc_percent + wander), 0.0, 100.0)), PACK)

    capacity = answer(tables, PACK).capacity.ah

    assert recounts(tables, PACK, 1.0)["used"].mean() < 0.2
    assert capacity.low <= CAPACITY_AH <= capacity.high


def test_no_moment_is_counted_anew_twice():
    counts = recounts(digest(shown(), PACK), PACK, 1.0).sort_values("start_ms")

    assert len(counts) > 6
    assert (counts["start_ms"].to_numpy()[1:] >= counts["end_ms"].to_numpy()[:-1]).all()


def test_where_nothing_switches_nothing_is_counted_anew():
    log = Timeline(capacity_ah=CAPACITY_AH, soc=0.4)
    for _ in range(8):
        log.charge_full().flow(-4.0, 20.0)

    assert not recounts(digest(log.readings(), PACK), PACK, 1.0)["used"].any()


def test_readings_minutes_apart_carry_no_scale():
    """A quarter of an hour between readings is too long for a typed-in capacity to be read off them."""
    assert counter_scale(digest(shown(), PACK), PACK) == pytest.approx(1.0)
    assert counter_scale(digest(shown(typed_ah=70.0), PACK), PACK) == pytest.approx(0.7, rel=0.03)
    assert counter_scale(digest(shown().taken(slice(None, None, 15)), PACK), PACK) is None


def test_only_a_rounded_display_hides_a_lasting_current():
    """In steps of an ampere nearly all of it, in steps of a hundredth none."""
    fine = digest(shown(), PACK)
    coarse = digest(replace(shown(), current_a=np.round(shown().current_a)), PACK)

    assert display_share(fine["hours"]) == 0.0
    assert display_share(coarse["hours"]) > 0.95
    assert ways_sigma(coarse["hours"], 1.0)["count_deaf_a"] > ways_sigma(fine["hours"], 1.0)["count_deaf_a"]
    assert set(ways_sigma(fine["hours"], 1.0)) == set(WAYS)
