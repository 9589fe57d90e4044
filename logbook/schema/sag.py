"""Sag: what a load would do to the pack's voltage, foretold."""

from __future__ import annotations

from dataclasses import dataclass
from typing import TYPE_CHECKING

if TYPE_CHECKING:
    from logbook.schema.estimate import Estimate


@dataclass(frozen=True)
class Load:
    """A load and the state of the pack under it."""

    watts: float
    """What the appliance takes; with `efficiency` below 1 on the far side of an inverter."""
    soc_percent: float
    temperature_c: float
    efficiency: float = 0.88
    """Of the inverter; 1 for a load on the pack's own voltage."""
    stops_below_v: float | None = None
    """Where the inverter gives up; None for 2.625 V a cell, 10.5 V with four (common practice, no source)."""


@dataclass(frozen=True)
class Sag:
    """Voltage at the pack's terminals under a load; cables and connections take their share besides."""

    load: Load
    resting_v: Estimate | None
    at_once_v: Estimate | None
    after_minutes_v: Estimate | None
    current_a: Estimate | None
    """Through the pack, as a positive number."""
    stops_below_v: float
    verdict: str
    """`carries`, `may_stop`, `stops` or `undetermined`."""
    reason: str | None
    cautions: tuple[str, ...] = ()
