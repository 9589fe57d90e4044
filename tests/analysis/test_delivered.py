"""Delivered: how much went out after each full charge."""

from __future__ import annotations

import pytest

from logbook.analysis.delivered import delivered
from logbook.analysis.digest import digest
from logbook.analysis.spans import placed
from logbook.schema.reading import Readings
from tests.analysis.timeline import PACK, Timeline


def told(readings):
    tables = digest(readings, PACK)
    return delivered(placed(tables), tables["hours"])


def test_the_deepest_count_after_each_full_charge_is_told():
    log = Timeline(soc=0.8).charge_full().flow(-10.0, 3).flow(5.0, 2).charge_full().flow(-10.0, 5).rest(1)

    frame = told(log.readings())

    assert frame["out_ah"].tolist() == pytest.approx([30.0, 50.0], abs=0.6)


def test_a_pause_of_the_log_ends_what_can_be_said():
    log = Timeline(soc=0.8).charge_full().flow(-10.0, 3).pause(8, amps=-1.0).flow(-10.0, 3)

    assert told(log.readings())["out_ah"].tolist() == pytest.approx([30.0], abs=0.6)


def test_without_a_full_charge_nothing_is_told():
    assert told(Timeline(soc=0.7).flow(-5.0, 5).readings()).empty
    assert told(Timeline(soc=0.3).run_empty().flow(10.0, 3).readings()).empty
    assert told(Readings.empty()).empty
