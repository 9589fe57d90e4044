"""Quantities of a section: its columns in the logbook's units, each with its evidence."""

from __future__ import annotations

from typing import TYPE_CHECKING

import numpy as np

from logbook.errors import BadData
from logbook.ingest.frame import Frame
from logbook.ingest.scale import scale_of
from logbook.ingest.unit import unit_exact, unit_named
from logbook.ingest.use import WORD_TARGETS, Scale
from logbook.schema.receipt import ColumnUse

if TYPE_CHECKING:
    from numpy.typing import NDArray

    from logbook.ingest.ledger import Ledger
    from logbook.ingest.question import Ask
    from logbook.ingest.scale import Known
    from logbook.ingest.section import Section
    from logbook.ingest.unit import Unit
    from logbook.ingest.use import Layout, Use


NEEDED = frozenset({"voltage_v", "current_a", "charge_current_a", "discharge_current_a", "value"})
TEXT_IN = "text in "
"""Begins the kind of a repair of cells that hold no number."""
FEW_ROWS = 20
"""Fewer rows below another header say little of their units."""
MOST_WORDS = 0.5
"""A needed column with more words than numbers is refused."""


def frame_of(section: Section, layout: Layout, known: Known, ledger: Ledger, ask: Ask | None) -> Frame:
    """One section as a frame; its times are filled in later."""
    reader = _Reader(section, layout, known, ledger, ask)
    return reader.frame()


class _Reader:
    def __init__(self, section: Section, layout: Layout, known: Known, ledger: Ledger, ask: Ask | None) -> None:
        self.section = section
        self.layout = layout
        self.known = known
        self.ledger = ledger
        self.ask = ask

    def frame(self) -> Frame:
        self._note_times()
        columns: dict[str, NDArray[np.float64]] = {}
        words: dict[str, tuple[NDArray[np.int32], list[str]]] = {}
        for use in self.layout.uses:
            if use.target is None or use is not self.layout.of(use.target)[0]:
                self._note(use, None, None)
            elif use.target in WORD_TARGETS:
                words[use.target] = self.section.words(use.index)
                self._note(use, use.target, None)
            else:
                columns[use.target] = self._column(use)
        lines = self.section.lines
        return Frame(lines, np.zeros(len(lines), np.int64), columns, words)

    def _note_times(self) -> None:
        for use in self.layout.time:
            self.ledger.columns.append(ColumnUse(use.header, "time", use.unit.name if use.unit else None, use.evidence))

    def _note(self, use: Use, quantity: str | None, unit: str | None, more: str = "") -> None:
        entry = ColumnUse(use.header, quantity, unit, f"{use.evidence}{more}")
        if entry not in self.ledger.columns:
            self.ledger.columns.append(entry)

    def _column(self, use: Use) -> NDArray[np.float64]:
        values = self.section.numbers(use.index)
        bad = self.section.bad_lines(use.index)
        if len(bad) > MOST_WORDS * len(values) and use.target in NEEDED:
            line, text = self.section.bad_examples[use.index]
            raise BadData(
                f'"{text}" is not a number, nor are {len(bad) - 1} more cells of the column.',
                where=f'{self.known.where}, line {line}, column "{use.header}"',
                mend="If the file uses decimal commas or another delimiter, say so in a mapping given with  --mapping FILE",
            )
        self.ledger.repair(f"{TEXT_IN}{use.header}", f'cells of "{use.header}" that hold no number, left empty', bad)
        said = use.unit or self._unit_in_cells(use)
        if use.target == "value":
            self._note(use, use.target, None)
            return values
        beside = values if said else self._with_twin(use, values)
        if use.settled and use.unit and use.target in {"temperature_c", "soc_percent"}:
            scale = Scale(use.unit, "given", "the mapping says so")  # it settles what its values leave open
        elif not said and (above := self._unit_above(use)) and len(values) < FEW_ROWS:
            scale = Scale(above, "fair", "it is so in the rows above")
        else:
            scale = scale_of(use.target or "", beside, said, self.known, self.ask, self.ledger)
        more = "" if scale.strength == "given" else f"; {scale.unit.name} because {scale.evidence}"
        self._note(use, use.target, scale.unit.name, more)
        return scale.unit.convert(values)

    def _unit_above(self, use: Use) -> Unit | None:
        """Unit of the same column in a table above this one, of which it is a part."""
        alike = (entry for entry in self.ledger.columns if (entry.header, entry.quantity) == (use.header, use.target))
        return next((unit_exact(entry.unit) for entry in alike if entry.unit), None)

    def _with_twin(self, use: Use, values: NDArray[np.float64]) -> NDArray[np.float64]:
        """Charging and discharging currents share their unit: what both hold decides."""
        twin = {"charge_current_a": "discharge_current_a", "discharge_current_a": "charge_current_a"}.get(
            use.target or ""
        )
        others = self.layout.of(twin) if twin else []
        if not others or others[0].unit:
            return values
        return np.concatenate([values, self.section.numbers(others[0].index)])

    def _unit_in_cells(self, use: Use) -> Unit | None:
        units = self.section.units.get(use.index, set())
        return unit_named(next(iter(units))) if len(units) == 1 else None
