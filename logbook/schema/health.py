"""The health answer: one dataclass per part of the report, the same for page, terminal and JSON.

Keys follow the health report contract, version 1: they are stable, more may be added.
Times are int64 UTC milliseconds here and ISO 8601 with Z in JSON; current is positive into the pack.
"""

from __future__ import annotations

from dataclasses import dataclass, field, fields, is_dataclass
from datetime import date
from typing import TYPE_CHECKING, Any

from logbook.units import iso_from_ms

if TYPE_CHECKING:
    from logbook.schema.estimate import Estimate

SCHEMA_VERSION = 1


@dataclass(frozen=True)
class PackSummary:
    """Which pack the answer is about."""

    name: str
    chemistry: str
    cells_in_series: int
    rated_ah: float


@dataclass(frozen=True)
class ReadingsSummary:
    """How much was logged; a gap is neither use nor idleness."""

    count: int
    first_ms: int | None
    last_ms: int | None
    logged_hours: float
    unlogged_hours: float
    interval_s: float | None = None


@dataclass(frozen=True)
class Basis:
    """What an answer rests on."""

    seen_share: float
    """Part of the time from the first to the last reading that it saw, 0 to 1."""
    interval_s: float | None
    """Typical time between the readings it used."""
    note: str | None = None
    """What readings so far apart cannot show."""


@dataclass(frozen=True)
class CapacityObservation:
    """One measurement the capacity rests on."""

    start_ms: int
    end_ms: int
    ah: float
    low: float
    high: float
    method: str
    temperature_c: float | None
    used: bool
    note: str | None


@dataclass(frozen=True)
class Capacity:
    """Usable Ah from full to the cut-off at 25 °C and 0.2 C, as of the last reading."""

    ah: Estimate | None
    state_of_health: Estimate | None
    verdict: str
    reason: str | None
    observations: tuple[CapacityObservation, ...] = ()
    at_least_ah: float | None = None
    """What it still delivers at the least, by what went out after one full charge and what may be gone since."""
    other_pack_since_ms: int | None = None
    """From when on the log is of another pack, or of one whose cells were out of step before; None where it is of one."""
    basis: Basis | None = None


@dataclass(frozen=True)
class DateRange:
    """A date with the range it may lie in; None where it lies beyond what can be said."""

    value: date | None
    low: date | None
    high: date | None


@dataclass(frozen=True)
class SuddenLoss:
    """A step down in capacity."""

    time_ms: int
    ah_lost: Estimate | None


@dataclass(frozen=True)
class Fade:
    """How capacity goes down over time; a positive rate is a loss."""

    percent_of_rated_per_year: Estimate | None
    end_of_life_date: DateRange | None
    sudden_losses: tuple[SuddenLoss, ...]
    reason: str | None


@dataclass(frozen=True)
class DepthBin:
    """Rainflow cycles whose depth lies in [low, high)."""

    depth_low_percent: float
    depth_high_percent: float
    count: float


@dataclass(frozen=True)
class Cycles:
    """How hard the pack was used in the logged time."""

    equivalent_full_cycles: float
    charge_ah: float
    discharge_ah: float
    charge_wh: float
    discharge_wh: float
    depth_histogram: tuple[DepthBin, ...]
    reason: str | None = None
    hot_hours: float = 0.0
    """Logged time above the pack's warm limit."""
    full_and_warm_hours: float = 0.0
    """Logged time at a full pack's voltage above 30 °C, which ages it faster than use does."""
    nearly_empty_hours: float = 0.0
    """Logged time below 3.0 V a cell."""
    basis: Basis | None = None


@dataclass(frozen=True)
class ColdChargeEvent:
    """Charge that went in below the pack's limit; start and end are readings."""

    start_ms: int
    end_ms: int
    duration_s: float
    charge_ah: float
    min_temperature_c: float
    max_current_a: float
    severity: str
    """`slight`, `marked` or `severe`, by temperature band and C-rate."""


@dataclass(frozen=True)
class ColdBand:
    """Charge that went in between two temperatures; None where the band has no end."""

    low_c: float | None
    high_c: float | None
    charge_ah: float


@dataclass(frozen=True)
class ColdCharging:
    """Was it charged while freezing, and how badly."""

    limit_c: float
    total_charge_ah: float
    events: tuple[ColdChargeEvent, ...]
    reason: str | None = None
    """Says so where there is no evidence either way."""
    bands: tuple[ColdBand, ...] = ()
    """All charge below 5 °C by temperature band; below the limit they add up to the events."""
    heater_ah: float = 0.0
    """What went into the pack's own heater instead of its cells, which is no charging."""
    heater_times: int = 0
    perhaps_heater_ah: float = 0.0
    """Part of the events that a pack with a heater of its own would explain; its owner must say so (`heater_current_a`)."""
    perhaps_frozen_ah: Estimate | None = None
    """Charge above the limit by a thermometer which the cells follow by hours (`thermometer_lag_h`); beside the events."""
    basis: Basis | None = None


@dataclass(frozen=True)
class Idle:
    """What goes while parked."""

    self_discharge_percent_per_month: Estimate | None
    standby_current_a: Estimate | None
    reason: str | None
    days_full_to_fifth: Estimate | None = None
    """Days a parked, full pack takes down to 20 %, from both together."""
    basis: Basis | None = None


@dataclass(frozen=True)
class Resistance:
    """Ohmic resistance of the pack, referred to 25 °C."""

    milliohm_25c: Estimate | None
    percent_per_year: Estimate | None
    reason: str | None


@dataclass(frozen=True)
class FalseFull:
    """The reported state of charge jumped to 100 % although the pack was not full."""

    time_ms: int
    from_percent: float
    voltage_v: float


@dataclass(frozen=True)
class ZeroChange:
    """From then on the current reads so much more than before."""

    time_ms: int
    by_a: float


@dataclass(frozen=True)
class Monitor:
    """Whether the monitor itself can be believed."""

    current_offset_a: Estimate | None
    soc_error_percent: Estimate | None
    soc_assumes_rated_capacity: bool | None
    reason: str | None
    false_fulls: tuple[FalseFull, ...] = ()
    """Times the monitor jumped to 100 % although the pack was not full."""
    zero_changes: tuple[ZeroChange, ...] = ()
    """When the sensor's zero changed at once, as a monitor set anew or replaced makes it."""
    dead_band_a: float | None = None
    """Below this the sensor shows exactly nothing; None where it hardly ever does."""
    past_sensor_a: float | None = None
    """What flows out of the pack past the sensor on the average, in where negative; None where nothing seems to."""


@dataclass(frozen=True)
class Sight:
    """A reading shortly before the protection board acted."""

    time_ms: int
    voltage_v: float | None
    current_a: float | None
    temperature_c: float | None
    soc_percent: float | None
    lowest_cell_v: float | None


@dataclass(frozen=True)
class ProtectionEvent:
    """The protection board opened, or blocked a charge."""

    start_ms: int
    end_ms: int | None
    kind: str
    """`under_voltage`, `over_current`, `asleep`, `charge_blocked_cold` or `unknown`."""
    before: tuple[Sight, ...] = ()
    """The last minutes before it, and the first reading of it."""
    source: str = "readings"
    """What tells of it and its cause: `readings`, the monitor's `status_word`, or `both`."""
    cause: str | None = None
    """What the status word names: of `schema.status.CAUSES`."""


@dataclass(frozen=True)
class Protection:
    """All openings of the protection board."""

    events: tuple[ProtectionEvent, ...]
    reason: str | None = None
    """What the monitor's status words said that the readings speak against."""


@dataclass(frozen=True)
class Cells:
    """Whether a cell is out of step or weak, by the cell voltages at both ends."""

    spread_full_v: Estimate | None
    """Highest less lowest cell at full, V: median of the latest days with their spread."""
    first_full_cell: int | None
    """The cell that reaches full first, where it is mostly the same; counted from 1."""
    days_full: int
    spread_empty_v: Estimate | None
    first_empty_cell: int | None
    days_empty: int
    reason: str | None


UNSEEN_CELLS = Cells(None, None, 0, None, None, 0, "Cell voltages are not in the log.")


@dataclass(frozen=True)
class Flag:
    """Something the owner should look at."""

    code: str
    severity: str
    """`info`, `look` or `act`."""
    message: str
    start_ms: int | None
    end_ms: int | None
    advice: str
    acknowledged: bool = False


@dataclass(frozen=True)
class Health:
    """The whole answer for one pack."""

    pack: PackSummary
    readings: ReadingsSummary
    capacity: Capacity
    fade: Fade
    cycles: Cycles
    cold_charging: ColdCharging
    idle: Idle
    resistance: Resistance
    monitor: Monitor
    protection: Protection
    cells: Cells = UNSEEN_CELLS
    flags: tuple[Flag, ...] = field(default=())

    def as_json(self) -> dict[str, Any]:
        """The contract's document: times as ISO 8601 under names without `_ms`."""
        return {"schema_version": SCHEMA_VERSION, **_document(self)}


def _document(value: Any) -> Any:
    if is_dataclass(value) and not isinstance(value, type):
        pairs = {}
        for entry in fields(value):
            item = getattr(value, entry.name)
            if entry.name.endswith("_ms"):
                pairs[entry.name.removesuffix("_ms")] = None if item is None else iso_from_ms(item)
            else:
                pairs[entry.name] = _document(item)
        return pairs
    if isinstance(value, (list, tuple)):
        return [_document(item) for item in value]
    if isinstance(value, date):
        return value.isoformat()
    return value
