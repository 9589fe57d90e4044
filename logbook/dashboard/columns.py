"""Columns: a guess at the columns of a file nobody could read, so that its owner can say what each one is."""

from __future__ import annotations

import csv
import json
from dataclasses import dataclass
from typing import TYPE_CHECKING

from logbook.errors import BadData

if TYPE_CHECKING:
    from collections.abc import Mapping, Sequence

DELIMITERS = {",": "comma", ";": "semicolon", "\t": "tab", "|": "bar"}
COLUMN_CHOICES = (
    ("", "Not needed"),
    ("time", "Time, or its date"),
    ("voltage_v V", "Voltage in V"),
    ("voltage_v mV", "Voltage in mV"),
    ("current_a A", "Current in A"),
    ("current_a mA", "Current in mA"),
    ("power_w W", "Power in W"),
    ("temperature_c °C", "Temperature in °C"),
    ("temperature_c °F", "Temperature in °F"),
    ("soc_percent %", "State of charge in %"),
    ("direction", "Charging or discharging, in words"),
)
"""(quantity and unit of a mapping, words)."""
MOST_COLUMNS, LONGEST_EXAMPLE = 40, 40


@dataclass(frozen=True)
class Column:
    """One column as it stands in the file."""

    name: str
    example: str


def columns_of(lines: Sequence[str]) -> tuple[str, list[Column]]:
    """The delimiter that cuts the lines most evenly, and the columns it makes."""
    filled = [line for line in lines if line.strip()]
    cut = {mark: list(csv.reader(filled, delimiter=mark)) for mark in DELIMITERS}
    mark = max(DELIMITERS, key=lambda mark: min(len(row) for row in cut[mark][-3:]) if filled else 0)
    if not filled or min(len(row) for row in cut[mark][-3:]) < 2:
        return "comma", []
    width = min(len(cut[mark][-1]), MOST_COLUMNS)
    table = [row for row in cut[mark] if len(row) >= width]
    last, head = table[-1], table[0] if len(table) > 1 else []
    named = bool(head) and sum(is_number(cell) for cell in head) < sum(is_number(cell) for cell in last)
    return DELIMITERS[mark], [
        Column(
            (head[place].strip() if named else "")[:LONGEST_EXAMPLE] or f"Column {place + 1}",
            last[place].strip()[:LONGEST_EXAMPLE],
        )
        for place in range(width)
    ]


def is_number(cell: str) -> bool:
    """Whether a cell reads as a number."""
    try:
        float(cell.replace(",", "."))
    except ValueError:
        return False
    return True


def mapping_of(delimiter: str, chosen: Mapping[int, str]) -> str:
    """The mapping that says what was chosen: position of a column, from 1, to one of `COLUMN_CHOICES`."""
    known = {value for value, _words in COLUMN_CHOICES}
    if set(chosen.values()) - known or delimiter not in DELIMITERS.values():
        raise BadData("This is not one of the choices.")
    times = [place for place, value in sorted(chosen.items()) if value == "time"]
    others = [(place, value) for place, value in sorted(chosen.items()) if value not in {"", "time"}]
    quantities = [value.split(" ")[0] for _place, value in others]
    if not times or len(times) > 2:
        raise BadData("Say which column is the time: one column, or two for date and time.")
    if not {"voltage_v", "current_a", "power_w"} & set(quantities):
        raise BadData("Say which column is the voltage, and which the current.")
    if twice := [name for name in quantities if quantities.count(name) > 1]:
        raise BadData(f"Two columns cannot both be the {twice[0].rpartition('_')[0] or twice[0]}.")
    lines = ["[file]", f"delimiter = {json.dumps(delimiter)}", "", "[time]", f"columns = {times}"]
    for place, value in others:
        name, _, unit = value.partition(" ")
        lines += ["", f"[columns.{name}]", f"column = {place}"]
        lines += [f"unit = {json.dumps(unit, ensure_ascii=False)}"] if unit else []
    return "\n".join(lines) + "\n"
