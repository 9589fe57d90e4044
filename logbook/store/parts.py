"""Parts: a long stretch of time cut at midnights (UTC), so that few enough readings are looked at together."""

from __future__ import annotations

from typing import TYPE_CHECKING

import numpy as np

from logbook.store.readings import count_by_day
from logbook.store.rollups import bucket_range
from logbook.units import MS_PER_DAY

if TYPE_CHECKING:
    from collections.abc import Iterator

    from numpy.typing import NDArray
    from sqlalchemy.engine import Connection


PART_ROWS = 500_000
"""Readings looked at together, stored and incoming: bounds the memory."""
FIRST_ROWS = 100_000
"""The same of the first part, for which the database would wait with nothing to do."""
PIECE_ROWS = 2_000_000
"""Readings digested together: bounds the memory."""


def parts_of(connection: Connection, pack_id: int, ts_ms: NDArray[np.int64]) -> Iterator[tuple[int, int, slice]]:
    """Cut ascending times into parts, each with its [start_ms, end_ms) of whole buckets; days without are skipped."""
    if not len(ts_ms):
        return
    days, firsts, counts = np.unique(ts_ms // MS_PER_DAY, return_index=True, return_counts=True)
    stored = count_by_day(connection, pack_id, int(days[0]) * MS_PER_DAY, (int(days[-1]) + 1) * MS_PER_DAY)
    held = counts + np.array([stored.get(int(day), 0) for day in days])
    parts = runs(days, held, PART_ROWS)
    first, last = parts[0]
    begun = first + max(int(np.searchsorted(np.cumsum(held[first : last + 1]), FIRST_ROWS, side="right")) - 1, 0)
    if begun < last:
        parts[:1] = [(first, begun), (begun + 1, last)]
    for first, last in parts:
        rows = slice(int(firsts[first]), int(firsts[last] + counts[last]))
        yield *bucket_range(int(ts_ms[rows][0]), int(ts_ms[rows][-1])), rows


def stored_parts(
    connection: Connection, pack_id: int, first_ms: int, last_ms: int, *, rows: int = PART_ROWS
) -> list[tuple[int, int]]:
    """Cut the stored readings of a range into parts [start_ms, end_ms) of whole buckets; empty days are skipped."""
    start, end = bucket_range(first_ms, last_ms)
    stored = count_by_day(connection, pack_id, start, end)
    days = np.array(sorted(stored), np.int64)
    held = np.array([stored[int(day)] for day in days], np.int64)
    whole = [
        (int(days[first]) * MS_PER_DAY, (int(days[last]) + 1) * MS_PER_DAY) for first, last in runs(days, held, rows)
    ]
    return [(max(left, start), min(right, end)) for left, right in whole]


def runs(days: NDArray[np.int64], held: NDArray[np.int64], rows: int = PART_ROWS) -> list[tuple[int, int]]:
    """Give first and last index of runs of days that follow each other and hold few enough readings."""
    result: list[tuple[int, int]] = []
    first, total = 0, 0
    for index in range(len(days)):
        if index > first and (total + held[index] > rows or days[index] - days[index - 1] > 1):
            result.append((first, index - 1))
            first, total = index, 0
        total += int(held[index])
    return [*result, (first, len(days) - 1)] if len(days) else result
