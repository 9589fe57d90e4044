"""Section: the rows under one header, gathered into columns block by block."""

from __future__ import annotations

from dataclasses import dataclass, field
from typing import TYPE_CHECKING, Any

import numpy as np
import pyarrow as pa
import pyarrow.compute as pc

from logbook.ingest.clock import ClockColumn
from logbook.ingest.growing import Growing
from logbook.ingest.number import Numbers, read_numbers
from logbook.ingest.rows import NUMBER, Ahead, Kinds
from logbook.ingest.timetext import time_text

if TYPE_CHECKING:
    from numpy.typing import NDArray

    from logbook.ingest.dialect import Dialect
    from logbook.ingest.header import Header


@dataclass(frozen=True)
class Wanted:
    """How the columns of a section are to be read, by position from 0."""

    time: tuple[int, ...]
    """One column of text, or a date and a clock; empty when the time is a number."""
    words: tuple[int, ...]
    numbers: tuple[int, ...]


@dataclass(eq=False)
class Section:
    """Rows under one header; columns are gathered block by block."""

    header: Header
    dialect: Dialect
    wanted: Wanted
    expected: int = 0
    """Rows it will have, if that can be told."""
    clock: ClockColumn = field(init=False)
    line_column: Growing = field(init=False)
    number_columns: dict[int, Growing] = field(default_factory=dict)
    bad_parts: dict[int, list[NDArray[np.int64]]] = field(default_factory=dict)
    """Lines on which a number column holds a word."""
    bad_examples: dict[int, tuple[int, str]] = field(default_factory=dict)
    """The first such word of each column, with its line."""
    word_columns: dict[int, Growing] = field(default_factory=dict)
    vocabulary: dict[int, dict[str, int]] = field(default_factory=dict)
    units: dict[int, set[str]] = field(default_factory=dict)
    """Units that stood in the cells."""
    spelled: set[int] = field(default_factory=set)
    """Number columns that were not all plain numbers."""
    last_date: str | None = None
    table: str = ""
    """Name of the table in an archive of several."""

    def __post_init__(self) -> None:
        self.clock = ClockColumn(self.expected)
        self.line_column = Growing(np.int64, self.expected)

    @property
    def lines(self) -> NDArray[np.int64]:
        """Line number of each row (1-based)."""
        return self.line_column.whole

    def __len__(self) -> int:
        return len(self.line_column)

    def kinds(self) -> Kinds:
        """What its columns have been so far, for cutting the rows to come: numbers, and whole times."""
        texts = {*self.wanted.time, *self.wanted.words, *self.spelled}
        kinds: Kinds = {index: NUMBER for index in self.wanted.numbers if index not in texts}
        whole = self.clock.kind() if len(self.wanted.time) == 1 else None
        return kinds | {self.wanted.time[0]: whole} if whole else kinds

    def numbers(self, index: int) -> NDArray[np.float64]:
        """One number column, float64 [n]."""
        found = self.number_columns.get(index)
        return np.empty(0) if found is None else found.whole

    def bad_lines(self, index: int) -> NDArray[np.int64]:
        """Lines where this number column holds text."""
        parts = self.bad_parts.get(index, [])
        return np.concatenate(parts) if parts else np.empty(0, np.int64)

    def words(self, index: int) -> tuple[NDArray[np.int32], list[str]]:
        """One word column: codes [n] (-1 where empty) and the words they stand for."""
        found = self.word_columns.get(index)
        codes = np.empty(0, np.int32) if found is None else found.whole
        return codes, list(self.vocabulary.get(index, {}))


def _numbers(section: Section, table: Any, index: int, ahead: Ahead | None) -> Numbers:
    found = ahead.numbers(table, index) if ahead else None
    return read_numbers(table.column(index), section.dialect.decimal) if found is None else found


def untimed_in(section: Section, table: Any, ahead: Ahead | None) -> NDArray[np.bool_]:
    """Which rows have no time; text times are taken into the section's clock on the way."""
    if section.wanted.time:
        columns = [table.column(index) for index in section.wanted.time]
        text, section.last_date = time_text(columns, section.last_date)
        return section.clock.add(text)
    return np.isnan(_numbers(section, table, section.wanted.numbers[0], ahead).values)


def add_to(section: Section, table: Any, lines: NDArray[np.int64], ahead: Ahead | None) -> None:
    """Take a block's columns of numbers and words into the section; its times were taken before."""
    section.line_column.add(lines)
    for index in section.wanted.numbers:
        read = _numbers(section, table, index, ahead)
        _column(section.number_columns, index, np.float64, section.expected).add(read.values)
        section.units.setdefault(index, set()).update(read.units)
        if read.spelled:
            section.spelled.add(index)
        if read.bad is not None:
            section.bad_parts.setdefault(index, []).append(lines[read.bad])
            row = int(read.bad.argmax())
            section.bad_examples.setdefault(index, (int(lines[row]), str(table.column(index)[row].as_py())))
    for index in section.wanted.words:
        codes = _codes(table.column(index), section.vocabulary.setdefault(index, {}))
        _column(section.word_columns, index, np.int32, section.expected).add(codes)


def _column(columns: dict[int, Growing], index: int, kind: type[np.generic], expected: int) -> Growing:
    if index not in columns:
        columns[index] = Growing(kind, expected)
    return columns[index]


def _codes(column: Any, vocabulary: dict[str, int]) -> NDArray[np.int32]:
    encoded = pc.dictionary_encode(column).combine_chunks()
    encoded = encoded.combine_chunks() if isinstance(encoded, pa.ChunkedArray) else encoded
    known = np.array(
        [vocabulary.setdefault(word.strip(), len(vocabulary)) for word in encoded.dictionary.to_pylist()] or [-1],
        np.int32,
    )
    index = encoded.indices.fill_null(-1).to_numpy(zero_copy_only=False)
    return np.where(index < 0, -1, known[index]).astype(np.int32)
