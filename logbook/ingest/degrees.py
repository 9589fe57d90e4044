"""Degrees: what the numbers of a thermometer say of the unit they were measured in, before they were rounded to be shown.

A whole °C shown in °F is a step of 1.8, a tenth one of 0.18: of the numbers °F could show only some ever come. The other
way about a whole °F is a step of five ninths of a °C. The definition of the degree Fahrenheit is all that is used.
"""

from __future__ import annotations

from dataclasses import dataclass
from typing import TYPE_CHECKING

import numpy as np

from logbook.ingest.run import few

if TYPE_CHECKING:
    from numpy.typing import NDArray

TENTH, MANY = 0.1, 16
UNLIKELY = 1e-6
"""Chance below which it is not by chance that so many different values are all of one kind."""


@dataclass(frozen=True)
class Made:
    """The unit a column is shown in, and what shows it."""

    unit: str
    why: str


@dataclass(frozen=True)
class Grid:
    """Values shown with a resolution that were whole steps of another unit before."""

    unit: str
    why: str
    step: float
    shown: float

    def rounded(self, values: NDArray[np.float64]) -> NDArray[np.float64]:
        """What would be shown of the nearest whole step."""
        if self.unit == "°F":
            shown = np.rint((values - 32.0) / 1.8 / self.step) * self.step * 1.8 + 32.0
        else:
            shown = (np.rint((values * 1.8 + 32.0) / self.step) * self.step - 32.0) / 1.8
        return shown

    @property
    def share(self) -> float:
        """Share of the values the resolution has that come of whole steps."""
        wide = self.step * 1.8 if self.unit == "°F" else self.step / 1.8
        return min(1.0, self.shown / wide)


GRIDS = (
    Grid("°F", "whole °C give in °F", 1.0, 0.1),
    Grid("°F", "halves of °C give in °F", 0.5, 0.1),
    Grid("°C", "whole °F give in °C", 1.0, 0.1),
    Grid("°F", "tenths of °C give in °F", TENTH, TENTH),
    Grid("°F", "whole °C give in °F", 1.0, 1.0),
)
OFF_SHARE = 0.3
"""Of values of the full tenths of °F four of nine come of no tenth of °C."""
SIXTEENTH = 0.0625
"""Step of a common digital thermometer, which counts °C."""
SIXTEENTHS_LEAST, HALVES_LEAST = 8, 3


def degrees_shown(held: NDArray[np.float64]) -> Made | None:
    """The unit of a column without one, where its numbers themselves tell it; None where they do not."""
    distinct, count = np.unique(np.round(held, 4), return_counts=True)
    if len(distinct) < 4:
        return None
    if _are_sixteenths(distinct, count):
        return Made("°C", "a thermometer of sixteenths of °C gives")
    for grid in GRIDS:
        resolved = np.abs(distinct / grid.shown - np.rint(distinct / grid.shown)) < 1e-3
        if not resolved.all() or (grid.shown < 1.0 and not _has_tenths(distinct)):
            continue
        if grid.share ** len(distinct) > UNLIKELY:
            continue
        if _all_of(distinct, count, grid.rounded(distinct), 0.5 * grid.shown + 1e-6):
            return Made(grid.unit, grid.why)
    return None


def _are_sixteenths(distinct: NDArray[np.float64], count: NDArray[np.int64]) -> bool:
    """Whether all are sixteenths, in full or to two places; enough of them such as no coarser thermometer gives."""
    odd = np.abs(distinct * 2 - np.rint(distinct * 2)) > 1e-6
    full = np.rint(distinct / SIXTEENTH) * SIXTEENTH
    if int(odd.sum()) < SIXTEENTHS_LEAST or not (np.abs(distinct * 10 - np.rint(distinct * 10)) > 1e-3).any():
        return False
    return _all_of(distinct, count, full, 5e-5) or _all_of(distinct, count, full, 5e-3 + 1e-6)


def are_halves(held: NDArray[np.float64]) -> bool:
    """Whether all are whole and half degrees, as thermometers of °C give and hardly one of °F does."""
    distinct = np.unique(held)
    halves = np.abs(distinct * 2 - np.rint(distinct * 2)) < 1e-6
    return bool(halves.all()) and int((np.abs(distinct - np.rint(distinct)) > 0.1).sum()) >= HALVES_LEAST


def not_tenths_of_celsius(held: NDArray[np.float64]) -> bool:
    """Whether many of the tenths shown are none that a tenth of °C gives in °F, as most thermometers measure."""
    distinct = np.unique(np.round(held, 4))
    tenths = distinct[np.abs(distinct * 10 - np.rint(distinct * 10)) < 1e-3]
    if len(tenths) < MANY or not _has_tenths(tenths):
        return False
    grid = next(grid for grid in GRIDS if grid.step == grid.shown == TENTH)
    return bool((np.abs(grid.rounded(tenths) - tenths) > TENTH / 2 + 1e-6).mean() >= OFF_SHARE)


def _has_tenths(distinct: NDArray[np.float64]) -> bool:
    return bool((np.abs(distinct - np.rint(distinct)) > 1e-3).any())


def _all_of(
    distinct: NDArray[np.float64], count: NDArray[np.int64], expected: NDArray[np.float64], within: float
) -> bool:
    """Whether all values but a few stray readings are as expected."""
    off = np.abs(distinct - expected) > within
    return int(count[off].sum()) <= few(int(count.sum())) and int(off.sum()) * 10 <= len(distinct)
