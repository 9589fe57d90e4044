"""Estimate: a value with its interval."""

from __future__ import annotations

import math
from dataclasses import asdict, dataclass

LEVEL = 0.9
"""Every interval of the logbook is a 90 % interval."""


@dataclass(frozen=True)
class Estimate:
    """A value with the interval that holds the truth with probability `level`."""

    value: float
    low: float
    high: float
    level: float = LEVEL

    @property
    def width(self) -> float:
        """Upper minus lower end."""
        return self.high - self.low

    @property
    def decimals(self) -> int:
        """Decimals its interval bears: half its width shows as one or two digits."""
        half = max(self.width / 2, 1e-3)
        return 0 if half >= 1 else min(3, -math.floor(math.log10(half)))

    def scaled(self, factor: float) -> Estimate:
        """The same estimate in another unit; a negative factor swaps the ends."""
        low, high = sorted((self.low * factor, self.high * factor))
        return Estimate(self.value * factor, low, high, self.level)

    def as_dict(self) -> dict[str, float]:
        """The keys of the health report's contract."""
        return asdict(self)
