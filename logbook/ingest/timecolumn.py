"""Time columns: which column, or which two, hold the time, and whether as text or as a number."""

from __future__ import annotations

import re
from dataclasses import replace
from typing import TYPE_CHECKING

import numpy as np

from logbook.errors import BadData
from logbook.ingest.dialect import CLOCK, DATE, looks_numeric, looks_timed
from logbook.ingest.number import read_cell
from logbook.ingest.run import nearly_all
from logbook.ingest.unit import unit_named
from logbook.ingest.use import TIME_TARGETS, Use, held_cells, position
from logbook.ingest.word import tokens

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
    named = named or [use for use in uses if use.target is None]
    whole = [use for use in named if _has_date(sample, use.index) and _has_clock(sample, use.index)]
    epochs = [use for use in named if _is_epoch(sample, use.index)]
    dates = [use for use in named if _has_date(sample, use.index) and use not in whole]
    clocks = [use for use in named if _has_clock(sample, use.index) and use not in whole]
    digits = _digit_columns(named, sample)
    for chosen in (sorted(whole, key=lambda use: not _says_utc(use, sample))[:1], digits, epochs[:1]):
        if chosen:
            return chosen
    if dates and clocks:
        return [dates[0], clocks[0]]
    said = [use for use in named if use.target in TIME_TARGETS or "time" in use.ambiguous]
    if clocks or dates or said:
        return (clocks or dates or said)[:1]
    raise BadData(
        "No column holds the time.",
        where=where,
        mend=f"Its columns are {', '.join(use.header for use in uses)}. "
        "If one is the time, name it in a mapping ([time] columns = [...]) given with  --mapping FILE",
    )


def _says_utc(use: Use, sample: Sequence[list[str]]) -> bool:
    """Whether a time column says its zone, in its name or its cells."""
    cells = held_cells(sample, use.index)[:1]
    return not {"utc", "gmt"}.isdisjoint(tokens(use.header)) or bool(
        cells and re.search(r"Z$|[+-]\d{2}:?\d{2}$", cells[0])
    )


def _digit_columns(named: Sequence[Use], sample: Sequence[list[str]]) -> list[Use]:
    """A date as 20240315 beside a clock as 210500."""

    def all_match(use: Use, pattern: str) -> bool:
        cells = held_cells(sample, use.index)[:50]
        return nearly_all(np.array([bool(re.fullmatch(pattern, cell)) for cell in cells], bool))

    dates = [use for use in named if use.target == "date" and all_match(use, r"20\d{2}(0[1-9]|1[0-2])[0-3]\d")]
    clocks = [
        use for use in named if use.target in {"clock", "time"} and all_match(use, r"\d{1,2}[0-5]\d[0-5]\d|\d{1,4}")
    ]
    return [dates[0], clocks[0]] if dates and clocks else []


def _has_date(sample: Sequence[list[str]], index: int) -> bool:
    """Whether most cells hold a date; words, as of a header that stands again or of sums, do not count."""
    cells = [cell for cell in held_cells(sample, index) if any(letter.isdigit() for letter in cell)]
    return bool(cells) and sum(bool(DATE.search(cell)) for cell in cells) > 0.5 * len(cells)


def _has_clock(sample: Sequence[list[str]], index: int) -> bool:
    cells = held_cells(sample, index)
    return bool(cells) and sum(
        bool(CLOCK.search(cell)) or bool(re.search(r"\d{8}T\d{4}|\d[ T]\d{1,2}[.h]\d{2}", cell)) for cell in cells
    ) > 0.5 * len(cells)


def _is_epoch(sample: Sequence[list[str]], index: int) -> bool:
    cells = held_cells(sample, index)[:50]
    large = [read_cell(cell, ".").is_number and abs(read_cell(cell, ".").value) > EPOCH_SMALLEST for cell in cells]
    return nearly_all(np.array(large, bool))


def is_text(time: Sequence[Use], sample: Sequence[list[str]], mapping: Mapping | None) -> bool:
    """Whether the time is text, not a number."""
    if mapping and mapping.time.format:
        return mapping.time.format == "text"
    if len(time) == 2:
        return True
    cells = held_cells(sample, time[0].index)[:50]
    numeric = sum(looks_numeric(cell) and not looks_timed(cell) for cell in cells)
    return numeric < 0.5 * len(cells)
