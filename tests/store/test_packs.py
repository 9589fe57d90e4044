from __future__ import annotations

from datetime import date

import pytest
import sqlalchemy as sa

from logbook.errors import BadConfiguration, UnknownName
from logbook.ingest.zone import zone_named
from logbook.schema.pack import Limits
from logbook.store import add_pack, edit_pack, list_packs, models, pack_by_id, pack_named


def test_a_pack_comes_back_as_it_was_added(store):
    added = add_pack(
        store,
        name=" Bord ",
        rated_ah=105,
        cells_in_series=8,
        chemistry="nmc",
        limits={"charge_minimum_c": 5.0},
        purchased=date(2021, 4, 5),
        time_zone="Europe/Lisbon",
    )

    assert list_packs(store) == [added]
    assert pack_named(store, "Bord") == pack_by_id(store, added.id) == added
    assert (added.name, added.purchased, added.limits.charge_minimum_c) == ("Bord", date(2021, 4, 5), 5.0)
    assert added.limits.full_voltage_v == Limits.defaults(105, 8, "nmc").full_voltage_v


def test_limits_that_were_not_changed_follow_the_rating(store, pack):
    edit_pack(store, "House", limits={"cutoff_voltage_v": 11.0})

    edited = edit_pack(store, "House", rated_ah=200.0)

    assert edited.limits.cutoff_voltage_v == 11.0
    assert edited.limits.tail_current_a == Limits.defaults(200, 4).tail_current_a
    assert edit_pack(store, "House", limits={"cutoff_voltage_v": None}).limits.cutoff_voltage_v == 10.0


def test_a_mistyped_name_gets_the_nearest_suggested(store, pack):
    with pytest.raises(UnknownName, match=r'no pack "Hose"(?s:.*)Did you mean "House"'):
        pack_named(store, "Hose")


def test_without_packs_the_error_says_how_to_add_one(store):
    with pytest.raises(UnknownName, match="logbook pack add"):
        pack_named(store, "House")


def test_capitals_do_not_matter_in_a_name(store, pack):
    assert pack_named(store, "hOUSE") == pack


def test_a_name_is_given_once(store, pack):
    with pytest.raises(BadConfiguration, match="already"):
        add_pack(store, name="HOUSE", rated_ah=50, cells_in_series=4)
    add_pack(store, name="Spare", rated_ah=50, cells_in_series=4)
    with pytest.raises(BadConfiguration, match="already"):
        edit_pack(store, "Spare", name="House")


@pytest.mark.parametrize(
    ("wrong", "words"),
    [
        ({"name": "  "}, "needs a name"),
        ({"rated_ah": 0}, "above 0"),
        ({"rated_ah": float("nan")}, "above 0"),
        ({"rated_ah": float("inf")}, "above 0"),
        ({"rated_ah": 1e300}, "at most 100000"),
        ({"cells_in_series": 0}, "1 or more"),
        ({"cells_in_series": 10**20}, "to 1000"),
        ({"name": "x" * 201}, "at most 200"),
        ({"name": "two\nlines"}, "one line"),
        ({"chemistry": "lead"}, "not a known chemistry"),
        ({"limits": {"charge_minimun_c": 1.0}}, 'Did you mean "charge_minimum_c"'),
        ({"limits": {"cutoff_voltage_v": float("nan")}}, "not a number"),
        ({"limits": {"cutoff_voltage_v": -1.0}}, "from 0 to 10000"),
        ({"limits": {"tail_current_a": 1e300}}, "from 0 to"),
        ({"limits": {"charge_minimum_c": -1e300}}, "from -100 to 200"),
        ({"limits": {"full_voltage_v": 1.0}}, r"knee_voltage_v \(12 V\) must not lie above full_voltage_v \(1 V\)"),
        ({"limits": {"charge_minimum_c": 50.0}}, "must not lie above charge_maximum_c"),
        ({"limits": {"peak_current_a": 50.0}}, "continuous_current_a"),
    ],
)  # fmt: skip
def test_what_no_pack_can_have_is_refused(store, pack, wrong, words):
    right = {"name": "New", "rated_ah": 100, "cells_in_series": 4}

    with pytest.raises(BadConfiguration, match=words):
        add_pack(store, **{**right, **wrong})
    with pytest.raises(BadConfiguration, match=words):
        edit_pack(store, "House", **wrong)

    assert list_packs(store) == [pack]


@pytest.mark.parametrize("zone", ["Europe/Atlantis", "", "../etc", "/etc/passwd"])
def test_an_unknown_zone_is_refused(store, zone):
    with pytest.raises(UnknownName, match="not a time zone"):
        add_pack(store, name="New", rated_ah=100, cells_in_series=4, time_zone=zone)


def test_an_unknown_property_is_a_programming_error(store, pack):
    with pytest.raises(TypeError, match="colour"):
        edit_pack(store, "House", colour="red")


def test_a_name_is_one_name_in_either_form_of_its_accents(store):
    composed, apart = "Caf\u00e9", "Cafe\u0301"
    added = add_pack(store, name=apart, rated_ah=100, cells_in_series=4)

    assert added.name == composed
    assert pack_named(store, apart) == pack_named(store, composed) == pack_named(store, apart.upper())
    with pytest.raises(BadConfiguration, match="already"):
        add_pack(store, name=composed, rated_ah=100, cells_in_series=4)


def test_older_logbooks_may_hold_both_forms_of_a_name_as_two_packs(store):
    composed, apart = "Caf\u00e9", "Cafe\u0301"
    first = add_pack(store, name=composed, rated_ah=100, cells_in_series=4)
    second = add_pack(store, name="Other", rated_ah=200, cells_in_series=4)
    with store.writing() as connection:
        connection.execute(sa.update(models.pack).where(models.pack.c.id == second.id).values(name=apart))

    assert (pack_named(store, composed).id, pack_named(store, apart).id) == (first.id, second.id)
    assert edit_pack(store, apart, rated_ah=210.0).rated_ah == 210.0
    assert edit_pack(store, apart, name="Spare").id == second.id


@pytest.mark.parametrize("name", ["localtime", "posixrules", "Factory"])
def test_what_depends_on_the_machine_is_no_zone(name: str, store):
    with pytest.raises(UnknownName, match="time zone"):
        add_pack(store, name="House", rated_ah=100, cells_in_series=4, time_zone=name)
    with pytest.raises(UnknownName, match="time zone"):
        zone_named(name)
