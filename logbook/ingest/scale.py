"""Scale: the unit of a column, from what the file says and from what a battery can show."""

from __future__ import annotations

from dataclasses import dataclass
from typing import TYPE_CHECKING

import numpy as np

from logbook.ingest.run import nearly_all, thinned, typical_range
from logbook.ingest.thermometer import thermometer_scale
from logbook.ingest.unit import Unit, unit_exact
from logbook.ingest.use import Scale

if TYPE_CHECKING:
    from numpy.typing import NDArray

    from logbook.ingest.ledger import Ledger
    from logbook.ingest.question import Ask

CELL_LOWEST_V, CELL_HIGHEST_V = 1.5, 4.5
"""A pack's usual voltage a cell lies between these, whatever its chemistry."""
PACK_LOWEST_V, PACK_HIGHEST_V = 2.0, 64.0
USUAL_PACKS_V = ((10.0, 15.5), (20.0, 31.0), (40.0, 62.0), (2.0, 4.4))
"""12, 24 and 48 V packs, and single cells."""
CURRENT_C_RATE = 4.0
"""No house battery gives four times its rating in more than a few readings."""
CURRENT_HIGHEST_A = 1000.0
HIGHEST_SOC = 110.0
MANY, MANY_AGAINST = 0.05, 0.2
"""Share of percentages above what they can be that shows thousandths; more of it against the file's word. Fewer are codes."""
FEW_FRACTIONS = 3
"""So many fractions may as well be the percentages of an empty pack (ours)."""
LEAST_CURRENTS = 20
"""Fewer values speak against no word of the file."""


@dataclass(frozen=True)
class Known:
    """What is known of the pack and who to ask."""

    cells_in_series: int | None
    rated_ah: float | None
    where: str
    device: str | None = None
    charging: str | None = None


def scale_of(
    target: str, values: NDArray[np.float64], said: Unit | None, known: Known, ask: Ask | None, ledger: Ledger
) -> Scale:
    """Unit of a column taken as `target`: as the file says, as last time, or by what its values can be."""
    scale = _scale_of(target, values, said, known, ask, ledger)
    unit = ledger.memory.units.get(target) if ledger.memory and not said else None
    if unit is None or unit == scale.unit.name or target == "temperature_c":
        return scale
    if _can_be(target, values, unit_exact(unit), known) and ledger.memory:
        return Scale(unit_exact(unit), "fair", f"it was so {ledger.memory.said.removeprefix('as ')}")
    ledger.infer(
        f"unit of {target}",
        scale.unit.name,
        "strong",
        f"{scale.evidence}; in {unit}, as last time, no such pack shows it",
    )
    ledger.warn(
        f"The column of {target} was in {unit} in the last file with this header; its values now are {scale.unit.name}: "
        f"{scale.evidence}."
    )
    return scale


def _can_be(target: str, values: NDArray[np.float64], unit: Unit, known: Known) -> bool:
    """Whether values in that unit are any that such a pack shows."""
    if target == "voltage_v" or target.startswith("cell_"):
        cells = known.cells_in_series if target == "voltage_v" else 1
        return pack_can_show(_typical(values) * unit.factor, cells)
    highest = float(np.nan_to_num(typical_range(np.abs(values))[1])) * unit.factor
    if target.endswith("current_a"):
        return highest <= (CURRENT_C_RATE * known.rated_ah if known.rated_ah else CURRENT_HIGHEST_A)
    return highest <= HIGHEST_SOC if target == "soc_percent" else True


def _scale_of(
    target: str, values: NDArray[np.float64], said: Unit | None, known: Known, ask: Ask | None, ledger: Ledger
) -> Scale:
    if target == "voltage_v":
        return voltage_scale(values, said, known)
    if target.endswith("current_a"):
        return current_scale(values, said, known)
    if target == "temperature_c":
        return thermometer_scale(values, said, known.where, ask, ledger)
    if target == "soc_percent":
        scale = soc_scale(values, said)
        _warn_of_a_flat_fraction(values, said, scale, ledger)
        return scale
    if target.startswith("cell_"):
        return voltage_scale(values, said, Known(1, None, known.where))
    default = "Ah" if target.endswith("_ah") else "W"
    return Scale(said or unit_exact(default), "given" if said else "fair", "it is the usual unit")


def _warn_of_a_flat_fraction(values: NDArray[np.float64], said: Unit | None, scale: Scale, ledger: Ledger) -> None:
    """Say so where a column of percent was read as fractions though it hardly moves, as that of an empty pack does."""
    if not said or said.name != "%" or scale.unit.name == said.name:
        return
    held = np.unique(values[np.isfinite(values)])
    if scale.unit.name == "1" and len(held) <= FEW_FRACTIONS:
        shown = f"{held[0]:g}" if len(held) == 1 else f"{held[0]:g} to {held[-1]:g}"
        ledger.warn(
            f"Its state of charge shows {shown} under a header that says %, and was read as a fraction of 1: "
            f"{held[-1] * scale.unit.factor:g} % at most. If it means {held[-1]:g} %, as of an empty pack, import it with  "
            '--mapping FILE  with  unit = "%"  under [columns.soc_percent]'
        )


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
    values = thinned(values)
    held = values[np.isfinite(values) & (values > 0)]
    return float(np.median(held)) if len(held) else 0.0


def current_scale(values: NDArray[np.float64], said: Unit | None, known: Known) -> Scale:
    """Unit of a current column from the size of its values, where the file does not say or only says amperes."""
    if said and said.name != "A":
        return Scale(said, "given", "the file says so")
    values = thinned(values)
    largest = float(np.nan_to_num(typical_range(np.abs(values))[1]))
    limit = CURRENT_C_RATE * known.rated_ah if known.rated_ah else CURRENT_HIGHEST_A
    whole = nearly_all(np.mod(values[np.isfinite(values)], 1) == 0)
    if largest > limit and whole and len(values) >= LEAST_CURRENTS:
        return Scale(unit_exact("mA"), "strong", f"whole numbers up to {largest:g} are no amperes of this pack")
    if said:
        return Scale(said, "given", "the file says so")
    return Scale(unit_exact("A"), "fair" if whole and largest > 100 else "strong", f"values reach {largest:g}")


def soc_scale(values: NDArray[np.float64], said: Unit | None) -> Scale:
    """Unit of a state of charge: 0 to 1, 0 to 100 or 0 to 1000."""
    values = thinned(values)
    held = values[np.isfinite(values) & (values >= 0)]
    highest = float(np.nan_to_num(typical_range(held)[1]))
    if highest <= 1.0 and len(held) and ((held > 0) & (held < 1)).any():
        return Scale(unit_exact("1"), "strong", "its values lie between 0 and 1")
    over = float((held > HIGHEST_SOC).mean()) if len(held) else 0.0
    if 110 < highest <= 1000 and not (said and said.name == "‰") and over >= (MANY_AGAINST if said else MANY):
        return Scale(unit_exact("‰"), "strong", f"its values reach {highest:g}")
    return Scale(
        said or unit_exact("%"),
        "given" if said else "strong",
        "the file says so" if said else f"its values reach {highest:g}",
    )
