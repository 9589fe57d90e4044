"""Columns: which column of a table is which quantity, by its name, its cells or a mapping."""

from __future__ import annotations

import re
from dataclasses import dataclass, replace
from typing import TYPE_CHECKING

from logbook.errors import BadConfiguration, BadData, nearest
from logbook.ingest.dialect import CLOCK, DATE, looks_numeric, looks_timed
from logbook.ingest.number import NOTHING, read_cell
from logbook.ingest.table import Plan, Wanted
from logbook.ingest.unit import Unit, unit_named
from logbook.ingest.word import Meaning, meaning

if TYPE_CHECKING:
    from collections.abc import Sequence

    from logbook.ingest.header import Header
    from logbook.ingest.mapping import Mapping

NAMES = {
    "voltage": "voltage_v",
    "current": "current_a",
    "charge_current": "charge_current_a",
    "discharge_current": "discharge_current_a",
    "power": "power_w",
    "temperature": "temperature_c",
    "soc": "soc_percent",
}
"""Quantity words to column names of a frame; the others keep their name."""
WORD_TARGETS = frozenset({"direction", "status", "quantity", "unit"})
TIME_TARGETS = ("time", "date", "clock", "elapsed")
EPOCH_SMALLEST = 1e8


@dataclass(frozen=True)
class Use:
    """One column and what it is taken as; target None where it is not used."""

    index: int
    header: str
    target: str | None
    unit: Unit | None
    evidence: str
    positive: str | None = None
    rank: int = 0
    ambiguous: tuple[str, ...] = ()


@dataclass(frozen=True)
class Layout:
    """The uses of one section's columns."""

    uses: tuple[Use, ...]
    time: tuple[Use, ...]
    time_is_text: bool
    time_format: str | None = None

    def of(self, target: str) -> list[Use]:
        """Uses of this target, best first."""
        return sorted((use for use in self.uses if use.target == target), key=lambda use: (-use.rank, use.index))


class ColumnPlan(Plan):
    """Reads column names (or a mapping) as each section's header turns up."""

    def __init__(self, mapping: Mapping | None, where: str) -> None:
        given = mapping
        super().__init__(
            delimiter=given.delimiter if given else None,
            decimal=given.decimal if given else None,
            first_row=given.first_row if given else None,
        )
        self.mapping = mapping
        self.where = where
        self.layouts: list[Layout] = []

    def wanted(self, header: Header, sample: Sequence[list[str]]) -> Wanted:
        """Decide the uses of a section's columns, and how to read them."""
        uses = [
            _use(index, name, unit, _column(sample, index))
            for index, (name, unit) in enumerate(zip(header.names, header.units, strict=True))
        ]
        if self.mapping:
            uses = _mapped(self.mapping, uses, self.where)
        time = _time_uses(uses, sample, self.mapping, self.where)
        text = _is_text(time, sample, self.mapping)
        taken = {use.index for use in time}
        layout = Layout(
            tuple(_untangled(use) for use in uses if use.index not in taken),
            tuple(time),
            text,
            self.mapping.time.format if self.mapping else None,
        )
        self.layouts.append(layout)
        if not any(use.target or use.ambiguous for use in layout.uses):
            raise _unusable(header, self.where)
        read = [use for use in layout.uses if use.target or use.ambiguous]
        words = tuple(use.index for use in read if use.target in WORD_TARGETS)
        numbers = tuple(use.index for use in read if use.target not in WORD_TARGETS)
        times = tuple(use.index for use in time)
        return Wanted(times if text else (), words, numbers if text else (*times, *numbers))


def _column(sample: Sequence[list[str]], index: int) -> list[str]:
    return [row[index] for row in sample if index < len(row) and row[index].lower() not in NOTHING]


def _use(index: int, name: str, unit_text: str, cells: Sequence[str]) -> Use:
    found = _without_hint(meaning(name, unit_text))
    unit = found.unit or _unit_in_cells(cells)
    if unit and not found.unit and found.quantity is None:
        found = _without_hint(meaning(name, unit.name))
    target = f"cell_{found.cell}_v" if found.cell is not None else NAMES.get(found.quantity or "", found.quantity)
    shown = name or f"column {index + 1}"
    evidence = f'the header says "{name}"' if name else "the file has no header"
    if unit_text.strip():
        evidence += f', the units row "{unit_text}"'
    if found.rank < 0:
        return Use(index, shown, None, unit, f"{evidence}: not the pack's own value")
    if target is None and not found.ambiguous:
        evidence = f"{evidence}: not needed"
    return Use(index, shown, target, unit, evidence, found.positive, found.rank, found.ambiguous)


def _untangled(use: Use) -> Use:
    """A lone "T" beside a time is the temperature."""
    if use.ambiguous == ("temperature", "time"):
        return replace(use, target="temperature_c", ambiguous=())
    return replace(use, target=None) if use.target in TIME_TARGETS else use


def _without_hint(found: Meaning) -> Meaning:
    """A name that says what plus means is a signed current, not one direction of it."""
    if found.positive and found.quantity in {"charge_current", "discharge_current"}:
        return replace(found, quantity="current")
    return found


def _unit_in_cells(cells: Sequence[str]) -> Unit | None:
    units = {read_cell(cell, ".").unit or read_cell(cell, ",").unit for cell in cells[:50]}
    return unit_named(found) if len(units) == 1 and (found := units.pop()) else None


def _mapped(mapping: Mapping, uses: list[Use], where: str) -> list[Use]:
    """Put the mapping's columns in place of what their names say."""
    for target, column in mapping.columns.items():
        index = _position(column.column, uses, where, f"columns.{target}")
        unit = unit_named(column.unit) if column.unit else uses[index].unit
        uses = [
            replace(use, target=None, evidence="the mapping names another") if use.target == target else use
            for use in uses
        ]
        uses[index] = Use(index, uses[index].header, target, unit, "the mapping says so", rank=9)
    return uses


def _position(column: str | int, uses: Sequence[Use], where: str, key: str) -> int:
    if isinstance(column, int):
        if 1 <= column <= len(uses):
            return column - 1
        raise BadConfiguration(
            f'"{key}" names column {column}, but the file has {len(uses)}.', where=where, mend="Count columns from 1."
        )
    names = [use.header for use in uses]
    for index, name in enumerate(names):
        if name.strip().lower() == column.strip().lower():
            return index
    raise BadConfiguration(
        f'"{key}" names column "{column}", which the file has not.',
        where=where,
        mend=f"{nearest(column, names)} Its columns are {', '.join(names)}.".strip(),
    )


def _time_uses(uses: Sequence[Use], sample: Sequence[list[str]], mapping: Mapping | None, where: str) -> list[Use]:
    if mapping and mapping.time.columns:
        chosen = [uses[_position(column, uses, where, "time.columns")] for column in mapping.time.columns]
        unit = unit_named(mapping.time.unit) if mapping.time.unit else None
        return [replace(use, target="time", unit=unit or use.unit, evidence="the mapping says so") for use in chosen]
    named = [use for use in uses if use.target in TIME_TARGETS or "time" in use.ambiguous]
    whole = [use for use in named if _has_date(sample, use.index) and _has_clock(sample, use.index)]
    epochs = [use for use in named if _is_epoch(sample, use.index)]
    dates = [use for use in named if _has_date(sample, use.index) and not _has_clock(sample, use.index)]
    clocks = [use for use in named if _has_clock(sample, use.index) and not _has_date(sample, use.index)]
    if whole:
        return whole[:1]
    if epochs:
        return epochs[:1]
    if dates and clocks:
        return [dates[0], clocks[0]]
    if not named:
        unnamed = [use for use in uses if use.target is None]
        named = [use for use in unnamed if _has_clock(sample, use.index) or _has_date(sample, use.index)] or [
            use for use in unnamed if _is_epoch(sample, use.index)
        ]
    if named:
        return [clocks[0]] if clocks and not dates else named[:1]
    raise BadData(
        "No column holds the time.",
        where=where,
        mend=f"Its columns are {', '.join(use.header for use in uses)}. "
        "If one is the time, name it in a mapping ([time] columns = [...]) given with  --mapping FILE",
    )


def _has_date(sample: Sequence[list[str]], index: int) -> bool:
    cells = _column(sample, index)
    return bool(cells) and sum(bool(DATE.search(cell)) for cell in cells) > 0.5 * min(len(cells), 1)


def _has_clock(sample: Sequence[list[str]], index: int) -> bool:
    cells = _column(sample, index)
    return bool(cells) and sum(
        bool(CLOCK.search(cell)) or bool(re.search(r"\d{8}T\d{4}|\d[ T]\d{1,2}[.h]\d{2}", cell)) for cell in cells
    ) > 0.5 * len(cells)


def _is_epoch(sample: Sequence[list[str]], index: int) -> bool:
    cells = _column(sample, index)
    return bool(cells) and all(
        read_cell(cell, ".").is_number and abs(read_cell(cell, ".").value) > EPOCH_SMALLEST for cell in cells[:20]
    )


def _is_text(time: Sequence[Use], sample: Sequence[list[str]], mapping: Mapping | None) -> bool:
    if mapping and mapping.time.format:
        return mapping.time.format == "text"
    if len(time) == 2:
        return True
    cells = _column(sample, time[0].index)[:50]
    numeric = sum(looks_numeric(cell) and not looks_timed(cell) for cell in cells)
    return numeric < 0.5 * len(cells)


def _unusable(header: Header, where: str) -> BadData:
    shown = ", ".join(name or f"column {index + 1}" for index, name in enumerate(header.names))
    return BadData(
        "No column holds a voltage or current that is recognised.",
        where=where,
        mend=f"Its columns are {shown}. Say which is which in a mapping given with  --mapping FILE",
    )
