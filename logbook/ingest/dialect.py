"""Dialect: delimiter and decimal mark of a text table, decided by which reading makes most cells sensible."""

from __future__ import annotations

import csv
import re
from collections import Counter
from dataclasses import dataclass
from functools import lru_cache
from typing import TYPE_CHECKING

from logbook.errors import BadData
from logbook.ingest.number import NOTHING, SIGNS, SPACES, read_cell

if TYPE_CHECKING:
    from collections.abc import Sequence

DELIMITERS = ("\t", ";", "|", ",", " ")
"""In the order they are preferred when equally sensible: the rarer within a cell the better."""
DELIMITER_NAMES = {"\t": "tab", ";": "semicolon", "|": "bar", ",": "comma", " ": "space"}
SEPARATOR_LINE = re.compile(r'^"?sep=(.)"?\s*$', re.IGNORECASE)
CLOCK = re.compile(r"\d{1,2}[:h]\d{2}")
DATE = re.compile(
    r"^\D{0,12}\d{1,4}[./-](\d{1,2}|[A-Za-zäéûà]{3,9}\.?)[./-]\d{1,4}\b|\d{8}T\d{4}|\b\d{1,2}\.? [A-Za-zäéûà]{3,9}\.?,? \d{4}|[A-Za-z]{3,9} +\d{1,2},? +\d{4}|^[A-Z][a-z]{2} [A-Z][a-z]{2} +\d"
)
SAMPLE_LINES = 400
LEAST_WIDTH, RUN_ROWS = 3, 5
"""What makes a run of rows, where two kinds of table stand in one file."""
MOST_COLUMNS = 1000
"""Far more than the cells and probes of any pack; columns are compared with one another."""


KEPT_LINES, KEPT_CELLS, LONGEST_KEPT = 1 << 13, 1 << 14, 250
"""What was found of so many lines and cells, none longer than that, is kept: a file of many sections is looked at anew
from the header of each, and most of that stood below the one before."""


@dataclass(frozen=True)
class Dialect:
    """How rows are cut into cells and numbers are written."""

    delimiter: str
    decimal: str
    width: int
    """Cells of a data row."""

    def cells(self, line: str) -> list[str]:
        """The cells of one line, without blanks and quotes."""
        return list(_cells(line, self.delimiter))


def _cells(line: str, delimiter: str) -> Sequence[str]:
    return _cells_kept(line, delimiter) if len(line) <= LONGEST_KEPT else split(line, delimiter)


@lru_cache(KEPT_LINES)
def _cells_kept(line: str, delimiter: str) -> tuple[str, ...]:
    return tuple(split(line, delimiter))


def split(line: str, delimiter: str) -> list[str]:
    """Cut one line into cells."""
    if delimiter == " ":
        return line.split()
    plain = line.replace("\x00", "")
    try:
        cells = next(csv.reader([plain], delimiter=delimiter, skipinitialspace=True), [])
    except csv.Error:  # a cell longer than any of a table, 131,072 letters
        cells = plain.split(delimiter)
    return [cell.strip() for cell in cells]


def looks_timed(cell: str) -> bool:
    """Whether a cell holds a date or a time of day."""
    return _timed_kept(cell) if len(cell) <= LONGEST_KEPT else _is_timed(cell)


def looks_numeric(cell: str) -> bool:
    """Whether a cell holds a number, in any spelling, with or without a unit."""
    return _numeric_kept(cell) if len(cell) <= LONGEST_KEPT else _is_numeric(cell)


def _is_timed(cell: str) -> bool:
    return bool(cell) and cell[-1] != "%" and bool(DATE.search(cell) or (CLOCK.search(cell) and ":" in cell))


def _is_numeric(cell: str) -> bool:
    return any(read.is_number and read.value == read.value for read in (read_cell(cell, "."), read_cell(cell, ",")))


_timed_kept, _numeric_kept = lru_cache(KEPT_CELLS)(_is_timed), lru_cache(KEPT_CELLS)(_is_numeric)


def looks_like_data(cells: Sequence[str]) -> bool:
    """Whether a row holds readings: at least half of what it holds are numbers or times, and at least two."""
    held = [cell for cell in cells if cell.lower() not in NOTHING]
    good = sum(1 for cell in held if looks_timed(cell) or looks_numeric(cell))
    return good >= 2 and good >= 0.5 * len(held)


def dialect_of(
    lines: Sequence[str], where: str, *, delimiter: str | None = None, decimal: str | None = None
) -> Dialect:
    """Decide on the whole sample; BadData when no delimiter makes a table of it."""
    sample = [line for line in lines if line.strip(" ,;\t|\x00")][:SAMPLE_LINES]
    if delimiter is None and (match := SEPARATOR_LINE.match(sample[0] if sample else "")):
        delimiter = "\t" if match[1] == "t" else match[1]
    candidates = [delimiter] if delimiter else DELIMITERS
    scored = [
        (score, -rank, candidate, width)
        for rank, candidate in enumerate(candidates)
        for score, width in [_score(sample, candidate)]
    ]
    score, _, best, width = max(scored)
    if delimiter is None and (earlier := _begins_earlier(sample, scored, best, width)):
        best, width = earlier
    if score <= 0:
        raise BadData(
            "No table of readings was found in it: no delimiter (comma, semicolon, tab or bar) gives rows of numbers.",
            where=where,
            mend="Export the readings as CSV, one row a reading; if it is one, describe it with  --mapping FILE",
        )
    if width > MOST_COLUMNS:
        raise BadData(
            f"Its rows have {width} columns; no table of readings has more than {MOST_COLUMNS}.",
            where=where,
            mend="Export the readings one row a reading, not one column a reading.",
        )
    return Dialect(best, decimal or _decimal(sample, best, width), width)


def _begins_earlier(
    sample: Sequence[str], scored: Sequence[tuple[float, int, str, int]], best: str, width: int
) -> tuple[str, int] | None:
    """Another delimiter whose rows stand above all rows of the best one: a file of another kind was glued on below."""
    top = _run_of_rows(sample, best, width)
    for score, _, candidate, other in sorted(scored, reverse=True):
        if candidate not in {best, " "} and score > 0 and other >= LEAST_WIDTH:
            begins = _run_of_rows(sample, candidate, other)
            if begins is not None and top is not None and begins + RUN_ROWS <= top:
                return candidate, other
    return None


def _run_of_rows(sample: Sequence[str], delimiter: str, width: int) -> int | None:
    """Where a run of rows of this width begins."""
    run = 0
    for index, line in enumerate(sample):
        cells, held = _row(line, delimiter)
        run = run + 1 if cells == width and held is not None else 0
        if run == RUN_ROWS:
            return index - RUN_ROWS + 1
    return None


def _score(sample: Sequence[str], delimiter: str) -> tuple[float, int]:
    data = [(cells, typed) for line in sample for cells, typed in [_row(line, delimiter)] if typed is not None]
    data = [(cells, typed) for cells, typed in data if cells > 1]
    if not data:
        return 0.0, 0
    width, count = Counter(cells for cells, _typed in data).most_common(1)[0]
    typed = [share for cells, share in data if cells == width][:50]
    score = count / len(sample) * sum(typed) / len(typed)
    return round(score * (0.3 if delimiter == " " else 1.0), 3), width


def _row(line: str, delimiter: str) -> tuple[int, float | None]:
    """How many cells a line has, and how many of them are what they should be, as a share; None where it is no reading."""
    return _row_kept(line, delimiter) if len(line) <= LONGEST_KEPT else _row_of(line, delimiter)


def _row_of(line: str, delimiter: str) -> tuple[int, float | None]:
    cells = _cells(line, delimiter)
    return len(cells), _typed_share(cells) if looks_like_data(cells) else None


_row_kept = lru_cache(KEPT_LINES)(_row_of)


def _typed_share(row: Sequence[str]) -> float:
    held = [cell for cell in row if cell]
    good = sum(
        0.0
        if re.search(r"[;\t|]", cell)
        else 1.0
        if looks_timed(cell) or looks_numeric(cell)
        else 0.7
        if len(cell) < 24
        else 0.0
        for cell in held
    )
    return good / max(len(held), 1)


COMMA_DECIMAL = re.compile(r"^[+(-]?\d{1,3}(\.\d{3})*,\d+\D*$|^[+(-]?\d*,\d+\D*$")
POINT_DECIMAL = re.compile(r"^[+(-]?\d{1,3}(,\d{3})*\.\d+\D*$|^[+(-]?\d*\.\d+\D*$")
PERHAPS_GROUPED = re.compile(r"^[+(-]?[1-9]\d{0,2}([.,])\d{3}(\1\d{3})*\D*$")
"""One mark, and three digits after it: thousands as well as thousandths."""


def _decimal(sample: Sequence[str], delimiter: str, width: int) -> str:
    sure, perhaps = Counter[str](), Counter[str]()
    for line in sample:
        for cell in (row := _cells(line, delimiter)):
            if len(row) == width and not looks_timed(cell):
                plain = cell.translate(SIGNS).translate(SPACES)
                mark = "," if COMMA_DECIMAL.match(plain) else "." if POINT_DECIMAL.match(plain) else ""
                if mark:
                    (perhaps if PERHAPS_GROUPED.match(plain) else sure)[mark] += 1
    counts = sure or perhaps
    return "," if counts[","] > counts["."] else "."
