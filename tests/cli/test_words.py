from __future__ import annotations

import pytest

from logbook.cli.words import counted, day, interval, lasting, moment, number
from logbook.schema.estimate import Estimate


@pytest.mark.parametrize(
    ("value", "decimals", "text"),
    [(1234567.4, 0, "1 234 567"), (-0.04, 1, "0.0"), (-0.4, 0, "0"), (-1.25, 2, "-1.25"), (100.0, 0, "100")],
)
def test_numbers_have_spaced_thousands_and_no_minus_zero(value, decimals, text):
    assert number(value, decimals) == text


@pytest.mark.parametrize(
    ("low", "high", "decimals"), [(90, 100, 0), (98, 100.5, 0), (0.02, 0.06, 2), (0.0101, 0.0102, 3), (5.9, 7.4, 1)]
)
def test_an_estimate_shows_no_more_decimals_than_its_interval_bears(low, high, decimals):
    assert Estimate((low + high) / 2, low, high).decimals == decimals


def test_an_interval_is_written_with_its_ends():
    assert interval(Estimate(97.2, 95.1, 99.0), "Ah") == "97 Ah (95 to 99 Ah)"


def test_one_of_a_thing_has_no_plural():
    assert counted(1, "cell") == "1 cell"
    assert counted(4, "cell") == "4 cells"


def test_times_are_written_in_the_owners_zone():
    """Summer time in Berlin began on 31 March 2024 at 01:00 UTC (IANA time zone database)."""
    before_ms = 1_711_846_799_000
    assert moment(before_ms, "Europe/Berlin") == "31 Mar 2024, 01:59"
    assert moment(before_ms + 1000, "Europe/Berlin") == "31 Mar 2024, 03:00"
    assert day(0, "UTC") == "1 Jan 1970"


@pytest.mark.parametrize(("seconds", "text"), [(30, "30 s"), (600, "10 min"), (9000, "2.5 h"), (5 * 86400, "5 days")])
def test_durations_take_the_unit_that_fits(seconds, text):
    assert lasting(seconds) == text
