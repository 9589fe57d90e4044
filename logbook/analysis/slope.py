"""Slope: a robust straight line through a few measurements, the median of the slopes between all pairs.

Theil 1950 and Sen 1968, JASA 63:1379; interval by Kendall's variance with ties, as Sen gives it (section 3) and SciPy
computes it, which is the reference of the tests: loading it takes a second, more than most answers.
"""

from __future__ import annotations

from dataclasses import dataclass
from statistics import NormalDist
from typing import TYPE_CHECKING

import numpy as np

from logbook.errors import NotEnoughData
from logbook.schema.estimate import LEVEL, Estimate

if TYPE_CHECKING:
    from numpy.typing import NDArray


@dataclass(frozen=True)
class Trend:
    """A robust straight line: slope in units a year with its interval, and the value at time zero."""

    slope_per_year: Estimate
    intercept: float


def theil_sen(years: NDArray[np.float64], values: NDArray[np.float64], level: float = LEVEL) -> Trend:
    """Median of all pairwise slopes; needs three points.

    Raises
    ------
    NotEnoughData
        With fewer than three points, or all at one time.
    """
    if len(years) < 3 or np.ptp(years) == 0:
        raise NotEnoughData(f"A trend needs three measurements at different times; there are {len(years)}.")
    slopes = _slopes(np.asarray(years, float), np.asarray(values, float))
    slope = float(np.median(slopes))
    half = NormalDist().inv_cdf(0.5 + level / 2) * float(np.sqrt(_kendall_variance(years, values)))
    low = max(round((len(slopes) - half) / 2) - 1, 0)
    high = min(round((len(slopes) + half) / 2), len(slopes) - 1)
    intercept = float(np.median(values)) - slope * float(np.median(years))
    return Trend(Estimate(slope, float(slopes[low]), float(slopes[high]), level), intercept)


def _slopes(years: NDArray[np.float64], values: NDArray[np.float64]) -> NDArray[np.float64]:
    """Slopes between all pairs at different times, ascending."""
    order = np.argsort(years, kind="stable")
    years, values = years[order], values[order]
    first, second = np.triu_indices(len(years), 1)
    apart = years[second] - years[first]
    differ = apart > 0
    return np.sort((values[second] - values[first])[differ] / apart[differ])


def _kendall_variance(years: NDArray[np.float64], values: NDArray[np.float64]) -> float:
    """Variance of Kendall's statistic where neither goes with the other, less what ties take of it."""

    def term(count: NDArray[np.int64] | int) -> float:
        counts = np.asarray(count, float)
        return float((counts * (counts - 1) * (2 * counts + 5)).sum())

    ties = sum(term(np.unique(column, return_counts=True)[1]) for column in (years, values))
    return max(term(len(years)) - ties, 0.0) / 18
