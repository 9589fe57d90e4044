"""The whole answer: one document whatever the order, honest where there is nothing."""

from __future__ import annotations

import copy
import json
from pathlib import Path

import jsonschema
import numpy as np
import pandas as pd
import pytest
from hypothesis import Phase, given, settings
from hypothesis import strategies as st

from logbook.analysis.answer import answer
from logbook.analysis.digest import digest
from logbook.schema.reading import Readings
from tests.analysis.properties import PROPERTY, SLOW_PROPERTY
from tests.analysis.timeline import PACK, START_MS, Timeline, readings_of, with_changes, year_of_use

CONTRACT = json.loads((Path(__file__).parents[1] / "contract" / "health-report.schema.json").read_text("utf-8"))


@pytest.fixture(scope="module")
def year():
    """Tables of a year with a known truth: 96 Ah, offset −0.05 A."""
    return digest(year_of_use(capacity_ah=96.0, offset_a=-0.05).readings(), PACK)


def test_a_year_with_a_known_truth_is_answered_in_all_its_parts(year):
    health = answer(year, PACK)

    assert health.capacity.ah.low <= 96.0 <= health.capacity.ah.high
    assert health.monitor.soc_assumes_rated_capacity is True
    assert health.cold_charging.events == ()
    assert [event.kind for event in health.protection.events] == ["under_voltage"] * 4
    assert health.fade.sudden_losses == ()


def test_frequent_full_charges_give_the_offset_back(year):
    offset = answer(year, PACK).monitor.current_offset_a

    assert offset.low <= -0.05 <= offset.high


def test_the_answer_keeps_to_the_contract(year):
    for tables in (year, digest(Readings.empty(), PACK)):
        document = json.loads(json.dumps(answer(tables, PACK).as_json(), allow_nan=False))

        jsonschema.validate(document, CONTRACT)


def test_wherever_there_is_no_figure_there_is_a_reason():
    health = answer(digest(Readings.empty(), PACK), PACK)

    assert health.readings.count == 0
    assert health.capacity.verdict == "undetermined"
    for part in (health.capacity, health.fade, health.idle, health.resistance, health.monitor, health.cold_charging):
        assert part.reason


def test_a_pause_is_neither_use_nor_idleness():
    health = answer(digest(Timeline(soc=0.5).rest(10).pause(90).rest(10).readings(), PACK), PACK)

    assert health.readings.logged_hours == pytest.approx(20.0, abs=0.1)
    assert health.readings.unlogged_hours == pytest.approx(90.0, abs=0.1)


def test_the_span_told_is_the_span_of_the_readings():
    readings = Timeline(soc=0.5).rest(10).readings()
    span = (int(readings.ts_ms[0]), int(readings.ts_ms[-1]))

    health = answer(digest(readings, PACK), PACK, span_ms=span)

    assert (health.readings.first_ms, health.readings.last_ms) == span
    assert health.readings.interval_s == 60.0


def test_acknowledged_flags_are_marked_through_the_answer(year):
    raised = answer(year, PACK).flags

    marked = answer(year, PACK, frozenset(flag.code for flag in raised)).flags

    assert raised
    assert all(flag.acknowledged for flag in marked)


def test_columns_in_reverse_give_the_same_answer(year):
    reversed_tables = {name: frame[frame.columns[::-1]] for name, frame in year.items()}

    assert answer(reversed_tables, PACK) == answer(year, PACK)


@SLOW_PROPERTY
@given(st.integers(0, 1_000_000))
def test_rows_in_any_order_give_the_same_answer(seed):
    rng = np.random.default_rng(seed)
    tables = digest(TWO_WEEKS, PACK)
    shuffled = {name: frame.iloc[rng.permutation(len(frame))] for name, frame in tables.items()}

    assert answer(shuffled, PACK) == answer(tables, PACK)


def two_weeks() -> Readings:
    log = Timeline(soc=0.6, capacity_ah=90.0, interval_s=120.0)
    log.charge_full().run_empty().charge_full().rest(80).at(-4.0).flow(-5.0, 4).flow(8.0, 2).at(12.0)
    return log.rest(30).charge_full().flow(-8.0, 6).rest(100).charge_full().readings()


TWO_WEEKS = two_weeks()


def test_missing_tables_count_as_empty(year):
    some = {name: frame for name, frame in year.items() if name in ("hours", "anchors")}

    health = answer(some, PACK)

    assert health.protection.events == ()
    assert health.capacity.ah is not None


def test_the_tables_are_left_as_they_were(year):
    before = copy.deepcopy(year)

    answer(year, PACK)

    for name, frame in year.items():
        pd.testing.assert_frame_equal(frame, before[name])


def test_asking_twice_gives_the_same(year):
    assert answer(year, PACK) == answer(year, PACK)


def test_only_a_reading_is_a_log_too():
    readings = Timeline(soc=0.5).rest(1 / 60).readings()

    health = answer(digest(readings, PACK), PACK)

    assert health.readings.count == 1
    assert health.capacity.verdict == "undetermined"


@pytest.mark.parametrize("missing", ["voltage_v", "temperature_c", "soc_percent"])
def test_a_log_that_lacks_a_quantity_is_answered_as_far_as_it_goes(missing):
    readings = with_changes(TWO_WEEKS, **{missing: np.nan})

    health = answer(digest(readings, PACK), PACK)

    assert health.cycles.discharge_ah > 100.0
    if missing == "temperature_c":
        assert health.cold_charging.reason
        assert health.capacity.ah.low <= 90.0 <= health.capacity.ah.high
    if missing == "voltage_v":
        assert health.capacity.ah is None


def test_times_are_told_in_utc_with_z():
    document = answer(digest(TWO_WEEKS, PACK), PACK).as_json()

    assert document["readings"]["first"] == "2024-03-01T00:00:00Z"
    assert int(TWO_WEEKS.ts_ms[0]) == START_MS


stretches = st.lists(
    st.tuples(
        st.floats(-150.0, 120.0),
        st.floats(0.0, 16.0),
        st.floats(-20.0, 50.0),
        st.floats(0.0, 100.0),
        st.integers(1, 400),
        st.sampled_from([1.0, 60.0, 300.0, 90_000.0]),
    ),
    min_size=1,
    max_size=12,
)


@settings(PROPERTY, max_examples=60, phases=(Phase.explicit, Phase.generate))
@given(stretches)
def test_whatever_a_log_shows_the_answer_stands_and_keeps_to_the_contract(pieces):
    """Any currents, voltages, temperatures and pauses: no crash, no NaN, every interval in order."""
    columns = [np.repeat([piece[place] for piece in pieces], [piece[4] for piece in pieces]) for place in range(4)]
    steps_s = np.concatenate([np.append(np.full(piece[4] - 1, 60.0), piece[5]) for piece in pieces])
    times = START_MS + np.append(0, np.cumsum(steps_s)[:-1]) * 1000
    readings = readings_of(
        columns[0], ts_ms=times, voltage_v=columns[1], temperature_c=columns[2], soc_percent=columns[3]
    )

    document = json.loads(json.dumps(answer(digest(readings, PACK), PACK).as_json(), allow_nan=False))

    jsonschema.validate(document, CONTRACT)
    for estimate in estimates_in(document):
        assert estimate["low"] <= estimate["value"] <= estimate["high"]


def estimates_in(document):
    """Every estimate of a document, at any depth."""
    if isinstance(document, dict):
        if {"value", "low", "high", "level"} <= set(document):
            yield document
        for part in document.values():
            yield from estimates_in(part)
    elif isinstance(document, list):
        for part in document:
            yield from estimates_in(part)


def test_a_log_of_a_sleeping_pack_has_no_figure_that_is_no_number():
    """0 V and exactly 0 A for days: JSON knows no NaN (RFC 8259, section 6)."""
    log = Timeline(soc=0.0).board_open(72, volts=0.0)

    document = answer(digest(log.readings(), PACK), PACK).as_json()

    json.dumps(document, allow_nan=False)


def test_without_current_nothing_is_cleared():
    readings = readings_of(np.full(600, np.nan), temperature_c=-5.0)

    found = answer(digest(readings, PACK), PACK)

    assert found.cold_charging.events == ()
    assert "no current" in found.cold_charging.reason
    assert "no current" in found.capacity.reason


def test_without_voltage_the_reason_says_so():
    readings = readings_of(np.full(600, -3.0), voltage_v=np.nan)

    assert "no voltage" in answer(digest(readings, PACK), PACK).capacity.reason
