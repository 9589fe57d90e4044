"""Spans: which anchors pair, and what was counted between them."""

from __future__ import annotations

import pytest

from logbook.analysis.balance import balance
from logbook.analysis.digest import digest
from logbook.analysis.spans import placed
from logbook.schema.reading import Readings
from tests.analysis.timeline import PACK, Timeline


def paired(readings):
    return balance(digest(readings, PACK), PACK).spans


def test_full_to_empty_is_a_span_of_the_whole_pack():
    frame = paired(Timeline(soc=0.7, capacity_ah=90.0).charge_full().run_empty().readings())

    assert len(frame) == 1
    assert frame["soc_change"].iloc[0] == pytest.approx(-1.0, abs=0.02)
    assert frame["net_ah"].iloc[0] == pytest.approx(-90.0, abs=0.5)


def test_full_to_full_is_a_span_that_closes():
    frame = paired(Timeline(soc=0.7, offset_a=0.1).charge_full().flow(-10.0, 4).rest(30).charge_full().readings())

    assert frame["soc_change"].tolist() == pytest.approx([0.0], abs=1e-9)
    # What the sensor counted too much; full is entered at the tail and left a little fuller.
    assert frame["net_ah"].iloc[0] == pytest.approx(0.1 * frame["hours"].iloc[0], abs=1.0)


def test_a_pause_breaks_a_span():
    assert paired(Timeline(soc=0.7).charge_full().flow(-10.0, 3).pause(3).run_empty().readings()).empty


def test_a_few_minutes_missing_widen_a_span_and_do_not_break_it():
    whole = paired(Timeline(soc=0.7).charge_full().run_empty().readings())
    holed = paired(Timeline(soc=0.7).charge_full().flow(-10.0, 2).pause(0.2, amps=-10.0).run_empty().readings())

    assert len(holed) == 1
    assert holed["variance_ah2"].iloc[0] > 4 * whole["variance_ah2"].iloc[0]


def test_switching_loads_between_samples_widen_a_span():
    steady = Timeline(soc=0.7).charge_full().flow(-20.0, 4).run_empty()
    switched = Timeline(soc=0.7).charge_full().flow([-40.0, 0.0] * 120, 4).run_empty()

    variances = [paired(log.readings())["variance_ah2"].iloc[0] for log in (steady, switched)]

    assert variances[1] > variances[0]


def test_running_sums_stand_at_the_anchor_not_at_the_hour():
    tables = digest(Timeline(soc=0.7).charge_full().run_empty().readings(), PACK)

    anchors = placed(tables, PACK)

    full, empty = anchors[anchors["kind"] == "full"].iloc[-1], anchors[anchors["kind"] == "empty"].iloc[0]
    assert empty["net_ah"] - full["net_ah"] == pytest.approx(-100.0, abs=0.6)
    assert empty["logged_s"] - full["logged_s"] == pytest.approx((empty["start_ms"] - full["start_ms"]) / 1000)


def test_no_anchors_make_no_spans():
    assert paired(Timeline(soc=0.6).flow(-5.0, 3).readings()).empty
    assert paired(Readings.empty()).empty


def test_a_pack_that_lies_flat_for_weeks_starts_its_refill_at_its_first_empty():
    """The board closes for moments and opens again, while cells and board drain on unseen below empty."""
    log = Timeline(soc=0.7, capacity_ah=90.0).charge_full().run_empty()
    for _ in range(5):
        log.flow(0.0, 60, volts=1.0).flow(-0.4, 0.05, volts=10.1)
    log.flow(0.0, 10, volts=1.0)
    log.soc -= 0.06
    log.charge_full()

    frame = paired(log.readings())

    refill = frame[frame["soc_change"] > 0.9]
    assert len(refill) == 1
    assert refill["hours"].iloc[0] > 300
    assert not ((frame["soc_change"].abs() < 0.05) & (frame["hours"] > 50)).any()
