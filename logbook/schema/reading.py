"""Readings: timed samples of one pack, and the quantities they may carry."""

from __future__ import annotations

from dataclasses import dataclass, fields
from typing import TYPE_CHECKING, Any

import numpy as np

if TYPE_CHECKING:
    from numpy.typing import NDArray


@dataclass(frozen=True)
class Quantity:
    """One canonical column: its name, unit, meaning and the range a 12 to 48 V pack can show."""

    name: str
    unit: str
    meaning: str
    lowest: float
    highest: float


QUANTITIES = (
    Quantity("voltage_v", "V", "voltage at the pack's terminals", -0.5, 100.0),
    Quantity("current_a", "A", "current through the sensor, positive into the pack", -3000.0, 3000.0),
    Quantity("temperature_c", "°C", "temperature of the cells, or the nearest to it that is measured", -60.0, 120.0),
    Quantity("soc_percent", "%", "state of charge as the monitor reports it", -1.0, 110.0),
)
"""What a reading may carry besides its time; README's table of columns is made from it."""

QUANTITY_NAMES = tuple(quantity.name for quantity in QUANTITIES)


@dataclass(frozen=True, eq=False)
class Readings:
    """Samples in ascending time, one each time; NaN where a quantity was not measured.

    ts_ms is int64 [n], UTC milliseconds since 1970; the others are float64 [n].
    """

    ts_ms: NDArray[np.int64]
    voltage_v: NDArray[np.float64]
    current_a: NDArray[np.float64]
    temperature_c: NDArray[np.float64]
    soc_percent: NDArray[np.float64]
    counted_ah: NDArray[np.float64] | None = None
    """The monitor's own count of charge, positive into the pack, from a zero of its own; None where it exports none."""
    cells_v: NDArray[np.float64] | None = None
    """Voltage of each cell, V [n, cells]; None where the monitor exports none."""
    status_kind: NDArray[Any] | None = None
    """What the monitor's status word said, int8 codes of `schema.status` [n]; None where it exports none."""

    def __len__(self) -> int:
        return len(self.ts_ms)

    def between(self, start_ms: int, end_ms: int) -> Readings:
        """The samples with start_ms <= time < end_ms, without copying."""
        first, last = np.searchsorted(self.ts_ms, [start_ms, end_ms])
        return self.taken(slice(first, last))

    def taken(self, which: NDArray[Any] | slice) -> Readings:
        """Some of the samples, by mask, index or slice."""
        return Readings(**{name: column[which] for name, column in self.columns().items()})

    def columns(self) -> dict[str, NDArray[Any]]:
        """Name to array of what there is."""
        there = {entry.name: getattr(self, entry.name) for entry in fields(self)}
        return {name: column for name, column in there.items() if column is not None}

    @staticmethod
    def empty() -> Readings:
        """No samples."""
        nothing = np.empty(0)
        return Readings(np.empty(0, np.int64), nothing, nothing, nothing, nothing)
