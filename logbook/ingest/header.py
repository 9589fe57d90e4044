"""Header: where the readings begin, and what stands above them."""

from __future__ import annotations

import re
from dataclasses import dataclass
from typing import TYPE_CHECKING

from logbook.errors import BadData
from logbook.ingest.dialect import looks_like_data, looks_numeric, looks_timed
from logbook.ingest.meaning import meaning
from logbook.ingest.number import NOTHING
from logbook.ingest.unit import unit_named

if TYPE_CHECKING:
    from collections.abc import Sequence

    from logbook.ingest.dialect import Dialect

LOOK_AHEAD = 5
SAMPLE_ROWS = 200
DECORATION = re.compile(r"^[\s=_+*#-]*$")


@dataclass(frozen=True)
class Header:
    """Names and units of the columns, the lines they stand on, and the preamble above."""

    names: tuple[str, ...]
    units: tuple[str, ...]
    lines: tuple[int, ...]
    """Lines of the header (1-based); empty where there is none."""
    first_row: int
    """Line of the first reading (1-based)."""
    preamble: tuple[str, ...]

    @property
    def width(self) -> int:
        """Number of columns."""
        return len(self.names)


def header_of(lines: Sequence[str], dialect: Dialect, where: str, *, first_row: int | None = None) -> Header:
    """Find the first reading and the names above it; BadData when nothing looks like a reading."""
    rows = [dialect.cells(line) for line in lines]
    start = first_row - 1 if first_row else _first_reading(rows, dialect.width, where)
    width = len(rows[start]) if start < len(rows) else dialect.width
    above = _header_rows(rows, start, width)
    if not above and first_row is None:
        start, above = _past_torn_rows(rows, start, width)
    if not above and first_row is None:
        _refuse_misfit(rows, start, width, dialect, where)
    if above and first_row is None:
        _refuse_unnamed(rows, above, start, width, dialect, where)
    names, units = _names_and_units([rows[row] for row in above], width)
    top = above[0] if above else start
    preamble = tuple(line for line in lines[:top] if line.strip())
    return Header(names, units, tuple(row + 1 for row in above), start + 1, preamble)


def _past_torn_rows(rows: Sequence[list[str]], start: int, width: int) -> tuple[int, list[int]]:
    """Go up over torn readings to a header that fits: the first reading and the header; no header where none is near."""
    for index in range(start - 1, max(start - 1 - LOOK_AHEAD, -1), -1):
        names = _trimmed(rows[index])
        if len(names) == width and looks_like_header(names):
            return index + 1, _header_rows(rows, index + 1, width)
        if any(rows[index]) and not any(looks_timed(cell) or looks_numeric(cell) for cell in rows[index]):
            break
    return start, []


def _refuse_misfit(rows: Sequence[list[str]], start: int, width: int, dialect: Dialect, where: str) -> None:
    """A header right above the readings with another number of cells: the rows are not cut as they were meant."""
    for cells in reversed([row for row in rows[:start] if any(row)][-2:]):
        names = _trimmed(cells)
        if looks_like_header(names):
            guess = (
                " A decimal comma between commas does that." if dialect.delimiter == "," and width > len(names) else ""
            )
            raise BadData(
                f"The header has {len(names)} columns and the rows have {width}.{guess}",
                where=f"{where}, line {start + 1}",
                mend="Export it with semicolons between the columns, or with decimal points.",
            )


def _refuse_unnamed(
    rows: Sequence[list[str]], above: Sequence[int], start: int, width: int, dialect: Dialect, where: str
) -> None:
    """Fewer names than columns that hold something: nobody can say which name is of which column."""
    named = max(len(_trimmed(rows[row])) for row in above)
    spare = [row[named:] for row in rows[start : start + SAMPLE_ROWS] if len(row) == width]
    if named < width and sum(any(cells) for cells in spare) > 0.5 * len(spare):
        guess = " A decimal comma between commas does that." if dialect.delimiter == "," else ""
        raise BadData(
            f"The header has {named} columns and the rows have {width}.{guess}",
            where=f"{where}, line {start + 1}",
            mend="Name every column in the file's header, or say which is which in a mapping given with  --mapping FILE",
        )


def looks_like_header(cells: Sequence[str]) -> bool:
    """Whether a row names columns: no numbers, and at least two words that mean something."""
    held = [cell for cell in cells if cell]
    if len(held) < 2 or any(looks_numeric(cell) or looks_timed(cell) for cell in held):
        return False
    understood = sum(1 for cell in held if (found := meaning(cell)).quantity or found.ambiguous)
    return understood >= 2 and understood >= 0.4 * len(held)


def _first_reading(rows: Sequence[list[str]], width: int, where: str) -> int:
    for index, row in enumerate(rows):
        if len(row) == width and looks_like_data(row):
            ahead = [later for later in rows[index + 1 : index + 1 + 2 * LOOK_AHEAD] if any(later)][:LOOK_AHEAD]
            if sum(_alike(row, later) for later in ahead) >= 0.6 * len(ahead):
                return index
    raise BadData(
        "No readings were found in it: no run of rows with numbers.",
        where=where,
        mend="Check that the export has rows of time, voltage and current; if so, describe it with  --mapping FILE",
    )


def _alike(row: Sequence[str], later: Sequence[str]) -> bool:
    """Whether two rows hold numbers, times and words in the same places."""
    if len(row) != len(later) or not looks_like_data(later):
        return False
    pairs = [(_kind(a), _kind(b)) for a, b in zip(row, later, strict=True)]
    return sum(a == b or "" in {a, b} for a, b in pairs) >= 0.8 * len(pairs)


def _kind(cell: str) -> str:
    if cell.lower() in NOTHING:
        return ""
    return "time" if looks_timed(cell) else "number" if looks_numeric(cell) else "word"


def _header_rows(rows: Sequence[list[str]], start: int, width: int) -> list[int]:
    found: list[int] = []
    for index in range(start - 1, max(start - 7, -1), -1):
        cells = rows[index]
        if not any(cells) or all(DECORATION.match(cell) for cell in cells):
            continue
        held = [cell for cell in cells if cell]
        wide = abs(len(_trimmed(cells)) - width) <= 1 or (len(cells) >= width > 1)
        wordy = not any(looks_numeric(cell) or looks_timed(cell) for cell in held)
        if not wide or not wordy or (len(held) < 2 and width > 1 and not _is_units_row(cells)):
            break
        found.insert(0, index)
        if len(found) == 3 or (looks_like_header(cells) and not _more_above(rows, index, width)):
            break
    return found


def _more_above(rows: Sequence[list[str]], index: int, width: int) -> bool:
    """A group row stands above when the names repeat themselves, and names above a row of units."""
    names = [cell for cell in rows[index] if cell]
    if _is_units_row(rows[index]) and index > 0 and looks_like_header(_trimmed(rows[index - 1])):
        return True
    return len(set(names)) < len(names) and index > 0 and len(rows[index - 1]) >= width - 1


def _trimmed(cells: Sequence[str]) -> list[str]:
    kept = list(cells)
    while kept and not kept[-1]:
        kept.pop()
    return kept


def _is_units_row(cells: Sequence[str]) -> bool:
    held = [cell for cell in cells if cell.lower().strip("[]()") not in NOTHING]
    known = sum(1 for cell in held if unit_named(cell) is not None)
    timed = sum(
        1 for cell in held if re.fullmatch(r"[\W_]*(yyyy|dd|mm|hh|local|utc|iso|tt|jjjj).*", cell.lower()) is not None
    )
    return known >= 1 and known + timed >= 0.6 * len(held)


def _names_and_units(block: list[list[str]], width: int) -> tuple[tuple[str, ...], tuple[str, ...]]:
    units = [""] * width
    if len(block) > 1 and _is_units_row(block[-1]):
        units = _fitted(block.pop(), width)
    if not block:
        return ("",) * width, tuple(units)
    names = _fitted(block[-1], width)
    if len(block) > 1 and len({name for name in names if name}) < len([name for name in names if name]):
        groups = _filled(_fitted(block[-2], width))
        names = [
            f"{group} {name}".strip() if names.count(name) > 1 else name
            for group, name in zip(groups, names, strict=True)
        ]
    return tuple(names), tuple(units)


def _fitted(cells: Sequence[str], width: int) -> list[str]:
    return [*cells, *[""] * width][:width]


def _filled(cells: Sequence[str]) -> list[str]:
    last, filled = "", []
    for cell in cells:
        last = cell or last
        filled.append(last)
    return filled
