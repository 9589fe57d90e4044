"""The form of a load: what may be typed, and that its answer is the one of the analysis."""

from __future__ import annotations

from dataclasses import replace

import pytest

from logbook.analysis.sag import sag
from logbook.dashboard.pages.load import load_answer, load_of
from logbook.dashboard.view import View, number
from logbook.schema.sag import Load
from tests.dashboard import samples
from tests.dashboard.asking import text_of


def test_the_answer_is_that_of_the_analysis_with_its_interval_and_cautions():
    health, pack = samples.full(), samples.pack()
    load = Load(1500.0, 40.0, 5.0)
    found = sag(health.resistance, pack, load)

    words = text_of(load_answer(health, pack, load))

    for estimate in (found.at_once_v, found.after_minutes_v):
        assert (
            f"{number(estimate.value, 2)} V (between {number(estimate.low, 2)} and {number(estimate.high, 2)} V)"
            in words
        )
    for caution in found.cautions:
        assert caution in words


def test_without_a_resistance_it_says_what_is_missing():
    words = text_of(load_answer(samples.bound(), samples.pack(), Load(1500.0, 40.0, 5.0)))

    assert "Cannot tell yet" in words
    assert "Log at 5 s or faster" in words


def test_a_load_that_stops_an_inverter_says_so():
    health = samples.full()
    worn = replace(health, resistance=replace(health.resistance, milliohm_25c=health.resistance.milliohm_25c.scaled(6)))

    assert "Would stop" in text_of(load_answer(worn, samples.pack(), Load(2500.0, 20.0, -5.0)))


@pytest.mark.parametrize(
    ("given", "words"),
    [
        ((0, 50, 15, True), "above 0"),
        ((1e9, 50, 15, True), "at most"),
        ((1000, 101, 15, True), "from 0 to 100"),
        (("much", 50, 15, True), "as numbers"),
        ((True, 50, 15, True), "as numbers"),
    ],
)
def test_what_cannot_be_is_refused_in_words(given, words):
    assert words in load_of(*given, View())


def test_an_empty_field_waits():
    assert load_of("", 50, 15, True, View()) is None


def test_what_is_typed_reaches_the_analysis_in_its_units():
    assert load_of(1000, 50, 59, True, View(fahrenheit=True)) == Load(1000.0, 50.0, 15.0)
    assert load_of(1000, 50, 15, False, View()) == Load(1000.0, 50.0, 15.0, 1.0)
