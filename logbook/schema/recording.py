"""Recording: what one file brought, ready for the store."""

from __future__ import annotations

from dataclasses import dataclass, field, replace
from typing import TYPE_CHECKING

if TYPE_CHECKING:
    import numpy as np
    from numpy.typing import NDArray

    from logbook.schema.reading import Readings
    from logbook.schema.receipt import Receipt, SetAside

COUNTERS = ("consumed_ah", "remaining_ah", "charged_ah", "discharged_ah")
"""Ah counters a monitor may export, beside the readings."""


@dataclass(frozen=True, eq=False)
class Recording:
    """Readings of one file with what else it held; side columns have one row a reading."""

    readings: Readings
    receipt: Receipt
    """The draft: everything but what the store alone can know (stored, already known, id)."""
    set_aside: tuple[SetAside, ...] = ()
    """Every row set aside, not only the first."""
    cells_v: NDArray[np.float64] | None = None
    """Cell voltages, [n, cells], NaN where missing."""
    counters: dict[str, NDArray[np.float64]] = field(default_factory=dict)
    """Name of COUNTERS to [n]."""
    status: NDArray[np.object_] | None = None
    """Status words of the monitor, [n], None where missing."""
    lines: NDArray[np.int64] | None = None
    """Line of each reading in the file (1-based), [n]."""
    replaces: NDArray[np.int64] | None = None
    """Times of stored readings, ascending, that these hold in finer steps; they leave the record while these are in it."""

    def taken(self, which: NDArray[np.bool_] | slice) -> Recording:
        """Some of the readings, with what belongs to them; the receipt stays as it is."""
        return replace(
            self,
            readings=self.readings.taken(which),
            cells_v=None if self.cells_v is None else self.cells_v[which],
            counters={name: values[which] for name, values in self.counters.items()},
            status=None if self.status is None else self.status[which],
            lines=None if self.lines is None else self.lines[which],
        )
