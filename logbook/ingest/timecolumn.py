"""Time columns: which column, or which two, hold the time, and whether as text or as a number."""

from __future__ import annotations

import re
from dataclasses import replace
from typing import TYPE_CHECKING

from logbook.errors import BadData
from logbook.ingest.dialect import CLOCK, DATE, looks_numeric, looks_timed
from logbook.ingest.number import read_cell
from logbook.ingest.unit import unit_named
from logbook.ingest.use import TIME_TARGETS, Use, held_cells, position

if TYPE_CHECKING:
    from collections.abc import Sequence

    from logbook.ingest.mapping import Mapping

EPOCH_SMALLEST = 1e8


def time_uses(uses: Sequence[Use], sample: Sequence[list[str]], mapping: Mapping | None, where: str) -> list[Use]:
    """The column, or the date and the clock, that hold the time; BadData where there is none."""
    if mapping and mapping.time.columns:
        chosen = [uses[position(column, uses, where, "time.columns")] for column in mapping.time.columns]
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
    cells = held_cells(sample, index)
    return bool(cells) and sum(bool(DATE.search(cell)) for cell in cells) > 0.5 * min(len(cells), 1)


def _has_clock(sample: Sequence[list[str]], index: int) -> bool:
    cells = held_cells(sample, index)
    return bool(cells) and sum(
        bool(CLOCK.search(cell)) or bool(re.search(r"\d{8}T\d{4}|\d[ T]\d{1,2}[.h]\d{2}", cell)) for cell in cells
    ) > 0.5 * len(cells)


def _is_epoch(sample: Sequence[list[str]], index: int) -> bool:
    cells = held_cells(sample, index)
    return bool(cells) and all(
        read_cell(cell, ".").is_number and abs(read_cell(cell, ".").value) > EPOCH_SMALLEST for cell in cells[:20]
    )


def is_text(time: Sequence[Use], sample: Sequence[list[str]], mapping: Mapping | None) -> bool:
    """Whether the time is text, not a number."""
    if mapping and mapping.time.format:
        return mapping.time.format == "text"
    if len(time) == 2:
        return True
    cells = held_cells(sample, time[0].index)[:50]
    numeric = sum(looks_numeric(cell) and not looks_timed(cell) for cell in cells)
    return numeric < 0.5 * len(cells)
