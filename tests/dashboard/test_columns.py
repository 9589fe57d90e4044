"""Columns of a file nobody could read: cut evenly, and said by their owner."""

from __future__ import annotations

import pytest

from logbook.dashboard.columns import COLUMN_CHOICES, columns_of, mapping_of
from logbook.errors import BadData
from logbook.ingest import parse_mapping


@pytest.mark.parametrize(("mark", "name"), [(",", "comma"), (";", "semicolon"), ("\t", "tab"), ("|", "bar")])
def test_the_delimiter_is_the_one_that_cuts_every_line(mark, name):
    lines = [mark.join(row) for row in (("wann", "u, i"), ("2026-01-01 10:00", "13.2"), ("2026-01-01 10:01", "13.1"))]

    delimiter, columns = columns_of(["some words above the table", *lines])

    assert delimiter == name
    assert [column.example for column in columns] == ["2026-01-01 10:01", "13.1"]


def test_columns_have_names_where_the_file_has_some():
    assert [column.name for column in columns_of(["wann,u", "1,13.2"])[1]] == ["wann", "u"]
    assert [column.name for column in columns_of(["0,13.1", "1,13.2"])[1]] == ["Column 1", "Column 2"]


@pytest.mark.parametrize("lines", [[], ["", " "], ["one word"], ["a", "b", "c"]])
def test_a_text_without_columns_has_none(lines):
    assert columns_of(lines)[1] == []


def test_what_was_said_is_a_mapping():
    found = parse_mapping(mapping_of("semicolon", {1: "time", 2: "", 3: "voltage_v mV", 4: "temperature_c °F"}))

    assert found.delimiter == ";"
    assert found.time.columns == (1,)
    assert {name: (use.column, use.unit) for name, use in found.columns.items()} == {
        "voltage_v": (3, "mV"),
        "temperature_c": (4, "°F"),
    }


@pytest.mark.parametrize("choice", [value for value, _ in COLUMN_CHOICES if value not in {"", "time", "voltage_v V"}])
def test_every_choice_is_one_a_mapping_knows(choice):
    parse_mapping(
        mapping_of("comma", {1: "time", 2: "voltage_v V" if "voltage" not in choice else "current_a A", 3: choice})
    )


@pytest.mark.parametrize(
    ("chosen", "words"),
    [
        ({1: "", 2: "voltage_v V"}, "which column is the time"),
        ({1: "time", 2: "soc_percent %"}, "which column is the voltage"),
        ({1: "time", 2: "voltage_v V", 3: "voltage_v mV"}, "Two columns"),
        ({1: "time", 2: "secrets"}, "not one of the choices"),
    ],
)
def test_what_cannot_be_is_refused_in_words(chosen, words):
    with pytest.raises(BadData, match=words):
        mapping_of("comma", chosen)
