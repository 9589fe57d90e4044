"""Thermometer: the unit of a temperature column; values that wrapped below freezing do not speak."""

from __future__ import annotations

from typing import TYPE_CHECKING

import numpy as np

from logbook.ingest.question import Question, settle
from logbook.ingest.run import few, nearly_all, thinned, typical_range
from logbook.ingest.temperature import CODINGS
from logbook.ingest.unit import Unit, unit_exact
from logbook.ingest.use import Scale
from logbook.units import fahrenheit_from_celsius

if TYPE_CHECKING:
    from numpy.typing import NDArray

    from logbook.ingest.ledger import Ledger
    from logbook.ingest.question import Ask

HOT_C = 60.0
"""The middle of a log is never hotter."""
NEAR_FREEZING = 5.0
KELVIN = (230.0, 345.0)
BYTE_BELOW = (236.0, 255.0)
"""A byte without its sign shows -20 to -1 °C so; tenths of a degree show 23.6 to 25.5 °C so."""
MOSTLY = 0.9
FROM_CELSIUS_LEAST = 24
"""So many different values show that °F were made of tenths of °C."""


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
    if KELVIN[0] <= middle <= KELVIN[1] and not said:
        tenths = whole and middle < 260
        return Scale(unit_exact("d°C" if tenths else "K"), "fair" if tenths else "strong", shown)
    if 10 * KELVIN[0] <= middle <= 10 * KELVIN[1]:
        return Scale(unit_exact("dK"), "strong", shown)
    if middle > 120:
        return Scale(unit_exact("d°C"), "fair", shown)
    if middle > HOT_C and (said or not whole):
        return Scale(unit_exact("°F"), "strong", f"{shown}, too hot for °C")
    if middle > HOT_C:
        return _asked(("°F", "d°C"), f"Its whole numbers run from {low:g} to {high:g}.", where, ask, ledger)
    american = ledger.american or ledger.answer("order of day and month") == "month-first"
    if _made_of_celsius(held) and not said:
        evidence = f"its values from {low:g} to {high:g} are all such as tenths of °C give in °F"
        if low >= 0:
            return Scale(unit_exact("°F"), "strong", evidence)
        return _asked(("°F", "°C"), f"{evidence[0].upper()}{evidence[1:]}.", where, ask, ledger)
    if low < 0 or (middle < 32 and high < 50 and not american):
        strength = "fair" if low >= 0 else "strong"
        return Scale(unit_exact("°C"), strength, f"{shown}; in °F it would be frost all the time")
    frost = f"{low:g} °C would be {fahrenheit_from_celsius(low):.0f} °F, and both happen"
    return _asked(("°C", "°F"), f"Its values run from {low:g} to {high:g}; {frost}.", where, ask, ledger)


def _unwrapped(held: NDArray[np.float64]) -> NDArray[np.float64]:
    """Values that can't have lost their sign, where the others begin near freezing; else all of them."""
    wrapped = np.abs(held) > 4000
    for coding in CODINGS:
        wrapped |= (held >= coding.low) & (held <= coding.high)
    rest = held[~wrapped]
    low, high = typical_range(rest)
    near = low <= NEAR_FREEZING and high <= 2 * HOT_C
    rest = rest if near or len(rest) > len(held) / 2 else held[np.abs(held) <= 4000]
    least = few(len(held)) if near else len(held) // 10  # fewer are codes of a sensor that was away
    return rest if len(rest) > least else rest[:0]


def _made_of_celsius(held: NDArray[np.float64]) -> bool:
    """Whether all values are what tenths of °C give in °F, rounded: five of nine tenths of °F are never shown."""
    distinct = np.unique(np.round(held, 1))
    if len(distinct) < FROM_CELSIUS_LEAST or np.abs(held * 10 - np.rint(held * 10)).max() > 1e-6:
        return False
    back = np.round(np.round((distinct - 32) / 1.8, 1) * 1.8 + 32, 1)
    return bool((np.abs(back - distinct) < 0.01).all())


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
