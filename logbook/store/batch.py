"""Batch: rows of a table laid side by side, so that one statement inserts many; a third quicker than one by one."""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
import pyarrow as pa

ROWS = 200
"""Rows of a statement; quickest of 1 to 500 on the readings."""
MOST_PARAMETERS = 32_000
"""SQLite takes 32766 in a statement (sqlite.org/limits.html)."""
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


def batch_of(table_name: str, table: pa.Table) -> Batch:
    """Lay rows out for inserting, by column name; all are left over where they are few, or hold more than numbers.

    An integer that is the same in all rows stands in the statement itself.
    """
    if table.num_rows < WORTH_ROWS or table.num_columns * ROWS > MOST_PARAMETERS:
        return Batch(table)
    if not all(pa.types.is_int64(kind) or pa.types.is_float64(kind) for kind in table.schema.types):
        return Batch(table)
    laid = table.num_rows // ROWS * ROWS
    columns = [_laid(column.slice(0, laid)) for column in table.columns]
    row = f"({', '.join('?' if isinstance(column, list) else str(column) for column in columns)})"
    names = ", ".join(table.column_names)
    statement = f"INSERT INTO {table_name} ({names}) VALUES {', '.join([row] * ROWS)}"  # noqa: S608 - our own names
    by_place = zip(*(column for column in columns if isinstance(column, list)), strict=True)
    cells = [cell for place in by_place for cell in place]
    if not cells:
        return Batch(table)
    parameters = pa.record_batch(cells, names=[str(number) for number in range(len(cells))])
    return Batch(table.slice(laid), statement, parameters)


def _laid(column: pa.ChunkedArray) -> list[pa.Array] | int:
    """Give the cells of a column by their place in the statement, or the one integer of all rows."""
    values = (column.fill_null(0) if column.null_count else column).to_numpy()
    if not column.null_count and values.dtype == np.int64 and (values == values[0]).all():
        return int(values[0])
    places = np.ascontiguousarray(values.reshape(-1, ROWS).T)
    if not column.null_count:
        return [pa.array(cells) for cells in places]
    absent = np.ascontiguousarray(column.is_null().to_numpy().reshape(-1, ROWS).T)
    return [pa.array(cells, mask=mask) for cells, mask in zip(places, absent, strict=True)]
