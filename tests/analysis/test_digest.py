"""Digest: the tables as a whole; parts digested alone must give what the whole gives."""

from __future__ import annotations

from dataclasses import replace

import numpy as np
import pandas as pd
import pytest
from hypothesis import given
from hypothesis import strategies as st

from logbook.analysis.answer import answer
from logbook.analysis.digest import MARGIN_MS, digest
from logbook.schema.reading import Readings
from logbook.schema.status import KIND_OVER_CURRENT, KIND_TOO_COLD, KIND_UNDER_VOLTAGE
from tests.analysis.properties import SLOW_PROPERTY, shifts_days
from tests.analysis.timeline import PACK, START_MS, Timeline, frozen

DAY_MS = 86_400_000
DAYS = 12


def a_trip() -> Readings:
    """Twelve days with everything in them: full, empty, cold charge, pauses, a surge, a switching load."""
    log = Timeline(soc=0.7, capacity_ah=95.0, offset_a=0.03, start_ms=START_MS + 5 * 3_600_000, interval_s=120.0)
    log.charge_full().flow(-6.0, 10).rest(7).at(-5.0).flow(9.0, 3).at(9.0).flow(-4.0, 12)
    log.pause(9, amps=-0.3).charge_full().run_empty(15.0, asleep_hours=9).charge_full()
    log.flow(np.tile([-9.0, 0.0], 120), 8).at(-8.0).flow(12.0, 2.5).flow(-160.0, 4 / 60).board_open(0.2)
    log.at(14.0).rest(30).charge_full(15.0).pause(31).rest(20).flow(-7.0, 11).rest(26).charge_full(12.0)
    return worded(log.flow(-5.0, 10).rest(24).readings())


def worded(readings: Readings) -> Readings:
    """With words of protections that stand for hours and days, over midnights, pauses and use."""
    hours = (readings.ts_ms - START_MS) / 3_600_000
    kinds = np.zeros(len(readings), np.int8)
    for begin_h, end_h, kind in ((17, 29, KIND_OVER_CURRENT), (30, 34, KIND_TOO_COLD), (60, 200, KIND_UNDER_VOLTAGE)):
        kinds[(hours >= begin_h) & (hours < end_h)] = kind
    return frozen(replace(readings, status_kind=kinds))


TRIP = a_trip()
WHOLE = digest(TRIP, PACK)


def sliced(tables, start_ms: int, end_ms: int):
    """Rows that belong to a range."""
    return {
        name: frame[(frame["start_ms"] >= start_ms) & (frame["start_ms"] < end_ms)].reset_index(drop=True)
        for name, frame in tables.items()
    }


def together(first, second):
    return {
        name: pd.concat([frame for frame in (first[name], second[name]) if len(frame)] or [first[name]]).reset_index(
            drop=True
        )
        for name in first
    }


def assert_same_tables(left, right) -> None:
    for name, frame in right.items():
        assert len(left[name]) == len(frame), name
        if len(frame):
            pd.testing.assert_frame_equal(left[name], frame, check_dtype=False, atol=1e-6, rtol=1e-9, obj=name)


def test_the_trip_holds_what_the_tests_below_need():
    assert {"hours", "openings", "cold", "counter", "spells", "status"} <= {
        name for name, frame in WHOLE.items() if len(frame)
    }
    assert {"full", "empty"} <= set(WHOLE["anchors"]["kind"])


def test_every_table_has_whole_milliseconds_of_its_start():
    assert all(frame["start_ms"].dtype == np.int64 for frame in WHOLE.values() if len(frame))


def test_the_same_columns_come_from_nothing_as_from_much():
    nothing = digest(Readings.empty(), PACK)

    assert {name: list(frame.columns) for name, frame in nothing.items()} == {
        name: list(frame.columns) for name, frame in WHOLE.items()
    }


@pytest.mark.parametrize("day", range(1, DAYS))
def test_two_parts_with_their_margins_give_the_rows_of_the_whole(day):
    """Split at each midnight of the trip in turn."""
    first_day = START_MS // DAY_MS * DAY_MS
    cut_ms = first_day + day * DAY_MS
    end_ms = int(TRIP.ts_ms[-1]) + DAY_MS

    early = sliced(digest(TRIP.between(0, cut_ms + MARGIN_MS), PACK), 0, cut_ms)
    late = sliced(digest(TRIP.between(cut_ms - MARGIN_MS, end_ms), PACK), cut_ms, end_ms)

    assert_same_tables(together(early, late), WHOLE)


def test_the_answer_from_parts_is_the_answer_from_the_whole():
    cut_ms = START_MS + 6 * DAY_MS
    end_ms = int(TRIP.ts_ms[-1]) + DAY_MS
    early = sliced(digest(TRIP.between(0, cut_ms + MARGIN_MS), PACK), 0, cut_ms)
    late = sliced(digest(TRIP.between(cut_ms - MARGIN_MS, end_ms), PACK), cut_ms, end_ms)

    assert answer(together(late, early), PACK) == answer(WHOLE, PACK)


def test_readings_are_left_as_they_were(cell):
    """The arrays refuse to be written to, so a digest that wrote into them would raise; nothing may turn that off."""
    before = {name: column.copy() for name, column in cell.columns().items()}

    digest(cell, PACK)

    for name, values in before.items():
        assert not getattr(cell, name).flags.writeable
        np.testing.assert_array_equal(getattr(cell, name), values)


def test_digesting_twice_gives_the_same_tables(cell):
    assert_same_tables(digest(cell, PACK), digest(cell, PACK))


@SLOW_PROPERTY
@given(shifts_days)
def test_whole_days_later_all_tables_are_the_same(days):
    shift_ms = days * DAY_MS

    late = digest(replace(TRIP, ts_ms=TRIP.ts_ms + shift_ms), PACK)

    for frame in late.values():
        frame["start_ms"] -= shift_ms
        if "end_ms" in frame:
            frame["end_ms"] -= shift_ms
    assert_same_tables(late, WHOLE)


@SLOW_PROPERTY
@given(
    st.sets(st.integers(0, 4000), min_size=1, max_size=3),
    st.sampled_from(["voltage_v", "temperature_c", "soc_percent", "current_a"]),
)
def test_missing_values_never_break_a_digest(places, column):
    values = {name: column.copy() for name, column in TRIP.columns().items()}
    for place in places:
        values[column][place : place + 200] = np.nan

    tables = digest(Readings(**values), PACK)

    assert answer(tables, PACK).readings.count == len(TRIP)
