"""Samples: readings as the tables hold them, in integer thousandths; the one place that converts."""

from __future__ import annotations

from dataclasses import dataclass
from typing import TYPE_CHECKING, Any

import numpy as np
import pyarrow as pa

from logbook.schema.reading import QUANTITY_NAMES, Readings
from logbook.store.models import VALUES
from logbook.units import THOUSANDTHS

if TYPE_CHECKING:
    from numpy.typing import NDArray

MISSING = np.iinfo(np.int64).min
"""Stands for a value that was not measured."""
EVERY = slice(None)


@dataclass(frozen=True, eq=False)
class Samples:
    """Times [n] in ascending order, values [4, n] in thousandths, and the import [n] of each, all int64."""

    ts_ms: NDArray[np.int64]
    values: NDArray[np.int64]
    import_id: NDArray[np.int64]

    def __len__(self) -> int:
        return len(self.ts_ms)

    def taken(self, which: NDArray[Any] | slice) -> Samples:
        """Give a part of the rows, by mask, index or slice."""
        return Samples(self.ts_ms[which], self.values[:, which], self.import_id[which])

    def as_arrow(self, pack_id: int) -> pa.Table:
        """Give the rows as the tables hold them."""
        return pa.table(
            {
                "pack_id": np.full(len(self), pack_id, np.int64),
                "ts_ms": self.ts_ms,
                **{name: nullable(self.values[index]) for index, name in enumerate(VALUES)},
                "import_id": self.import_id,
            }
        )

    def as_readings(self) -> Readings:
        """Give the rows in plain units."""
        return Readings(self.ts_ms, *map(plain, self.values))

    def found_in(self, others: Samples) -> NDArray[np.bool_]:
        """Tell which rows have one of the same time and import among the others; own times are unique."""
        found = np.zeros(len(self), np.bool_)
        place = np.searchsorted(self.ts_ms, others.ts_ms)
        rows = np.flatnonzero(place < len(self))
        rows = rows[self.ts_ms[place[rows]] == others.ts_ms[rows]]
        rows = rows[self.import_id[place[rows]] == others.import_id[rows]]
        found[place[rows]] = True
        return found

    @staticmethod
    def from_arrow(table: pa.Table) -> Samples:
        """Take rows of a table."""
        values = [stored_integers(table[name]) for name in VALUES]
        return Samples(stored_integers(table["ts_ms"]), np.stack(values), stored_integers(table["import_id"]))

    @staticmethod
    def from_readings(readings: Readings, import_id: int, rows: slice = EVERY) -> Samples:
        """Take readings in plain units, or some of them."""
        ts_ms = readings.ts_ms[rows].astype(np.int64)
        values = np.stack([thousandths(getattr(readings, name)[rows]) for name in QUANTITY_NAMES])
        return Samples(ts_ms, values, np.full(len(ts_ms), import_id, np.int64))


def joined(first: Samples, second: Samples) -> Samples:
    """Put the rows of both in order of time."""
    if not len(first) or not len(second):
        return first if len(first) else second
    both = Samples(
        np.concatenate([first.ts_ms, second.ts_ms]),
        np.concatenate([first.values, second.values], axis=1),
        np.concatenate([first.import_id, second.import_id]),
    )
    return both.taken(np.argsort(both.ts_ms, kind="stable"))


def thousandths(values: NDArray[np.float64]) -> NDArray[np.int64]:
    """Integer thousandths of plain values; NaN and infinity are missing."""
    missing = ~np.isfinite(values)
    scaled = np.rint(values * THOUSANDTHS)
    scaled[missing] = 0.0
    result = scaled.astype(np.int64)
    result[missing] = MISSING
    return result


def plain(values: NDArray[np.int64]) -> NDArray[np.float64]:
    """Plain values of integer thousandths; missing is NaN."""
    result = values / float(THOUSANDTHS)
    result[values == MISSING] = np.nan
    return result


def nullable(values: NDArray[np.int64]) -> pa.Array:
    """Arrow integers, NULL where missing."""
    missing = values == MISSING
    return pa.array(values, mask=missing if missing.any() else None)


def stored_integers(column: pa.ChunkedArray) -> NDArray[np.int64]:
    """Integers of an Arrow column, NULL as missing."""
    filled = column.cast(pa.int64()).fill_null(int(MISSING)) if column.null_count else column
    numbers: NDArray[np.int64] = filled.to_numpy().astype(np.int64, copy=False)
    return numbers
