"""Times and quantities as people read them."""

from __future__ import annotations

import pytest

from logbook.dashboard.view import View, between, lasting, number, quantity, view_from
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


def test_an_interval_shows_no_more_decimals_than_it_bears():
    assert between(Estimate(0.041, 0.03, 0.052), "A") == "between 0.03 and 0.05\u00a0A"
    assert between(Estimate(96.0, 93.2, 99.1), "Ah") == "between 93 and 99\u00a0Ah"


@pytest.mark.parametrize(
    ("seconds", "text"), [(20, "20 s"), (60, "1 min"), (7200, "2 h"), (8280, "2 h 18 min"), (3 * 86400, "3 days")]
)
def test_durations(seconds, text):
    assert lasting(seconds).replace("\u00a0", " ") == text


def test_choices_of_the_reader_come_from_cookies_and_nonsense_is_ignored():
    assert view_from({"logbook-zone": "America/Lima", "logbook-temperature": "F"}) == View(
        "America/Lima", fahrenheit=True
    )
    assert view_from({"logbook-zone": "../../etc/passwd"}, "Europe/Berlin") == View("Europe/Berlin")
    assert view_from({}, "No/Where") == View("UTC")
