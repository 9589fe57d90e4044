"""Thermometer: the unit of a temperature column; values that wrapped below freezing do not speak."""

from __future__ import annotations

from dataclasses import replace
from typing import TYPE_CHECKING

import numpy as np

from logbook.ingest.degrees import are_halves, degrees_shown, not_tenths_of_celsius
from logbook.ingest.question import Question, settle
from logbook.ingest.run import few, nearly_all, thinned, typical_range
from logbook.ingest.temperature import CODINGS
from logbook.ingest.unit import Unit, unit_exact
from logbook.ingest.use import Scale
from logbook.units import celsius_from_fahrenheit, fahrenheit_from_celsius

if TYPE_CHECKING:
    from numpy.typing import NDArray

    from logbook.ingest.ledger import Ledger
    from logbook.ingest.locale import Locale
    from logbook.ingest.question import Ask

HOT_C = 60.0
"""The middle of a log is never hotter."""
NEAR_FREEZING = 5.0
KELVIN = (230.0, 345.0)
FROST_K = 260.0
"""-13 °C in K, colder than which hardly a pack is for half of a log; 26 °C in tenths of °C (ours)."""
BYTE_BELOW = (226.0, 255.0)
"""A byte without its sign shows -30 to -1 °C so; tenths of a degree show 22.6 to 25.5 °C so."""
MOSTLY, NEARLY_ALL = 0.9, 0.95
FREEZING_F, MILD_F = 32.0, 50.0
COLDEST_F, USUAL_FROST_F = -31.0, 14.0
"""-35 °C, as cold as monitors go; -10 °C, colder than which hardly a pack is for half of a log (ours)."""
EVEN_F, EVEN_DAYS, STILL_F = 4.0, 2.0, 1.0
"""An unheated pack in frost moves by more than 2 °C in days, and by more than half a degree in less (ours)."""
INDOORS_C = 10.0
"""A pack moves no further in a warm room; of one outside in frost it is little (ours)."""


def thermometer_scale(
    values: NDArray[np.float64], said: Unit | None, where: str, ask: Ask | None, ledger: Ledger
) -> Scale:
    """Unit of a temperature: as stated, as last time, else by the middle of its values; asked where these disagree."""
    scale = _by_values(values, said, where, ask, ledger)
    last = ledger.memory.units.get("temperature_c") if ledger.memory and not said else None
    if last is None or last == scale.unit.name or not ledger.memory:
        return scale
    if scale.strength != "strong":
        return Scale(unit_exact(last), "given", ledger.memory.said)
    shown = f"{scale.evidence[0].upper()}{scale.evidence[1:]}; in the last file with this header it was in {last}."
    return _settled((scale.unit.name, last), shown, where, ask, ledger)


def _by_values(  # noqa: C901, PLR0911 - one rule a line, the first that fits speaks
    values: NDArray[np.float64], said: Unit | None, where: str, ask: Ask | None, ledger: Ledger
) -> Scale:
    """Unit of a temperature: as stated, else by the middle of its values, else asked."""
    if said and said.name != "°C":
        return Scale(said, "given", "the file says so")
    values = thinned(values)
    held = _unwrapped(values[np.isfinite(values)])
    middle = float(np.median(held)) if len(held) else 20.0
    low, high = typical_range(held) if len(held) else (middle, middle)
    whole = nearly_all(np.mod(held, 1) == 0)
    if said and (middle <= HOT_C or not len(held)):
        return Scale(said, "given", "the file says so")
    byte = held[(held >= BYTE_BELOW[0]) & (held <= BYTE_BELOW[1])]
    if len(byte) >= MOSTLY * len(held) and len(byte) and nearly_all(np.mod(byte, 1) == 0):  # the others are codes
        low, high = typical_range(byte)
        cold = f"as °C that lost their sign in a byte they would be {low - 256:g} to {high - 256:g} °C"
        return _asked(("°C", "d°C"), f"Its whole numbers run from {low:g} to {high:g}; {cold}.", where, ask, ledger)
    shown = f"the middle of its values is {middle:g}"
    if KELVIN[0] <= middle <= KELVIN[1] and not (
        said and whole
    ):  # tenths of °C are whole numbers, whatever the header says
        if not whole:
            doubt = ", though the file says °C" if said else ""
            return Scale(unit_exact("K"), "strong", f"{shown}{doubt}")
        if middle < FROST_K:
            return Scale(unit_exact("d°C"), "fair", shown)
        return _asked(("K", "d°C"), f"Its whole numbers run from {low:g} to {high:g}.", where, ask, ledger)
    if 10 * KELVIN[0] <= middle <= 10 * KELVIN[1]:
        return Scale(unit_exact("dK"), "strong", shown)
    if middle > 120:
        return Scale(unit_exact("d°C"), "fair", shown)
    if middle > HOT_C and (said or not whole):
        return Scale(unit_exact("°F"), "strong", f"{shown}, too hot for °C")
    if middle > HOT_C:
        return _asked(("°F", "d°C"), f"Its whole numbers run from {low:g} to {high:g}.", where, ask, ledger)
    shape = f"its values from {low:g} to {high:g}"
    if not said and (made := degrees_shown(held)):
        return Scale(unit_exact(made.unit), "strong", f"{shape} are all such as {made.why}")
    if not _may_be_fahrenheit(held, ledger.locale):
        strength = "strong" if low < 0 and (ledger.locale.celsius or not ledger.locale.winter) else "fair"
        _tell_of_frost(held, low, high, ledger)
        return Scale(unit_exact("°C"), strength, f"{shown}; in °F it would be frost all the time")
    frost = f"{low:g} °C would be {fahrenheit_from_celsius(low):.0f} °F, and both happen"
    return _asked(("°C", "°F"), f"Its values run from {low:g} to {high:g}; {frost}.", where, ask, ledger)


def _tell_of_frost(held: NDArray[np.float64], low: float, high: float, ledger: Ledger) -> None:
    """Only its place, or how cold it would be, speaks for °C: said, as frost would be missed, but not asked of all."""
    there = ledger.locale
    coldest = USUAL_FROST_F if there.celsius else COLDEST_F
    if low < 0 or not _may_be_fahrenheit(held, replace(there, celsius=False), coldest):
        return
    if ledger.memory and "temperature_c" in ledger.memory.units:
        return
    frost = f"{celsius_from_fahrenheit(low):.0f} to {celsius_from_fahrenheit(high):.0f} °C"
    ledger.warn(
        f"Its temperatures, from {low:g} to {high:g}, have no unit and were read as °C, which is likelier. If the "
        f'monitor counts °F they were {frost}: import it with  --mapping FILE  with  unit = "°F"  under [columns.temperature_c]'
    )


def _may_be_fahrenheit(held: NDArray[np.float64], locale: Locale, usual_frost_f: float = USUAL_FROST_F) -> bool:
    """Whether values that may be °C may as well be °F: of a frost that is possible there and then."""
    if not len(held):
        return False
    middle, (low, high) = float(np.median(held)), typical_range(held)
    if locale.american:
        return low >= COLDEST_F
    if middle >= FREEZING_F or high >= MILD_F:
        return low >= 0
    if locale.celsius or not locale.winter or middle < usual_frost_f:
        return False
    # a pack that freezes for days is not kept even, as one in a room is
    even = high - low < (EVEN_F if locale.days >= EVEN_DAYS else STILL_F)
    fine = high - low < INDOORS_C and not_tenths_of_celsius(held)
    return not (even or fine or are_halves(held))


def _unwrapped(held: NDArray[np.float64]) -> NDArray[np.float64]:
    """Values that can't have lost their sign, where the others begin near freezing; else all of them."""
    wrapped = np.abs(held) > 4000
    for coding in CODINGS:
        wrapped |= (held >= coding.low) & (held <= coding.high)
    rest = held[~wrapped]
    low, high = typical_range(rest)
    # codes of a sensor that was away are few, but not so few as stray cells
    high = min(high, float(np.quantile(rest, NEARLY_ALL))) if len(rest) else high
    near = low <= NEAR_FREEZING and high <= 2 * HOT_C
    rest = rest if near or len(rest) > len(held) / 2 else held[np.abs(held) <= 4000]
    least = few(len(held)) if near else len(held) // 10  # fewer are codes of a sensor that was away
    return rest if len(rest) > least else rest[:0]


def _asked(choices: tuple[str, str], evidence: str, where: str, ask: Ask | None, ledger: Ledger) -> Scale:
    last = ledger.memory.units.get("temperature_c") if ledger.memory else None
    if last in choices and last is not None and ledger.memory:
        ledger.infer("temperature unit", last, "given", ledger.memory.said)
        return Scale(unit_exact(last), "given", ledger.memory.said)
    return _settled(choices, evidence, where, ask, ledger)


def _settled(choices: tuple[str, str], evidence: str, where: str, ask: Ask | None, ledger: Ledger) -> Scale:
    first, second = choices
    question = Question(
        "temperature_unit",
        f"Is its temperature in {first} or {second}?",
        choices,
        evidence,
        f'--mapping FILE  with  unit = "{first}"  (or "{second}") under [columns.temperature_c]',
    )
    answer = settle(question, ask, where)
    ledger.infer("temperature unit", answer, "given", "as you said")
    return Scale(unit_exact(answer), "given", "as you said")
