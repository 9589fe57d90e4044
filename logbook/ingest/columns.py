"""Columns: which column of a table is which quantity, by its name, its cells or a mapping."""

from __future__ import annotations

from collections import Counter
from dataclasses import replace
from typing import TYPE_CHECKING

import numpy as np

from logbook.errors import BadConfiguration, BadData
from logbook.ingest.dialect import looks_numeric
from logbook.ingest.doubt import without_doubt
from logbook.ingest.meaning import Meaning, meaning
from logbook.ingest.number import read_cell
from logbook.ingest.run import nearly_all
from logbook.ingest.section import Wanted
from logbook.ingest.table import Plan
from logbook.ingest.timecolumn import is_text, time_uses
from logbook.ingest.unit import Unit, unit_named
from logbook.ingest.use import NAMES, TIME_TARGETS, WORD_TARGETS, Layout, Use, held_cells, position
from logbook.ingest.vocabulary import WORDS
from logbook.ingest.word import tokens

if TYPE_CHECKING:
    from collections.abc import Sequence

    from logbook.ingest.header import Header
    from logbook.ingest.ledger import Ledger
    from logbook.ingest.mapping import Mapping
    from logbook.ingest.memory import Remembered
    from logbook.ingest.question import Ask
    from logbook.ingest.scale import Known


TELLING = frozenset({"voltage_v", "current_a", "charge_current_a", "discharge_current_a", "power_w", "value"})
"""Without one of these, or cells, a file tells nothing of a pack."""


MOSTLY = 0.9
YES_AND_NO = (
    frozenset({"0", "1"}), frozenset({"true", "false"}), frozenset({"yes", "no"}), frozenset({"on", "off"}),
    frozenset({"y", "n"}), frozenset({"ja", "nein"}), frozenset({"oui", "non"}),
)  # fmt: skip


class ColumnPlan(Plan):
    """Reads column names (or a mapping) as each section's header turns up."""

    def __init__(
        self,
        mapping: Mapping | None,
        known: Known,
        ledger: Ledger,
        ask: Ask | None,
        remembered: Sequence[Remembered] = (),
    ) -> None:
        given = mapping
        super().__init__(
            delimiter=given.delimiter if given else None,
            decimal=given.decimal if given else None,
            first_row=given.first_row if given else None,
        )
        self.mapping = mapping
        self.known = known
        self.where = known.where
        self.ledger = ledger
        self.ask = ask
        self.remembered = remembered
        self.layouts: list[Layout] = []

    def wanted(self, header: Header, sample: Sequence[list[str]]) -> Wanted:
        """Decide the uses of a section's columns, and how to read them."""
        named = zip(header.names, header.units, strict=True)
        uses = [_use(index, name, unit, held_cells(sample, index)) for index, (name, unit) in enumerate(named)]
        self._recall([use.header for use in uses])
        if self.mapping:
            uses = _mapped(self.mapping, uses, self.where)
        time = time_uses(uses, sample, self.mapping, self.where)
        text = is_text(time, sample, self.mapping)
        taken = {use.index for use in time}
        rest = _shaped([_untangled(use) for use in uses if use.index not in taken], sample)
        if not (self.mapping and any(column.column is not None for column in self.mapping.columns.values())):
            rest = without_doubt(rest, sample, self.known, self.ledger, self.ask)
        layout = Layout(tuple(rest), tuple(time), text, self.mapping.time.format if self.mapping else None)
        if not any(use.target in TELLING or (use.target or "").startswith("cell_") for use in layout.uses):
            raise _unusable(header, self.where)
        self.layouts.append(layout)
        return _wanted(layout)

    def _recall(self, names: Sequence[str]) -> None:
        """Look whether a file with this header came before; raise the mapping it was read by where none is given."""
        if self.ledger.memory:
            return
        self.ledger.memory = next((entry for entry in self.remembered if entry.fits(names)), None)
        if self.ledger.memory and self.ledger.memory.mapping and not self.mapping:
            raise MappingRemembered(self.ledger.memory)


class MappingRemembered(Exception):
    """The file is to be read anew, by the mapping of the last one with the same header."""

    def __init__(self, memory: Remembered) -> None:
        super().__init__()
        self.memory = memory


def _wanted(layout: Layout) -> Wanted:
    read = [use for use in layout.uses if use.target and use is layout.of(use.target)[0]]
    words = tuple(use.index for use in read if use.target in WORD_TARGETS)
    numbers = tuple(use.index for use in read if use.target not in WORD_TARGETS)
    times = tuple(use.index for use in layout.time)
    return Wanted(times if layout.time_is_text else (), words, numbers if layout.time_is_text else (*times, *numbers))


def _use(index: int, name: str, unit_text: str, cells: Sequence[str]) -> Use:
    found = _without_hint(meaning(name, unit_text))
    unit = found.unit
    in_cells = _unit_in_cells(cells)
    if in_cells and (unit is None or unit.dimension == in_cells.dimension):
        unit = in_cells  # "950 mA" under "Amps"
    if unit and not found.unit and found.quantity is None:
        found = _without_hint(meaning(name, unit.name))
    target = f"cell_{found.cell}_v" if found.cell is not None else NAMES.get(found.quantity or "", found.quantity)
    shown = name or f"column {index + 1}"
    evidence = f'the header says "{name}"' if name else "the file has no header"
    if unit_text.strip():
        evidence += f', the units row "{unit_text}"'
    if _is_direction(name, cells):
        return Use(index, shown, "direction", None, evidence)
    if found.rank < 0:
        return Use(index, shown, None, unit, f"{evidence}: not the pack's own value")
    if target is None and not found.ambiguous:
        evidence = f"{evidence}: not needed"
    return Use(index, shown, target, unit, evidence, found.positive, found.rank, found.ambiguous)


def _is_direction(name: str, cells: Sequence[str]) -> bool:
    """Words under a header that speaks of charging and discharging, or yes and no under one that speaks of charging."""
    words = set(tokens(name))
    held = [cell.lower() for cell in cells]
    if not words.isdisjoint(WORDS["charging"]) and any(
        pair <= set(held) and nearly_all(np.array([cell in pair for cell in held])) for pair in YES_AND_NO
    ):
        return True
    both = not words.isdisjoint(WORDS["charging"]) and not words.isdisjoint(WORDS["discharging"])
    return both and bool(cells) and not any(looks_numeric(cell) for cell in cells[:50])


def _shaped(uses: list[Use], sample: Sequence[list[str]]) -> list[Use]:
    """A quantity column needs a value beside it, which may go by the name of a state; without one it is none."""
    if not any(use.target == "quantity" for use in uses):
        return uses
    if not any(use.target == "value" for use in uses):
        states = [
            use
            for use in uses
            if use.target == "status" and any(looks_numeric(cell) for cell in held_cells(sample, use.index)[:200])
        ]
        uses = [replace(use, target="value") if use in states[:1] else use for use in uses]
    if any(use.target == "value" for use in uses):
        return uses
    return [replace(use, target=None) if use.target == "quantity" else use for use in uses]


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
    """The unit that stands in nearly all cells; a row whose values moved into other columns brings one of its own."""
    units = Counter(read_cell(cell, ".").unit or read_cell(cell, ",").unit for cell in cells[:50])
    found, count = units.most_common(1)[0] if units else (None, 0)
    return unit_named(found) if found and count >= MOSTLY * units.total() else None


def _mapped(mapping: Mapping, uses: list[Use], where: str) -> list[Use]:
    """Put the mapping's columns in place of what their names say."""
    for target, column in mapping.columns.items():
        if column.column is None:
            uses = _with_unit(uses, target, unit_named(column.unit or ""), where)
            continue
        index = position(column.column, uses, where, f"columns.{target}")
        unit = unit_named(column.unit) if column.unit else uses[index].unit
        uses = [
            replace(use, target=None, evidence="the mapping names another") if use.target == target else use
            for use in uses
        ]
        settled = column.unit is not None
        uses[index] = Use(index, uses[index].header, target, unit, "the mapping says so", rank=9, settled=settled)
    return uses


def _with_unit(uses: list[Use], target: str, unit: Unit | None, where: str) -> list[Use]:
    """The unit said for the column that is recognised as a quantity, whichever it is."""
    if not any(use.target == target for use in uses):
        raise BadConfiguration(
            f'"columns.{target}" says a unit, but no column is recognised as that.',
            where=where,
            mend=f'Say which it is too, such as  column = "{uses[0].header}"',
        )
    return [replace(use, unit=unit, settled=True) if use.target == target else use for use in uses]


def _unusable(header: Header, where: str) -> BadData:
    shown = ", ".join(name or f"column {index + 1}" for index, name in enumerate(header.names))
    return BadData(
        "No column holds a voltage or current that is recognised.",
        where=where,
        mend=f"Its columns are {shown}. Say which is which in a mapping given with  --mapping FILE",
    )
