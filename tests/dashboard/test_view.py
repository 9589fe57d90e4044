"""Times and quantities as people read them."""

from __future__ import annotations

import pytest

from logbook.dashboard.view import View, between, lasting, number, quantity, rated, spent, tied, true_minus, view_from
from logbook.schema.estimate import Estimate
from tests.dashboard.samples import ms


def test_the_hour_that_comes_twice_is_written_twice():
    """Europe/Berlin set its clocks back on 25 Oct 2026 at 01:00 UTC (EU Directive 2000/84/EC: last Sunday of October)."""
    view = View("Europe/Berlin")

    assert view.moment(ms("2026-10-25T00:30")) == view.moment(ms("2026-10-25T01:30")) == "25 Oct 2026, 02:30"


@pytest.mark.parametrize(
    ("value", "decimals", "text"),
    [(1234567.0, 0, "1\u00a0234\u00a0567"), (-3.14, 1, "\u22123.1"), (-0.04, 1, "0.0"), (float("nan"), 0, "\u2013")],
)
def test_numbers(value, decimals, text):
    assert number(value, decimals) == text


def test_a_quantity_stays_on_one_line():
    assert quantity(96.4, "Ah") == "96\u00a0Ah"
    assert quantity(-1.2, "points") == "\u22121\u00a0point"
    assert quantity(1.2, "points", 1) == "1.2\u00a0points"


def test_a_rating_is_written_as_it_was_given():
    assert [rated(ah) for ah in (100.0, 280.5, 2.6)] == ["100\u00a0Ah", "280.5\u00a0Ah", "2.6\u00a0Ah"]


def test_hyphens_of_words_and_dates_are_no_minus():
    assert true_minus("off by -0.01 A (-0.05 to 0.04 A)") == "off by \u22120.01 A (\u22120.05 to 0.04 A)"
    assert true_minus("full-to-empty, 2026-02-07, trip-2.csv") == "full-to-empty, 2026-02-07, trip-2.csv"


def test_a_number_in_a_sentence_is_not_torn_from_its_unit_or_its_thousands():
    assert tied("from 60 % at 14.40 V, 2 400 h, 5 times in 2024, 77 Ah") == (
        "from 60\u00a0% at 14.40\u00a0V, 2\u00a0400\u00a0h, 5 times in 2024, 77\u00a0Ah"
    )


def test_an_interval_shows_no_more_decimals_than_it_bears():
    assert between(Estimate(0.041, 0.03, 0.052), "A") == "between 0.03 and 0.05\u00a0A"
    assert between(Estimate(96.0, 93.2, 99.1), "Ah") == "between 93 and 99\u00a0Ah"


@pytest.mark.parametrize(
    ("seconds", "text"), [(20, "20 s"), (60, "1 min"), (7200, "2 h"), (8280, "2 h 18 min"), (3 * 86400, "3 days")]
)
def test_durations(seconds, text):
    assert lasting(seconds).replace("\u00a0", " ") == text


def test_what_never_went_on_is_none_and_not_seconds():
    assert [spent(0.0), spent(2.0)] == ["none", "2\u00a0h"]


def test_choices_of_the_reader_come_from_cookies_and_nonsense_is_ignored():
    assert view_from({"logbook-zone": "America/Lima", "logbook-temperature": "F"}) == View(
        "America/Lima", fahrenheit=True
    )
    assert view_from({"logbook-zone": "../../etc/passwd"}, "Europe/Berlin") == View("Europe/Berlin")
    assert view_from({}, "No/Where") == View("UTC")
