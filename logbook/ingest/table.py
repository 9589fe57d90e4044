"""Table: the rows of a text read into columns, section by section; what is no row is kept with its line.

A section is a run of rows under one header; a second header with other names, or a second file glued on,
begins a new one. Rows are read by Arrow in blocks; only a block with odd rows is looked at line by line.
"""

from __future__ import annotations

from collections import deque
from concurrent.futures import ThreadPoolExecutor
from typing import TYPE_CHECKING, Any

import numpy as np
import pyarrow as pa

from logbook.errors import BadData
from logbook.ingest.dialect import Dialect, dialect_of, looks_like_data, looks_timed, split
from logbook.ingest.header import Header, header_of, looks_like_header
from logbook.ingest.rows import Ahead, rows_of
from logbook.ingest.section import Section, add_to, untimed_in

if TYPE_CHECKING:
    from collections.abc import Sequence

    from numpy.typing import NDArray

    from logbook.ingest.ledger import Ledger
    from logbook.ingest.section import Wanted
    from logbook.ingest.text import Text

SAMPLE_ROWS = 1000
"""Rows from which a column's nature is judged."""
BLOCKS_AHEAD = 2
"""Blocks cut beside the work on the one before them: what one more takes in memory bears."""
MOST_ODD = 300_000
"""So many rows that are none are looked at, half a minute's work, where fewer are readings."""
MOST_SECTIONS = 1000
"""Headers in one file, each of which takes some hundredths of a second to understand."""
SHORT_SECTIONS, SHORT_LINES = 100, 10
"""So many headers are the end where fewer lines than these stand under each: all below them is looked at anew."""
MOST_EMPTY = 0.9
"""Of the lines of a block of megabytes, where they are as many as that."""


class Plan:
    """What to expect of a text: how to cut it, and how each section's columns are to be read."""

    def __init__(
        self, *, delimiter: str | None = None, decimal: str | None = None, first_row: int | None = None
    ) -> None:
        self.delimiter = delimiter
        self.decimal = decimal
        self.first_row = first_row

    def wanted(self, header: Header, sample: Sequence[list[str]]) -> Wanted:
        """Choose how to read the columns; replaced by the one who knows their meaning."""
        raise NotImplementedError


def read_sections(text: Text, plan: Plan, ledger: Ledger) -> list[Section]:
    """Read every row of a text; a section may turn out empty."""
    reader = _Reader(text, plan, ledger)
    with ThreadPoolExecutor(BLOCKS_AHEAD) as beside:
        waiting: deque[tuple[int, bytes, Ahead]] = deque()
        for first_line, block in text.blocks():
            if not reader.sections:
                reader.take(first_line, block)
                continue
            section = reader.sections[-1]
            kinds, numbers = section.kinds(), section.wanted.numbers
            ahead = Ahead(beside, section.dialect, kinds, numbers, first_line, block)
            waiting.append((first_line, block, ahead))
            if len(waiting) > BLOCKS_AHEAD:
                reader.take(*waiting.popleft())
        while waiting:
            reader.take(*waiting.popleft())
    pa.default_memory_pool().release_unused()
    return reader.sections


class _Reader:
    def __init__(self, text: Text, plan: Plan, ledger: Ledger) -> None:
        self.text = text
        self.where = text.source.name
        self.plan = plan
        self.ledger = ledger
        self.sections: list[Section] = []
        self.begun = 0
        """Line that the present section was looked for from; it is no header of another, or that would have no end."""

    def take(self, first_line: int, block: bytes, ahead: Ahead | None = None) -> None:
        """Read one block of whole lines; a header inside it begins a new section."""
        if not self.sections:
            first_line, block = self._begin(first_line, block)
        while block:
            cut = self._read(first_line, block, ahead)
            if cut is None:
                return
            skipped = _bytes_before(block, cut - first_line)
            self.begun = cut
            first_line, block = self._begin(cut, block[skipped:])

    def _below(self, odd: list[tuple[int, str]]) -> list[tuple[int, str]]:
        return odd if not odd or odd[0][0] > self.begun else [entry for entry in odd if entry[0] > self.begun]

    def _begin(self, first_line: int, block: bytes) -> tuple[int, bytes]:
        lines = block[: 1 << 18].decode("utf-8", "replace").split("\n")
        dialect = dialect_of(lines, self.where, delimiter=self.plan.delimiter, decimal=self.plan.decimal)
        first_row = self.plan.first_row if not self.sections else None
        header = header_of(lines, dialect, self.where, first_row=first_row)
        sample = [
            dialect.cells(line)
            for line in lines[header.first_row - 1 : header.first_row + SAMPLE_ROWS - 1]
            if line.strip()
        ]
        dialect = Dialect(dialect.delimiter, dialect.decimal, header.width)
        wanted = self.plan.wanted(header, sample)
        moved = Header(
            header.names,
            header.units,
            tuple(line + first_line - 1 for line in header.lines),
            header.first_row + first_line - 1,
            header.preamble,
        )
        self._keep_above(lines, header, dialect, first_line)
        changes = len(self.sections)
        if changes >= MOST_SECTIONS or (changes >= SHORT_SECTIONS and first_line < SHORT_LINES * changes):
            raise BadData(
                f"Its columns change more than {changes} times, up to line {first_line}.",
                where=self.where,
                mend="Export each kind of row into a file of its own.",
            )
        rows = self.text.rows_like(block) if not self.sections else 0
        self.sections.append(Section(moved, dialect, wanted, rows))
        return moved.first_row, block[_bytes_before(block, header.first_row - 1) :]

    def _keep_above(self, lines: Sequence[str], header: Header, dialect: Dialect, first_line: int) -> None:
        """Rows that look like readings but stand above where the table was found to begin."""
        own = set(header.lines)
        for place, text in enumerate(lines[: header.first_row - 1], 1):
            cells = split(text, dialect.delimiter)
            rowlike = len(cells) == dialect.width and looks_like_data(cells)
            rowlike |= any(_full_row(text, mark) for mark in ",;\t|" if mark != dialect.delimiter)
            if place not in own and (rowlike or (self.sections and text.strip() and not looks_like_header(cells))):
                self.ledger.rows_read += 1
                self.ledger.set_aside([place + first_line - 1], "stands above the table", text)

    def _read(self, first_line: int, block: bytes, ahead: Ahead | None) -> int | None:
        """Read a block into the present section; the line of a new header when one is met."""
        section = self.sections[-1]
        raw = _RawLines(first_line, block)
        known = ahead.rows(section.dialect, block, section.kinds()) if ahead else None
        table, lines, odd = known or rows_of(section.dialect, first_line, block)
        cut = _new_header(section, self._below(odd), raw)
        if cut is not None:
            keep = int(np.searchsorted(lines, cut))
            table, lines = table.slice(0, keep), lines[:keep]
        if len(lines):
            cut, more = self._gather(section, table, lines, raw, cut, ahead if known else None)
            odd = odd + more
        self._keep_odd(section, [(line, text) for line, text in odd if cut is None or line < cut])
        return cut

    def _keep_odd(self, section: Section, odd: list[tuple[int, str]]) -> None:
        names, units = ([cell for cell in row if cell] for row in (section.header.names, section.header.units))
        for line, text in odd:
            cells = split(text, section.dialect.delimiter)
            if names and any(cells) and [cell for cell in cells if cell] in (names, units):
                self.ledger.repair(
                    "repeated header", "header that stands again among the readings, passed over", [line]
                )
                continue
            if all(not cell or not any(letter.isalnum() for letter in cell) for cell in cells):
                continue
            self.ledger.rows_read += 1
            self.ledger.set_aside([line], _why_odd(text, cells, section.header.width), text.replace("\x00", ""))
        self._refuse_rubbish()

    def _refuse_rubbish(self) -> None:
        """Stop where most rows are none: each is looked at by itself, which for a gigabyte of them takes an hour."""
        odd, rows = self.ledger.rows_aside, self.ledger.rows_read
        if odd > MOST_ODD and odd > rows / 2:
            raise BadData(
                f"{odd:,} of its first {rows:,} rows are no readings of the table it begins with.",
                where=self.where,
                mend="Export it again, or take the rows of the other kind out of it.",
            )

    def _refuse_emptiness(self, odd: int, lines: int) -> None:
        """Stop where next to all lines of a block are empty or no readings, before each is looked at by itself."""
        if odd > MOST_ODD and odd > MOST_EMPTY * lines:
            raise BadData(
                f"{odd:,} of {lines:,} lines in a row hold no readings.",
                where=self.where,
                mend="Export it again; a copy that went wrong can look like this.",
            )

    def _gather(
        self,
        section: Section,
        table: Any,
        lines: NDArray[np.int64],
        raw: _RawLines,
        cut: int | None,
        ahead: Ahead | None,
    ) -> tuple[int | None, list[tuple[int, str]]]:
        """Add a block's columns to the section; gives the line of a header that ends it, and rows without a time."""
        bad = untimed_in(section, table, ahead)
        odd: list[tuple[int, str]] = []
        if bad.any():
            self._refuse_emptiness(int(np.count_nonzero(bad)), len(lines))
            odd = [(line, raw.text(line)) for line in lines[bad].tolist()]
            header = _new_header(section, self._below(odd), raw)
            good = ~bad
            if header is not None:
                cut = header
                good &= lines < header
            table, lines = table.filter(pa.array(good)), lines[good]
            if section.wanted.time:
                section.clock.keep(good)
        self.ledger.rows_read += len(lines)
        if len(lines):
            add_to(section, table, lines, ahead)
        return cut, odd


class _RawLines:
    """The lines of a block as they stand, split only when one is looked at."""

    def __init__(self, first_line: int, block: bytes) -> None:
        self.first_line = first_line
        self.block = block
        self._lines: list[bytes] | None = None

    def text(self, line: int) -> str:
        """One line's text; empty past the end."""
        if self._lines is None:
            self._lines = self.block.split(b"\n")
        place = line - self.first_line
        return self._lines[place].decode("utf-8", "replace") if place < len(self._lines) else ""


def _full_row(text: str, delimiter: str) -> bool:
    """Whether a line is a row of readings of a table cut otherwise: a time and at least two numbers."""
    cells = split(text, delimiter)
    return len(cells) > 2 and looks_timed(cells[0]) and looks_like_data(cells)


def _new_header(section: Section, odd: list[tuple[int, str]], raw: _RawLines) -> int | None:
    """The first odd line that names columns for the rows below it, otherwise than the section's header."""
    names = [name for name in section.header.names if name]
    units = [unit for unit in section.header.units if unit]
    own = section.dialect.delimiter
    for line, text in odd:
        for delimiter in (own, *(mark for mark in ",;\t|" if mark != own)):
            cells = [cell for cell in split(text, delimiter) if cell]
            known = delimiter == own and cells in (names, units)
            if not known and looks_like_header(cells) and _heads(line, len(split(text, delimiter)), delimiter, raw):
                return line
    return None


def _heads(line: int, width: int, delimiter: str, raw: _RawLines) -> bool:
    """Whether rows of that width stand below a line."""
    below = (split(raw.text(line + step), delimiter) for step in range(1, 5))
    row = next((cells for cells in below if looks_like_data(cells)), [])
    return width - 1 <= len(row) <= width + 1


def _why_odd(text: str, cells: list[str], width: int) -> str:
    if "\x00" in text:
        return "NUL bytes, as left by a power cut"
    if not looks_like_data(cells):
        return "not a row of readings"
    if len(cells) < width:
        return f"torn row: fewer than {width} cells"
    if len(cells) > width:
        return f"more than {width} cells"
    return "time cannot be read"


def _bytes_before(block: bytes, rows: int) -> int:
    """Offset at which the line after `rows` lines begins."""
    position = 0
    for _ in range(rows) if rows < 2000 else ():
        position = block.find(b"\n", position) + 1
    if rows < 2000:
        return position
    ends = np.flatnonzero(np.frombuffer(block, np.uint8) == 10)
    return int(ends[rows - 1]) + 1 if rows <= len(ends) else len(block)
