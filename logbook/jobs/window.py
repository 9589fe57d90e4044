"""Window: the least and greatest values of a stretch of time, few enough points to draw; never a source of numbers."""

from __future__ import annotations

from dataclasses import dataclass
from typing import TYPE_CHECKING

import numpy as np

from logbook.schema.reading import QUANTITY_NAMES
from logbook.store import read_readings, read_rollup
from logbook.units import MS_PER_DAY, MS_PER_S, S_PER_DAY

if TYPE_CHECKING:
    import pandas as pd
    from numpy.typing import NDArray

    from logbook.schema.reading import Readings
    from logbook.store import Store

RAW_MS = MS_PER_DAY
"""Up to this length the readings themselves are looked at."""
LEVELS = ((60, 15 * MS_PER_DAY), (900, 400 * MS_PER_DAY), (S_PER_DAY, None))
"""Rollups by the longest window each is used for: about 20,000 to 40,000 buckets at the most."""
GAP_FACTOR = 3
"""A step longer than so many usual ones is a gap in the picture."""


@dataclass(frozen=True, eq=False)
class Window:
    """Points in order of time; at a gap stands one with NaN, so that a line breaks there.

    `lowest`, `mean` and `highest` have a float64 [n] for each quantity name.
    """

    start_ms: int
    end_ms: int
    bucket_s: float
    """Length a point stands for; 0 where the points are the readings."""
    ts_ms: NDArray[np.int64]
    """Start of each bucket, or time of the reading."""
    lowest: dict[str, NDArray[np.float64]]
    mean: dict[str, NDArray[np.float64]]
    highest: dict[str, NDArray[np.float64]]

    def __len__(self) -> int:
        return len(self.ts_ms)


@dataclass(frozen=True, eq=False)
class _Parts:
    """Counts, sums and extremes at times, before they are put into buckets."""

    ts_ms: NDArray[np.int64]
    count: NDArray[np.float64]
    total: NDArray[np.float64]
    lowest: NDArray[np.float64]
    highest: NDArray[np.float64]
    """All but the times are [4, n]."""


def window(store: Store, pack_id: int, start_ms: int, end_ms: int, points: int = 1000) -> Window:
    """Give at most about `points` points of [start_ms, end_ms)."""
    span = end_ms - start_ms
    if span <= RAW_MS:
        parts, unit_ms = _of_readings(read_readings(store, pack_id, start_ms, end_ms)), 0
    else:
        level_s = next(level for level, longest in LEVELS if longest is None or span <= longest)
        unit_ms = level_s * MS_PER_S
        # a bucket that began before the window still lies in it
        first_ms = start_ms // unit_ms * unit_ms
        parts = _of_rollup(read_rollup(store, pack_id, level_s, first_ms, end_ms))
    if len(parts.ts_ms) > points:
        width = -(-span // max(points, 1))
        unit_ms = -(-width // unit_ms) * unit_ms if unit_ms else width
        parts = _bucketed(parts, unit_ms)
    return _with_gaps(parts, start_ms, end_ms, unit_ms)


def _of_readings(readings: Readings) -> _Parts:
    values = np.stack([getattr(readings, name) for name in QUANTITY_NAMES])
    there = np.isfinite(values)
    return _Parts(readings.ts_ms, there.astype(float), np.where(there, values, 0.0), values, values)


def _of_rollup(frame: pd.DataFrame) -> _Parts:
    def stacked(part: str) -> NDArray[np.float64]:
        return np.stack([frame[f"{name}_{part}"].to_numpy(np.float64) for name in QUANTITY_NAMES])

    times = frame["bucket_ms"].to_numpy(np.int64)
    return _Parts(times, stacked("n"), np.nan_to_num(stacked("sum")), stacked("min"), stacked("max"))


def _bucketed(parts: _Parts, width_ms: int) -> _Parts:
    bucket = parts.ts_ms // width_ms
    starts = np.flatnonzero(np.diff(bucket, prepend=bucket[0] - 1))
    return _Parts(
        bucket[starts] * width_ms,
        np.add.reduceat(parts.count, starts, axis=1),
        np.add.reduceat(parts.total, starts, axis=1),
        np.fmin.reduceat(parts.lowest, starts, axis=1),
        np.fmax.reduceat(parts.highest, starts, axis=1),
    )


def _with_gaps(parts: _Parts, start_ms: int, end_ms: int, unit_ms: int) -> Window:
    steps = np.diff(parts.ts_ms)
    usual = float(np.median(steps)) if len(steps) else 0.0
    gaps = np.flatnonzero(steps > GAP_FACTOR * max(usual, unit_ms))
    with np.errstate(invalid="ignore", divide="ignore"):
        mean = parts.total / parts.count

    def broken(values: NDArray[np.float64]) -> dict[str, NDArray[np.float64]]:
        return dict(zip(QUANTITY_NAMES, np.insert(values, gaps + 1, np.nan, axis=1), strict=True))

    times = np.insert(parts.ts_ms, gaps + 1, parts.ts_ms[gaps] + int(max(usual, unit_ms, 1)))
    bounds = (broken(parts.lowest), broken(mean), broken(parts.highest))
    return Window(start_ms, end_ms, unit_ms / MS_PER_S, times, *bounds)
