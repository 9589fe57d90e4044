"""Scale: the unit of a column, from what the file says and from what a battery can show."""

from __future__ import annotations

from dataclasses import dataclass
from typing import TYPE_CHECKING

import numpy as np

from logbook.ingest.question import Question, settle
from logbook.ingest.unit import Unit, unit_exact
from logbook.units import fahrenheit_from_celsius

if TYPE_CHECKING:
    from numpy.typing import NDArray

    from logbook.ingest.ledger import Ledger
    from logbook.ingest.question import Ask

CELL_LOWEST_V, CELL_HIGHEST_V = 1.5, 4.5
"""A pack's usual voltage a cell lies between these, whatever its chemistry."""
PACK_LOWEST_V, PACK_HIGHEST_V = 2.0, 64.0
USUAL_PACKS_V = ((10.0, 15.5), (20.0, 31.0), (40.0, 62.0), (2.0, 4.4))
"""12, 24 and 48 V packs, and single cells."""
HOT_C, FROST_C = 75.0, -45.0
"""Cells hotter or colder than this are not in use."""
CURRENT_C_RATE = 20.0
"""No house battery gives twenty times its rating."""
CURRENT_HIGHEST_A = 1000.0


@dataclass(frozen=True)
class Scale:
    """A unit with the strength and evidence of its choice."""

    unit: Unit
    strength: str
    evidence: str


@dataclass(frozen=True)
class Known:
    """What is known of the pack and who to ask."""

    cells_in_series: int | None
    rated_ah: float | None
    where: str


def scale_of(
    target: str, values: NDArray[np.float64], said: Unit | None, known: Known, ask: Ask | None, ledger: Ledger
) -> Scale:
    """Unit of a column taken as `target`."""
    if target == "voltage_v":
        return voltage_scale(values, said, known)
    if target.endswith("current_a"):
        return current_scale(values, said, known)
    if target == "temperature_c":
        return temperature_scale(values, said, known, ask, ledger)
    if target == "soc_percent":
        return soc_scale(values, said)
    if target.startswith("cell_"):
        return voltage_scale(values, said, Known(1, None, known.where))
    default = "Ah" if target.endswith("_ah") else "W"
    return Scale(said or unit_exact(default), "given" if said else "fair", "it is the usual unit")


def voltage_scale(values: NDArray[np.float64], said: Unit | None, known: Known) -> Scale:
    """Unit of a voltage column; the file's word is believed unless no battery can show it."""
    typical = _typical(values)
    fits = [
        name
        for name in ("V", "mV", "cV", "dV")
        if pack_can_show(typical * unit_exact(name).factor, known.cells_in_series)
    ]
    if said and (said.name in fits or not fits or typical == 0):
        return Scale(said, "given", "the file says so")
    if not fits:
        return Scale(said or unit_exact("V"), "fair", f"its usual value is {typical:g}")
    usual = [name for name in fits if _is_usual(typical * unit_exact(name).factor, known.cells_in_series)]
    chosen = (usual or fits)[0]
    strength = "strong" if len(usual or fits) == 1 else "fair"
    doubt = f', though the file says "{said.name}"' if said else ""
    return Scale(unit_exact(chosen), strength, f"its usual value is {typical:g}{doubt}")


def pack_can_show(voltage_v: float, cells: int | None) -> bool:
    """Whether that can be the usual voltage of the pack."""
    if cells:
        return CELL_LOWEST_V * cells <= voltage_v <= CELL_HIGHEST_V * cells
    return PACK_LOWEST_V <= voltage_v <= PACK_HIGHEST_V


def _is_usual(voltage_v: float, cells: int | None) -> bool:
    return bool(cells) or any(low <= voltage_v <= high for low, high in USUAL_PACKS_V)


def _typical(values: NDArray[np.float64]) -> float:
    held = values[np.isfinite(values) & (values > 0)]
    return float(np.median(held)) if len(held) else 0.0


def current_scale(values: NDArray[np.float64], said: Unit | None, known: Known) -> Scale:
    """Unit of a current column from the size of its values, where the file does not say."""
    if said:
        return Scale(said, "given", "the file says so")
    largest = float(np.nanpercentile(np.abs(values), 99.9)) if np.isfinite(values).any() else 0.0
    limit = CURRENT_C_RATE * known.rated_ah if known.rated_ah else CURRENT_HIGHEST_A
    whole = bool((np.mod(values[np.isfinite(values)], 1) == 0).all())
    if largest > limit and whole:
        name = "mA" if largest / 10 > limit / 10 or largest > 2000 else "cA"
        return Scale(unit_exact(name), "strong", f"whole numbers up to {largest:g} are no amperes of this pack")
    return Scale(unit_exact("A"), "fair" if whole and largest > 100 else "strong", f"values reach {largest:g}")


def soc_scale(values: NDArray[np.float64], said: Unit | None) -> Scale:
    """Unit of a state of charge: 0 to 1, 0 to 100 or 0 to 1000."""
    held = values[np.isfinite(values) & (values >= 0)]
    highest = float(np.percentile(held, 99)) if len(held) else 0.0
    if highest <= 1.0 and len(held) and (np.mod(held, 1) > 0).any():
        return Scale(unit_exact("1"), "strong", "its values lie between 0 and 1")
    if 110 < highest <= 1000 and not (said and said.name == "‰"):
        return Scale(unit_exact("‰"), "strong", f"its values reach {highest:g}")
    return Scale(
        said or unit_exact("%"),
        "given" if said else "strong",
        "the file says so" if said else f"its values reach {highest:g}",
    )


def temperature_scale(
    values: NDArray[np.float64], said: Unit | None, known: Known, ask: Ask | None, ledger: Ledger
) -> Scale:
    """Unit of a temperature: °C, °F, K or tenths, from the middle of its values."""
    held = values[np.isfinite(values) & (np.abs(values) < 6000)]
    if said and said.name not in {"°C"}:
        return Scale(said, "given", "the file says so")
    low, middle, high = np.percentile(held, [1, 50, 99]).tolist() if len(held) else (20.0, 20.0, 20.0)
    if said and FROST_C <= middle <= HOT_C:
        return Scale(said, "given", "the file says so")
    shown = f"the middle of its values is {middle:g}"
    if 230 <= middle <= 345:
        return _kelvin_or_tenths(middle, held, shown)
    if 2300 <= middle <= 3450:
        return Scale(unit_exact("dK"), "strong", shown)
    if middle > 120:
        return Scale(unit_exact("d°C"), "fair", shown)
    if middle > 60:
        return Scale(unit_exact("°F"), "strong", f"{shown}, too hot for °C")
    if said or low < 0:
        return Scale(said or unit_exact("°C"), "fair", shown)
    if middle < 32 and high < 50:
        return Scale(
            unit_exact("°C"),
            "strong" if low < 15 else "fair",
            f"{shown}; in °F it would be below freezing all the time",
        )
    answer = settle(
        Question(
            "temperature_unit",
            "Is its temperature in °C or °F?",
            ("°C", "°F"),
            f"Its values run from {low:g} to {high:g}: {low:g} °C is {fahrenheit_from_celsius(low):.0f} °F, and both happen.",
            '--mapping FILE  with  unit = "°C"  (or "°F") under [columns.temperature_c]',
        ),
        ask,
        known.where,
    )
    ledger.infer("temperature unit", answer, "given", "as you said")
    return Scale(unit_exact(answer), "given", "as you said")


def _kelvin_or_tenths(middle: float, held: NDArray[np.float64], shown: str) -> Scale:
    tenths = bool((np.mod(held, 1) == 0).all()) and middle < 260
    return Scale(unit_exact("d°C" if tenths else "K"), "fair" if tenths else "strong", shown)
