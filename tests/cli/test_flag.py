from __future__ import annotations

import json

import pytest

from tests.cli.test_imports import bring, export


@pytest.fixture
def frosty(house, tmp_path):
    """A logbook whose pack was charged frozen."""
    bring(house, export(tmp_path / "trip.csv"))
    return house


def seen(run) -> dict[str, bool]:
    return {entry["code"]: entry["acknowledged"] for entry in json.loads(run("flag", "list", "--json").out)}


def test_flags_are_listed_with_their_codes(frosty):
    listed = frosty("flag", "list", "House battery")

    assert listed.code == 0
    assert "charged_frozen" in listed.out
    assert "7 Feb 2026" in listed.out
    assert seen(frosty)["charged_frozen"] is False


def test_a_flag_once_seen_is_not_new_until_that_is_taken_back(frosty):
    marked = frosty("flag", "seen", "charged_frozen")

    assert marked.out.strip() == "House battery: charged_frozen is seen."
    assert seen(frosty)["charged_frozen"] is True
    assert "1 flag you acknowledged before." in frosty("health").out
    assert frosty("flag", "unseen", "charged_frozen").out.strip() == "House battery: charged_frozen is new again."
    assert seen(frosty)["charged_frozen"] is False


def test_a_code_that_is_not_raised_is_told_with_the_nearest(frosty):
    refused = frosty("flag", "seen", "charged_frosen")

    assert refused.code == 65
    assert 'Did you mean "charged_frozen"?' in refused.err


def test_what_was_not_seen_cannot_be_taken_back(frosty):
    assert frosty("flag", "unseen", "charged_frozen").code == 65


def test_a_pack_without_readings_has_no_flag(house):
    assert "No flag." in house("flag", "list").err
