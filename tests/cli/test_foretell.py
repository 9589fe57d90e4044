from __future__ import annotations

import json
from dataclasses import replace

import pytest

from logbook.jobs import health as job
from logbook.schema.estimate import Estimate
from tests.cli.healths import empty_health, full_health

PARKED = replace(full_health().idle, days_full_to_fifth=Estimate(80.0, 60.0, 120.0))


@pytest.fixture
def answered(house, monkeypatch):
    """The command line, on an answer of our own."""

    def run(health, *arguments):
        monkeypatch.setattr(job, "health", lambda *_arguments: health)
        return house(*arguments)

    return run


def test_the_day_to_be_back_is_the_soonest_the_log_allows(answered):
    told = answered(replace(full_health(), idle=PARKED), "parked", "--since", "2026-11-01")

    assert told.code == 0
    assert "if parked on 1 Nov 2026 at 100 %, until it is down to 20 %" in told.out
    assert "Come back by 31 Dec 2026." in told.out
    assert "about 20 Jan 2027, after 80 days (60 to 120 days)" in told.out
    assert "not at all with a cell below 2 V" in told.out


def test_a_pack_parked_less_full_is_down_sooner(answered):
    options = ("--since", "2026-11-01", "--soc", "60", "--down-to", "20", "--json")

    told = json.loads(answered(replace(full_health(), idle=PARKED), "parked", *options).out)

    assert told["days"] == {"value": 40.0, "low": 30.0, "high": 60.0, "level": 0.9}
    assert told["come_back_by"] == {"low": "2026-12-01", "value": "2026-12-11", "high": "2026-12-31"}


def test_a_day_beyond_ten_years_is_not_told(answered):
    idle = replace(PARKED, days_full_to_fifth=Estimate(5000.0, 3000.0, 9000.0))

    told = json.loads(answered(replace(full_health(), idle=idle), "parked", "--since", "2026-11-01", "--json").out)

    assert told["come_back_by"] == {"low": "2035-01-18", "value": None, "high": None}


def test_without_a_parked_stretch_no_day_is_told(answered):
    told = answered(empty_health(), "parked")

    assert "Cannot tell." in told.out
    assert "Come back by" not in told.out


def test_down_to_more_than_it_has_is_refused(house):
    assert house("parked", "--soc", "20", "--down-to", "20").code == 2


@pytest.mark.parametrize("year", ["0001", "1969", "2200", "9999"])
def test_a_date_no_logbook_can_be_about_is_refused(house, year):
    assert house("parked", "--since", f"{year}-01-01").code == 2
    assert house("note", "add", "x", "--at", f"{year}-12-31").code == 2


def test_a_load_is_foretold_with_its_cautions(answered):
    """3.8 mΩ at 25 °C: 1200 W through an inverter of 88 % draws about 106 A, which is above 1 C of 100 Ah."""
    told = answered(full_health(), "sag", "--watts", "1200", "--soc", "50", "--celsius", "25")

    assert told.code == 0
    assert "House battery: 1200 W at 50 % and 25 °C" in told.out
    for words in ("It carries this load", "Before the load:", "In the first second:", "After some minutes:"):
        assert words in told.out
    assert "above the 100 A the pack may give for long" in told.out
    assert "An inverter's capacitors" in told.out


def test_a_load_that_makes_it_stop_is_told_so(answered):
    document = json.loads(
        answered(full_health(), "sag", "--watts", "6000", "--soc", "5", "--celsius", "-15", "--json").out
    )

    assert document["verdict"] == "stops"
    assert document["after_minutes_v"]["high"] < document["stops_below_v"] == 10.5


def test_without_a_resistance_nothing_is_foretold(answered):
    told = answered(empty_health(), "sag", "--watts", "1200", "--soc", "50", "--celsius", "0")

    assert "Cannot tell." in told.out
    assert "import a file" in told.out
    assert "first second" not in told.out
