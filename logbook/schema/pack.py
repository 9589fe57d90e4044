"""Pack: one physical battery with its rating and limits; every default says why it is so."""

from __future__ import annotations

from dataclasses import asdict, dataclass, field, fields
from typing import TYPE_CHECKING, Any

if TYPE_CHECKING:
    from datetime import date


@dataclass(frozen=True)
class Chemistry:
    """Per-cell voltages of a chemistry."""

    name: str
    label: str
    nominal_v: float
    full_v: float
    rest_full_v: float
    knee_v: float
    empty_v: float


CHEMISTRIES = (
    Chemistry("lfp", "LiFePO4", nominal_v=3.2, full_v=3.5, rest_full_v=3.33, knee_v=3.0, empty_v=2.5),
    Chemistry("nmc", "Li-ion NMC", nominal_v=3.65, full_v=4.15, rest_full_v=4.1, knee_v=3.3, empty_v=2.8),
    Chemistry("lto", "lithium titanate", nominal_v=2.3, full_v=2.7, rest_full_v=2.5, knee_v=2.1, empty_v=1.8),
)
"""LiFePO4: cell window 2.5 to 3.65 V by cell sheets; the others from memory, so check the pack's own sheet."""


def chemistry(name: str) -> Chemistry:
    """The chemistry of that name; a KeyError for an unknown one."""
    return {entry.name: entry for entry in CHEMISTRIES}[name]


def _limit(unit: str, reason: str) -> Any:
    return field(metadata={"unit": unit, "reason": reason})


@dataclass(frozen=True)
class Limits:
    """What the pack's own sheet allows, what counts as full and empty, and from where a flag is raised; voltages are of the whole pack."""

    charge_minimum_c: float = _limit("°C", "cell sheets forbid charging LiFePO4 below 0 °C")
    charge_maximum_c: float = _limit("°C", "cell sheets end warm charging at 45 to 60 °C; 45 is the careful end")
    full_voltage_v: float = _limit("V", "absorption less 0.2 V, 3.5 V a cell: below it a plateau looks full")
    tail_current_a: float = _limit("A", "4 % of rated Ah; cell sheets end charging at 2 to 5 %")
    full_hold_s: float = _limit("s", "tail current held 5 min, so that a passing cloud is not a full pack")
    knee_voltage_v: float = _limit("V", "3.0 V a cell at 0.2 C or less: in the bottom knee, about 3 % left")
    cutoff_voltage_v: float = _limit("V", "2.5 V a cell, where cell sheets end a discharge")
    continuous_current_a: float = _limit("A", "1 C, the usual limit of the protection board")
    peak_current_a: float = _limit("A", "2 C for some seconds, the usual trip of the protection board")
    heater_current_a: float = _limit(
        "A", "what the pack's own heater takes from the charger; 0 for a pack that has none"
    )
    thermometer_lag_h: float = _limit(
        "h",
        "cells follow the air or the terminals of their box by up to some 3 h; 0 where the thermometer sits on the cells",
    )
    flag_offset_a: float = _limit("A", "a zero this far off is 0.7 Ah a day on 100 Ah, which a monitor's manual mends")
    flag_percentage_points: float = _limit(
        "%", "the reported charge may be this far off before it misleads a day's plan"
    )
    flag_standby_a: float = _limit("A", "0.05 % of C drains a full pack to a fifth in two months")
    flag_cutoffs: float = _limit("times", "one or two cut-offs are tests; from three on it is a habit")
    flag_logged_percent: float = _limit("%", "with less than half of the time logged, pauses decide more than readings")
    flag_cell_spread_v: float = _limit("V", "cells 0.1 V apart at full are out of step; on the plateau it says nothing")

    @staticmethod
    def defaults(rated_ah: float, cells_in_series: int, chemistry_name: str = "lfp") -> Limits:
        """Limits from rating, cell count and chemistry; common practice, so the pack's own sheet wins."""
        cell = chemistry(chemistry_name)
        return Limits(
            charge_minimum_c=0.0,
            charge_maximum_c=45.0,
            full_voltage_v=round(cell.full_v * cells_in_series, 3),
            tail_current_a=round(0.04 * rated_ah, 3),
            full_hold_s=300.0,
            knee_voltage_v=round(cell.knee_v * cells_in_series, 3),
            cutoff_voltage_v=round(cell.empty_v * cells_in_series, 3),
            continuous_current_a=float(rated_ah),
            peak_current_a=2.0 * rated_ah,
            heater_current_a=0.0,
            thermometer_lag_h=3.0,
            flag_offset_a=max(0.01, round(0.0003 * rated_ah, 4)),
            flag_percentage_points=5.0,
            flag_standby_a=max(0.01, round(0.0005 * rated_ah, 4)),
            flag_cutoffs=3.0,
            flag_logged_percent=50.0,
            flag_cell_spread_v=0.1,
        )

    def as_dict(self) -> dict[str, float]:
        """Name to value."""
        return asdict(self)


LIMIT_FIELDS = tuple((entry.name, entry.metadata["unit"], entry.metadata["reason"]) for entry in fields(Limits))
"""(name, unit, reason) of each limit, for tables and help."""
LIMITS_IN_ORDER = (
    ("charge_minimum_c", "charge_maximum_c"),
    ("cutoff_voltage_v", "knee_voltage_v"),
    ("knee_voltage_v", "full_voltage_v"),
    ("continuous_current_a", "peak_current_a"),
)
"""Limits of which the first may not lie above the second."""


@dataclass(frozen=True)
class Pack:
    """One physical battery."""

    id: int
    name: str
    chemistry: str
    cells_in_series: int
    rated_ah: float
    limits: Limits
    purchased: date | None = None
    time_zone: str = "UTC"
    """The zone its owner reads clocks in, and the default zone of its files."""

    @property
    def cell(self) -> Chemistry:
        """Per-cell voltages of its chemistry."""
        return chemistry(self.chemistry)
