"""Rows: a block of lines cut into cells by Arrow; a block with odd rows is looked at line by line."""

from __future__ import annotations

from typing import TYPE_CHECKING, Any

import numpy as np
import pyarrow as pa
import pyarrow.csv as pacsv

from logbook.ingest.dialect import Dialect, split
from logbook.ingest.number import Numbers, read_numbers
from logbook.ingest.text import line_count

if TYPE_CHECKING:
    from concurrent.futures import ThreadPoolExecutor

    from numpy.typing import NDArray

INNER_BLOCK = 1 << 20

Rows = tuple[Any, "NDArray[np.int64]", list[tuple[int, str]]]
"""Rows of the right width as an Arrow table, their lines, and the odd lines with their text."""
Kinds = dict[int, pa.DataType]
"""Columns that are looked for as numbers or times while rows are cut; the others, and what is none, are texts."""
NO_KINDS: Kinds = {}
NUMBER = pa.float64()


def rows_of(dialect: Dialect, first_line: int, block: bytes, kinds: Kinds = NO_KINDS) -> Rows:
    """A block's rows of the right width as a table, their lines, and the odd lines.

    All columns are texts where one of `kinds` does not hold for all rows.
    """
    if b"\x00" not in block and dialect.delimiter != " ":
        count = line_count(block)
        for chosen in (kinds, NO_KINDS) if kinds else (NO_KINDS,):
            table = _whole(block, dialect, chosen)
            if table is not None and table.num_rows == count:
                return table, np.arange(first_line, first_line + count, dtype=np.int64), []
    good, lines, odd = _by_line(first_line, block, dialect)
    return _arrow(good, dialect, NO_KINDS), lines, odd


def _whole(block: bytes, dialect: Dialect, kinds: Kinds) -> Any | None:
    """The block as it stands; None where not every row is one, or a time is missing that should not be."""
    try:
        table = _arrow(block, dialect, kinds)
    except pa.ArrowInvalid:
        return None
    times = (index for index, kind in kinds.items() if pa.types.is_timestamp(kind))
    return None if any(table.column(index).null_count for index in times) else table


def _arrow(block: bytes, dialect: Dialect, kinds: Kinds) -> Any:
    names = [str(index) for index in range(dialect.width)]
    if not block:
        return pa.table({name: pa.array([], pa.string()) for name in names})
    return pacsv.read_csv(
        pa.BufferReader(block),
        read_options=pacsv.ReadOptions(column_names=names, block_size=INNER_BLOCK, use_threads=False),
        parse_options=pacsv.ParseOptions(delimiter=dialect.delimiter, ignore_empty_lines=False),
        convert_options=pacsv.ConvertOptions(
            column_types={name: kinds.get(index, pa.string()) for index, name in enumerate(names)},
            null_values=["", "NA", "null", "nan", "NaN", "--"], strings_can_be_null=True,
            quoted_strings_can_be_null=True, decimal_point=dialect.decimal,
        ),
    )  # fmt: skip


def _by_line(first_line: int, block: bytes, dialect: Dialect) -> tuple[bytes, NDArray[np.int64], list[tuple[int, str]]]:
    mark = dialect.delimiter.encode()
    good: list[bytes] = []
    lines: list[int] = []
    odd: list[tuple[int, str]] = []
    for line, row in enumerate(block.split(b"\n"), first_line):
        plain = row.strip(b"\x00") if b"\x00" in row else row
        if not plain.strip():
            if plain != row:
                odd.append((line, row.decode("utf-8", "replace")))
            continue
        if mark == b" ":
            plain = b" ".join(plain.split())
        extra = plain.count(mark) + 1 - dialect.width
        if extra == 1 and plain.endswith(mark):
            plain, extra = plain[:-1], 0
        if b'"' in plain or b"\x00" in plain or extra:
            cells = split(plain.decode("utf-8", "replace"), dialect.delimiter) if plain.count(b'"') % 2 == 0 else []
            if len(cells) != dialect.width or b"\x00" in plain:
                odd.append((line, row.decode("utf-8", "replace")))
                continue
            plain = mark.join(b'"' + cell.replace('"', "").encode() + b'"' for cell in cells)
        good.append(plain)
        lines.append(line)
    return b"\n".join(good) + b"\n" if good else b"", np.array(lines, np.int64), odd


class Ahead:
    """A block's rows, cut and their numbers read beside the work on the blocks before, as the section then is."""

    def __init__(
        self,
        beside: ThreadPoolExecutor,
        dialect: Dialect,
        kinds: Kinds,
        numbers: tuple[int, ...],
        first_line: int,
        block: bytes,
    ) -> None:
        self.dialect = dialect
        self.kinds = kinds
        self.block = block
        self._coming = beside.submit(self._cut, first_line, numbers)

    def _cut(self, first_line: int, numbers: tuple[int, ...]) -> tuple[Rows, dict[int, Numbers]]:
        rows = rows_of(self.dialect, first_line, self.block, self.kinds)
        return rows, {index: read_numbers(rows[0].column(index), self.dialect.decimal) for index in numbers}

    def rows(self, dialect: Dialect, block: bytes, kinds: Kinds) -> Rows | None:
        """The rows, if that is what is asked for."""
        same = block is self.block and dialect == self.dialect and kinds == self.kinds
        return self._coming.result()[0] if same else None

    def numbers(self, table: Any, index: int) -> Numbers | None:
        """A number column of just this table, if it was read."""
        rows, numbers = self._coming.result()
        return numbers.get(index) if table is rows[0] else None
