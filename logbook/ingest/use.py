"""Use: one column of a table and the quantity it is taken as."""

from __future__ import annotations

from dataclasses import dataclass
from typing import TYPE_CHECKING

from logbook.errors import BadConfiguration, nearest
from logbook.ingest.number import NOTHING

if TYPE_CHECKING:
    from collections.abc import Sequence

    from logbook.ingest.unit import Unit

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
WORD_TARGETS = frozenset({"direction", "status", "quantity", "unit", "device"})
TIME_TARGETS = ("time", "date", "clock", "elapsed")


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
    settled: bool = False
    """Whether its owner said the unit, in a mapping."""


@dataclass(frozen=True)
class Scale:
    """A unit with the strength and evidence of its choice."""

    unit: Unit
    strength: str
    evidence: str


@dataclass(frozen=True)
class Layout:
    """The uses of one section's columns."""

    uses: tuple[Use, ...]
    time: tuple[Use, ...]
    time_is_text: bool
    time_format: str | None = None

    @property
    def time_names(self) -> list[str]:
        """What the headers of the time columns say, and the units row below them."""
        return [f"{use.header} {use.evidence.partition('units row')[2]}" for use in self.time]

    @property
    def order(self) -> list[str]:
        """Targets in the order of the file's columns."""
        return [use.target for use in sorted(self.uses, key=lambda use: use.index) if use.target]

    @property
    def positive(self) -> str | None:
        """What the header says a positive current does."""
        return next((use.positive for use in self.of("current_a")), None)

    def of(self, target: str) -> list[Use]:
        """Uses of this target, best first."""
        return sorted((use for use in self.uses if use.target == target), key=lambda use: (-use.rank, use.index))


def held_cells(sample: Sequence[list[str]], index: int) -> list[str]:
    """Cells of one column that say anything."""
    return [row[index] for row in sample if index < len(row) and row[index].lower() not in NOTHING]


def position(column: str | int, uses: Sequence[Use], where: str, key: str) -> int:
    """Index of a column given by name or by position from 1; BadConfiguration with those there are."""
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
