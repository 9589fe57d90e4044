"""Batch: rows of a table laid side by side, so that one statement inserts many; a third quicker than one by one."""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
import pyarrow as pa

ROWS = 200
"""Rows of a statement; quickest of 1 to 500 on the readings."""
MOST_PARAMETERS = 32_000
"""SQLite takes 32766 in a statement (sqlite.org/limits.html)."""
LARGEST_STEP = 1 << 40
"""A larger step, times the rows of a statement, might leave SQLite's integers."""
WORTH_ROWS = 10 * ROWS
"""So many rows make up for compiling the longer statement."""


@dataclass(frozen=True, eq=False)
class Batch:
    """Rows of a table ready to be inserted: many at once, and those left over one by one."""

    rest: pa.Table
    """Rows that do not fill a statement."""
    statement: str = ""
    parameters: pa.RecordBatch | None = None
    """One row for each time the statement runs."""


@dataclass(frozen=True, eq=False)
class Even:
    """A column that goes up by one step from row to row within each statement: its first cells, and the step."""

    firsts: pa.Array
    step: int


def batch_of(table_name: str, table: pa.Table) -> Batch:
    """Lay rows out for inserting, by column name; all are left over where they are few, or hold more than numbers.

    An integer that is the same in all rows stands in the statement itself, and one that goes up evenly, as times do, is
    handed over once a statement.
    """
    if table.num_rows < WORTH_ROWS or table.num_columns * ROWS > MOST_PARAMETERS:
        return Batch(table)
    if not all(pa.types.is_int64(kind) or pa.types.is_float64(kind) for kind in table.schema.types):
        return Batch(table)
    laid = table.num_rows // ROWS * ROWS
    columns = [_laid(column.slice(0, laid)) for column in table.columns]
    cells: list[pa.Array] = []
    rows: list[list[str]] = [[] for _ in range(ROWS)]
    for column in columns:
        for place, row in enumerate(rows):
            if isinstance(column, int):
                row.append(str(column))
            elif isinstance(column, Even):
                row.append(f"?{len(cells) + 1}+{place * column.step}")
            else:
                row.append(f"?{len(cells) + place + 1}")
        cells += [] if isinstance(column, int) else [column.firsts] if isinstance(column, Even) else column
    if not cells:
        return Batch(table)
    names = ", ".join(table.column_names)
    values = ", ".join(f"({', '.join(row)})" for row in rows)
    parameters = pa.record_batch(cells, names=[str(number) for number in range(len(cells))])
    return Batch(table.slice(laid), f"INSERT INTO {table_name} ({names}) VALUES {values}", parameters)  # noqa: S608 - our own names


def _laid(column: pa.ChunkedArray) -> list[pa.Array] | Even | int:
    """Give the cells of a column by their place in the statement, what they count on from, or the one integer of all rows."""
    values = (column.fill_null(0) if column.null_count else column).to_numpy()
    whole = not column.null_count and values.dtype == np.int64
    if whole and (values == values[0]).all():
        return int(values[0])
    by_statement = values.reshape(-1, ROWS)
    if whole and abs(int(values[1]) - int(values[0])) < LARGEST_STEP:
        step = int(values[1] - values[0])
        if (np.diff(by_statement, axis=1) == step).all():
            return Even(pa.array(np.ascontiguousarray(by_statement[:, 0])), step)
    places = np.ascontiguousarray(by_statement.T)
    if not column.null_count:
        return [pa.array(cells) for cells in places]
    absent = np.ascontiguousarray(column.is_null().to_numpy().reshape(-1, ROWS).T)
    return [pa.array(cells, mask=mask) for cells, mask in zip(places, absent, strict=True)]
