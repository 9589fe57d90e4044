"""Recording: what one file brought, ready for the store."""

from __future__ import annotations

from dataclasses import dataclass, field
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
