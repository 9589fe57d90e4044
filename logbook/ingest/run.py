"""Runs: stretches of neighbouring rows that share a condition, and what stands on both sides of them."""

from __future__ import annotations

from dataclasses import dataclass
from typing import TYPE_CHECKING

import numpy as np

if TYPE_CHECKING:
    from numpy.typing import NDArray


@dataclass(frozen=True, eq=False)
class Runs:
    """First and last row of each run, [k]."""

    first: NDArray[np.intp]
    last: NDArray[np.intp]

    def __len__(self) -> int:
        return len(self.first)

    def mask(self, rows: int, chosen: NDArray[np.bool_]) -> NDArray[np.bool_]:
        """Mask over `rows` rows of the chosen runs."""
        edges = np.zeros(rows + 1, np.int64)
        np.add.at(edges, self.first[chosen], 1)
        np.add.at(edges, self.last[chosen] + 1, -1)
        return np.cumsum(edges[:-1]) > 0


def runs_of(mask: NDArray[np.bool_]) -> Runs:
    """Runs of True."""
    edges = np.flatnonzero(np.diff(np.concatenate([[False], mask, [False]]).astype(np.int8)))
    return Runs(edges[::2], edges[1::2] - 1)


def thinned(values: NDArray[np.float64], most: int = 200_000) -> NDArray[np.float64]:
    """At most so many of the values, evenly spread: enough for a median or a percentile."""
    return values[:: max(len(values) // most, 1)]


def few(rows: int) -> int:
    """So many of the rows decide nothing for the others: one in a hundred, at least one where there are ten."""
    return max(rows // 100, 1) if rows >= 10 else 0


def nearly_all(mask: NDArray[np.bool_]) -> bool:
    """Whether all but a few hold; false of nothing."""
    return bool(len(mask)) and int(np.count_nonzero(~mask)) <= few(len(mask))


def more_than_few(mask: NDArray[np.bool_]) -> bool:
    """Whether so many hold that no stray cell explains them."""
    return int(np.count_nonzero(mask)) > few(len(mask))


def typical_range(values: NDArray[np.float64]) -> tuple[float, float]:
    """Lowest and highest of the finite values but for a few at each end; NaN where there is none."""
    held = thinned(values)
    held = held[np.isfinite(held)]
    if not len(held):
        return float("nan"), float("nan")
    ends = few(len(held))
    parted = np.partition(held, (ends, len(held) - 1 - ends))
    return float(parted[ends]), float(parted[len(held) - 1 - ends])


@dataclass(frozen=True, eq=False)
class Neighbours:
    """Last good value before and first good value after each run, NaN where there is none near enough."""

    before: NDArray[np.float64]
    after: NDArray[np.float64]


def neighbours(
    runs: Runs, values: NDArray[np.float64], good: NDArray[np.bool_], ts_ms: NDArray[np.int64], near_ms: int
) -> Neighbours:
    """Good values next to each run, no further off in time than `near_ms`."""
    rows = np.flatnonzero(good)
    if not len(rows):
        nothing = np.full(len(runs), np.nan)
        return Neighbours(nothing, nothing)
    before = np.searchsorted(rows, runs.first) - 1
    after = np.searchsorted(rows, runs.last, side="right")
    previous, following = rows[np.maximum(before, 0)], rows[np.minimum(after, len(rows) - 1)]
    near_before = (before >= 0) & (ts_ms[runs.first] - ts_ms[previous] <= near_ms)
    near_after = (after < len(rows)) & (ts_ms[following] - ts_ms[runs.last] <= near_ms)
    return Neighbours(np.where(near_before, values[previous], np.nan), np.where(near_after, values[following], np.nan))
