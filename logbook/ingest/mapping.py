"""Mapping: how to read one kind of export, written down in a small TOML file.

[file]                      # all optional
delimiter = "tab"           # "comma", "semicolon", "tab", "bar", "space"
decimal = "."               # or ","
first_row = 24              # line of the first reading
device = "Shunt"            # where one file holds several

[time]
columns = ["Date", "Time"]  # names, or positions from 1
format = "elapsed"          # "text", "epoch", "elapsed", "spreadsheet", "spreadsheet 1904"
unit = "s"                  # of epoch and elapsed: "s", "ms", "µs", "ns", "min", "h"
order = "day-first"         # "month-first", "year-first"
zone = "Europe/Berlin"
start = "2023-09-06 15:36:28"   # of elapsed; else looked for above the table and in the file's name

[current]
positive = "discharge"      # or "charge"
charging = "1"              # word of its direction column that is charging

[columns.voltage_v]         # one such table for each column to take in
column = 3                  # name, or position from 1; may be left out where only its unit is said
unit = "V"
"""

from __future__ import annotations

import json
import re
import tomllib
from dataclasses import dataclass, field, replace
from typing import TYPE_CHECKING, Any, Literal, cast, get_args

from logbook.errors import BadConfiguration, InputMissing, nearest
from logbook.ingest.dialect import DELIMITER_NAMES
from logbook.ingest.unit import UNITS, unit_named
from logbook.schema.recording import COUNTERS

if TYPE_CHECKING:
    from pathlib import Path

    from logbook.ingest.options import Positive
    from logbook.schema.receipt import Receipt

MAX_CELLS = 32
LAST_LINE = 10**9
"""No export has more lines."""
TARGETS = (
    "voltage_v", "current_a", "charge_current_a", "discharge_current_a", "power_w", "temperature_c", "soc_percent",
    "direction", "status", *COUNTERS, *(f"cell_{number}_v" for number in range(1, MAX_CELLS + 1)),
    "device", "quantity", "value", "unit",
)  # fmt: skip
"""What a column may be taken as; the last three are those of a long table (one value a row)."""
TimeFormat = Literal["text", "epoch", "elapsed", "spreadsheet", "spreadsheet 1904"]
DELIMITERS = {name: mark for mark, name in DELIMITER_NAMES.items()}


@dataclass(frozen=True)
class ColumnMapping:
    """Which column (name, or position from 1) and its unit."""

    column: str | int | None
    """None for the one that is recognised as that quantity."""
    unit: str | None = None


@dataclass(frozen=True)
class TimeMapping:
    """Where the time stands and how it is written."""

    columns: tuple[str | int, ...] = ()
    format: TimeFormat | None = None
    unit: str | None = None
    order: str | None = None
    zone: str | None = None
    start: str | None = None


@dataclass(frozen=True)
class Mapping:
    """A whole mapping; whatever it leaves out is inferred."""

    delimiter: str | None = None
    decimal: str | None = None
    first_row: int | None = None
    time: TimeMapping = field(default_factory=TimeMapping)
    positive: Positive | None = None
    columns: dict[str, ColumnMapping] = field(default_factory=dict)
    device: str | None = None
    charging: str | None = None
    text: str = field(default="", compare=False)
    """The file it was read from."""


def read_mapping(path: Path) -> Mapping:
    """Read a mapping file; BadConfiguration names the key and the nearest right one."""
    try:
        text = path.read_text("utf-8")
    except OSError as error:
        raise InputMissing(
            f"The mapping cannot be read: {error.strerror}.", where=str(path), mend="Check the name and the folder."
        ) from error
    except UnicodeDecodeError as error:
        raise BadConfiguration("The mapping is not UTF-8 text.", where=path.name, mend="Save it as UTF-8.") from error
    return parse_mapping(text, path.name)


def parse_mapping(text: str, where: str = "mapping") -> Mapping:
    """Understand the text of a mapping."""
    try:
        document = tomllib.loads(text)
    except (ValueError, RecursionError) as error:  # of a number of thousands of digits, of tables in tables in tables
        raise BadConfiguration(
            f"It is not valid TOML: {error}.", where=where, mend='Text values stand in quotes: delimiter = "tab"'
        ) from error
    return replace(_Reader(where).mapping(document), text=text)


class _Reader:
    def __init__(self, where: str) -> None:
        self.where = where

    def mapping(self, document: dict[str, Any]) -> Mapping:
        self._only(document, ("file", "time", "current", "columns"), "")
        file = self._table(document, "file", ("delimiter", "decimal", "first_row", "device"))
        time = self._table(document, "time", ("columns", "format", "unit", "order", "zone", "start"))
        current = self._table(document, "current", ("positive", "charging"))
        columns = self._table(document, "columns", TARGETS)
        delimiter = self._choice(file, "file.delimiter", (*DELIMITERS, *DELIMITER_NAMES))
        first_row = file.get("first_row")
        if first_row is not None and (not isinstance(first_row, int) or not 1 <= first_row <= LAST_LINE):
            raise self._wrong("file.first_row", first_row, "a line number from 1")
        return Mapping(
            DELIMITERS.get(delimiter or "", delimiter),
            self._choice(file, "file.decimal", (".", ",")),
            first_row,
            self._time(time),
            cast("Positive | None", self._choice(current, "current.positive", ("charge", "discharge"))),
            {name: self._column(name, columns[name]) for name in columns},
            self._text(file, "file.device"),
            self._text(current, "current.charging"),
        )

    def _time(self, table: dict[str, Any]) -> TimeMapping:
        columns = table.get("columns", table.get("column", ()))
        columns = [columns] if isinstance(columns, (str, int)) else columns
        if (
            not isinstance(columns, (list, tuple))
            or len(columns) > 2
            or not all(isinstance(entry, (str, int)) for entry in columns)
        ):
            raise self._wrong("time.columns", columns, "one or two names or positions")
        unit = self._choice(table, "time.unit", tuple(entry.name for entry in UNITS if entry.dimension == "duration"))
        start = table.get("start")
        return TimeMapping(
            tuple(columns),
            cast("TimeFormat | None", self._choice(table, "time.format", get_args(TimeFormat))),
            unit,
            self._choice(table, "time.order", ("day-first", "month-first", "year-first")),
            self._text(table, "time.zone"),
            None if start is None else str(start),
        )

    def _column(self, name: str, table: Any) -> ColumnMapping:
        key = f"columns.{name}"
        if isinstance(table, (str, int)):
            return ColumnMapping(table)
        if not isinstance(table, dict):
            raise self._wrong(key, table, 'a table such as  column = "Volts"  and  unit = "V"')
        self._only(table, ("column", "unit"), key)
        unit = self._text(table, f"{key}.unit")
        if not isinstance(table.get("column"), (str, int)) and not (unit and "column" not in table):
            raise self._wrong(f"{key}.column", table.get("column"), "a name, or a position from 1")
        if unit is not None and unit_named(unit) is None:
            known = [entry.name for entry in UNITS]
            raise BadConfiguration(
                f'"{key}.unit" is "{unit}", which is no unit that is known.',
                where=self.where,
                mend=f"{nearest(unit, known)} Known are {', '.join(known)}.".strip(),
            )
        return ColumnMapping(table.get("column"), unit)

    def _table(self, document: dict[str, Any], key: str, known: tuple[str, ...]) -> dict[str, Any]:
        table = document.get(key, {})
        if not isinstance(table, dict):
            raise self._wrong(key, table, f"a table: [{key}]")
        self._only(table, known, key)
        return table

    def _only(self, table: dict[str, Any], known: tuple[str, ...], key: str) -> None:
        for name in table:
            if name not in known:
                full = f"{key}.{name}" if key else name
                shown = ", ".join(known[:16])
                raise BadConfiguration(
                    f'"{full}" is not a key of a mapping.',
                    where=self.where,
                    mend=f"{nearest(name, known)} Known here are {shown}.".strip(),
                )

    def _choice(self, table: dict[str, Any], key: str, choices: tuple[str, ...]) -> str | None:
        value = table.get(key.rpartition(".")[2])
        if value is not None and value not in choices:
            raise self._wrong(key, value, " or ".join(f'"{choice}"' for choice in choices if choice.strip()))
        return cast("str | None", value)

    def _text(self, table: dict[str, Any], key: str) -> str | None:
        value = table.get(key.rpartition(".")[2])
        if value is not None and not isinstance(value, str):
            raise self._wrong(key, value, "text in quotes")
        return value

    def _wrong(self, key: str, value: Any, expected: str) -> BadConfiguration:
        return BadConfiguration(f'"{key}" is {value!r}.', where=self.where, mend=f"It should be {expected}.")


def mapping_text(receipt: Receipt) -> str:
    """Write the mapping that reads files like the one of this receipt without a question."""
    answers = {entry.question: entry.answer for entry in receipt.inferences}
    times = [entry for entry in receipt.columns if entry.quantity == "time"]
    lines = ["# How to read exports like " + json.dumps(receipt.file_name, ensure_ascii=False)]
    if device := answers.get("device"):
        lines += ["", "[file]", f"device = {json.dumps(device, ensure_ascii=False)}"]
    lines += ["", "[time]"]
    lines.append(f"columns = [{', '.join(_reference(entry.header) for entry in times)}]")
    if days := answers.get("spreadsheet days"):
        lines.append(f'format = "spreadsheet{" 1904" if days.endswith("1904") else ""}"')
    if order := answers.get("order of day and month"):
        lines.append(f'order = "{order}"')
    if zone := answers.get("time zone"):
        lines.append(f'zone = "{zone}"')
    positive, charging = answers.get("positive current"), answers.get("charging direction")
    lines += ["", "[current]"] if positive or charging else []
    lines += [f'positive = "{positive}"'] if positive else []
    lines += [f"charging = {json.dumps(charging, ensure_ascii=False)}"] if charging else []
    for entry in receipt.columns:
        if entry.quantity in TARGETS:
            lines += ["", f"[columns.{entry.quantity}]", f"column = {_reference(entry.header)}"]
            lines += [f'unit = "{entry.unit}"'] if entry.unit else []
    return "\n".join(lines) + "\n"


def _reference(header: str) -> str:
    """A column by its name, or by its position where it has none."""
    match = re.fullmatch(r"column (\d+)", header)
    return match[1] if match else json.dumps(header, ensure_ascii=False)
