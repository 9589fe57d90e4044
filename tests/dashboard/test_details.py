"""A pack's details in the browser: every limit of the schema has a field, and what cannot be is refused in words."""

from __future__ import annotations

from dataclasses import fields, replace

import pytest

from logbook.dashboard import create_app
from logbook.dashboard.pages.details import limit_changes, limit_fields, limit_words, order_trouble, pack_trouble
from logbook.dashboard.view import View
from logbook.schema.pack import Limits
from logbook.store import add_pack, list_packs, open_store
from tests.dashboard import samples
from tests.dashboard.asking import asked, pressed, text_of

FINE = {"name": "House", "chemistry": "lfp", "cells": 4, "ah": 100, "bought": "", "zone": "Europe/Berlin"}


@pytest.fixture
def store(tmp_path):
    with open_store(f"sqlite:///{tmp_path}/logbook.sqlite3") as opened:
        add_pack(opened, name="House", rated_ah=100, cells_in_series=4, time_zone="Europe/Berlin")
        yield opened


@pytest.fixture
def keep(store):
    app = create_app(store)

    def keep(limits=None, **changed):
        values = {f"details-{name}": value for name, value in {**FINE, **changed}.items()}
        return pressed(app, "details-save", {**values, "details-pack": "1"}, {"details-limit": limits or {}})[
            "details-told"
        ]

    return keep


def test_every_limit_of_the_schema_has_a_field_with_its_default_and_reason():
    made = [field for flags in (False, True) for field in limit_fields(samples.pack(), View(), flags=flags)]

    reasons = {entry.name: entry.metadata["reason"] for entry in fields(Limits)}
    assert sorted(field.id["name"] for field in made) == sorted(reasons)
    for field in made:
        assert reasons[field.id["name"]] in field.description
        assert field.value == ""


def test_what_the_owner_changed_stands_in_its_field():
    pack = samples.pack()
    pack = replace(pack, limits=replace(pack.limits, charge_minimum_c=5.0))
    celsius, fahrenheit = (limit_fields(pack, view, flags=False)[0] for view in (View(), View(fahrenheit=True)))

    assert (celsius.value, celsius.label) == (5.0, "Coldest it may be charged (°C)")
    assert (fahrenheit.value, fahrenheit.label) == (41.0, "Coldest it may be charged (°F)")


def test_the_page_shows_the_reasons(store):
    words = text_of(asked(create_app(store), "/pack/1/details"))

    assert "Its rating and limits" in words


def test_details_are_kept_and_an_empty_field_returns_to_its_default(keep, store):
    assert keep({"charge_minimum_c": 2, "tail_current_a": 3}, name="Box", ah=120, bought="2024-05-01") == ""

    pack = list_packs(store)[0]
    assert (pack.name, pack.rated_ah, str(pack.purchased)) == ("Box", 120.0, "2024-05-01")
    assert (pack.limits.charge_minimum_c, pack.limits.tail_current_a) == (2.0, 3.0)
    assert keep({"charge_minimum_c": "", "tail_current_a": 3}, name="Box", ah=120) == ""
    assert list_packs(store)[0].limits.charge_minimum_c == 0.0
    assert list_packs(store)[0].limits.tail_current_a == 3.0


@pytest.mark.parametrize(
    ("limits", "changed", "words"),
    [
        ({}, {"name": "  "}, "Give the pack a name."),
        ({}, {"ah": 0}, "Give its rated amp-hours"),
        ({}, {"ah": ""}, "Give its rated amp-hours"),
        ({}, {"cells": 2.5}, "whole number"),
        ({}, {"chemistry": "lead"}, "Choose one of LiFePO4"),
        ({}, {"zone": "Europe/Berln"}, 'Did you mean "Europe/Berlin"?'),
        ({}, {"bought": "1st of May"}, "year-month-day"),
        ({"tail_current_a": "four"}, {}, "Charging current below which it is full: give a number"),
        ({"no_such_limit": 1}, {}, "no such limit"),
        ({"charge_minimum_c": 50}, {}, "must not lie above: warmest it may be charged (45 °C)"),
        ({"charge_minimum_c": -500}, {}, "Coldest it may be charged is -500 °C; it must be from -100"),
        (
            {"knee_voltage_v": 9},
            {},
            "Voltage at which it is empty (10 V) must not lie above: voltage of the bottom knee (9 V).",
        ),
    ],
)
def test_what_cannot_be_is_refused_in_words_and_changes_nothing(keep, store, limits, changed, words):
    before = list_packs(store)

    assert words in keep(limits, **changed)
    assert list_packs(store) == before


def test_a_name_that_is_taken_is_refused(keep, store):
    add_pack(store, name="Aft", rated_ah=50, cells_in_series=4)

    assert 'There is a pack "aft" already.' in keep(name="aft")


def test_a_limit_typed_in_fahrenheit_is_kept_in_celsius():
    changes = limit_changes({"charge_minimum_c": 41, "tail_current_a": 4}, View(fahrenheit=True))

    assert changes == {"charge_minimum_c": 5.0, "tail_current_a": 4.0}
    changed = {"rated_ah": 100.0, "cells_in_series": 4, "chemistry": "lfp", "limits": {"charge_minimum_c": 50.0}}
    assert "122 °F" in order_trouble(changed, View(fahrenheit=True))


def test_fields_that_are_fine_say_nothing():
    assert pack_trouble(**FINE) == ""


@pytest.mark.parametrize("name", [entry.name for entry in fields(Limits)])
def test_the_words_of_a_limit_hold_no_code(name):
    assert "_" not in limit_words(name)


def test_a_limit_nobody_has_words_for_is_called_by_its_own_name():
    assert limit_words("flag_new_thing_percent") == "New thing"
