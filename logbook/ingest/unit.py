"""Units an export may use, and how each becomes the logbook's own."""

from __future__ import annotations

import unicodedata
from dataclasses import dataclass
from typing import TYPE_CHECKING

import numpy as np

from logbook.ingest.text import mended
from logbook.units import KELVIN_AT_ZERO_C

if TYPE_CHECKING:
    from numpy.typing import NDArray


DECIMALS = 4
"""Converted temperatures are rounded so that 32 °F is 0 °C and not a hair below."""


@dataclass(frozen=True)
class Unit:
    """value in canonical unit = (value + before) * factor + after."""

    name: str
    dimension: str
    factor: float = 1.0
    before: float = 0.0
    after: float = 0.0

    def convert(self, values: NDArray[np.float64]) -> NDArray[np.float64]:
        """Values in the dimension's canonical unit; the same array where nothing changes."""
        if self.dimension == "temperature" and self.name != "°C":
            return np.round((values + self.before) * self.factor + self.after, DECIMALS)
        if self.factor != 1.0:
            values = values * self.factor if self.factor > 1 else values / round(1 / self.factor, 9)
        return values


UNITS = (
    Unit("V", "voltage"), Unit("mV", "voltage", 1e-3), Unit("cV", "voltage", 1e-2), Unit("dV", "voltage", 1e-1),
    Unit("kV", "voltage", 1e3), Unit("µV", "voltage", 1e-6),
    Unit("A", "current"), Unit("mA", "current", 1e-3), Unit("cA", "current", 1e-2), Unit("dA", "current", 1e-1),
    Unit("µA", "current", 1e-6),
    Unit("W", "power"), Unit("mW", "power", 1e-3), Unit("kW", "power", 1e3),
    Unit("°C", "temperature"), Unit("d°C", "temperature", 1e-1), Unit("c°C", "temperature", 1e-2),
    Unit("m°C", "temperature", 1e-3),
    Unit("°F", "temperature", 1 / 1.8, before=-32.0), Unit("d°F", "temperature", 1 / 18, before=-320.0),
    Unit("K", "temperature", after=-KELVIN_AT_ZERO_C), Unit("dK", "temperature", 1e-1, after=-KELVIN_AT_ZERO_C),
    Unit("°C+40", "temperature", before=-40.0),
    Unit("%", "fraction"), Unit("‰", "fraction", 1e-1), Unit("1", "fraction", 1e2),
    Unit("Ah", "charge"), Unit("mAh", "charge", 1e-3), Unit("As", "charge", 1 / 3600),
    Unit("Wh", "energy"), Unit("kWh", "energy", 1e3),
    Unit("h", "duration", 3600.0), Unit("min", "duration", 60.0), Unit("s", "duration"), Unit("ms", "duration", 1e-3),
    Unit("µs", "duration", 1e-6), Unit("ns", "duration", 1e-9), Unit("d", "duration", 86400.0),
)  # fmt: skip
"""Canonical: V, A, W, °C, %, Ah, Wh, s."""

CANONICAL = {
    "voltage": "V", "current": "A", "power": "W", "temperature": "°C", "fraction": "%", "charge": "Ah", "energy": "Wh",
    "duration": "s",
}  # fmt: skip
"""Dimension to canonical unit."""

_BY_NAME = {unit.name: unit for unit in UNITS}
_BY_NAME |= {short: _BY_NAME[name] for short, name in (("dC", "d°C"), ("cC", "c°C"), ("mC", "m°C"), ("dF", "d°F"))}
SPELLINGS = {
    "volt": "V", "volts": "V", "millivolt": "mV", "millivolts": "mV", "vdc": "V", "vcc": "V",
    "amp": "A", "amps": "A", "ampere": "A", "amperes": "A", "milliamp": "mA", "milliamps": "mA", "adc": "A",
    "watt": "W", "watts": "W", "kilowatt": "kW",
    "c": "°C", "degc": "°C", "deg c": "°C", "celsius": "°C", "degcelsius": "°C", "grad": "°C", "gradc": "°C", "�c": "°C", "?c": "°C",
    "f": "°F", "degf": "°F", "deg f": "°F", "fahrenheit": "°F", "�f": "°F", "?f": "°F",
    "kelvin": "K", "decik": "dK", "0.1k": "dK", "0.1c": "d°C", "0.1°c": "d°C", "1/10c": "d°C", "1/10°c": "d°C", "decidegc": "d°C", "ddegc": "d°C", "x10c": "d°C",
    "10mv": "cV", "0.01v": "cV", "0.1v": "dV", "100mv": "dV", "10ma": "cA", "0.01a": "cA", "0.1a": "dA", "100ma": "dA",
    "pct": "%", "percent": "%", "prozent": "%", "permille": "‰", "promille": "‰", "0.1%": "‰", "0-1": "1", "fraction": "1", "ratio": "1",
    "amphours": "Ah", "amphour": "Ah", "amperehours": "Ah",
    "sec": "s", "secs": "s", "second": "s", "seconds": "s", "sek": "s", "minutes": "min", "minute": "min", "mins": "min",
    "hour": "h", "hours": "h", "hrs": "h", "millisecond": "ms", "milliseconds": "ms", "msec": "ms",
    "microsecond": "µs", "microseconds": "µs", "us": "µs", "usec": "µs", "nanoseconds": "ns", "days": "d", "day": "d",
}  # fmt: skip
"""Other spellings, lower case and without spaces."""
_FOLDED = {unit.name.lower(): unit for unit in reversed(UNITS)} | {
    key: _BY_NAME[name] for key, name in SPELLINGS.items()
}


def unit_named(text: str) -> Unit | None:
    """The unit of that spelling: its symbol first, then any other spelling, else None."""
    plain = unicodedata.normalize("NFC", mended(text)).replace("μ", "µ").strip().strip("[]()").strip()
    if plain in _BY_NAME:
        return _BY_NAME[plain]
    return _FOLDED.get(
        plain.lower().replace(" ", "").replace(".", "")
        if plain.count(".") and not plain[0].isdigit()
        else plain.lower().replace(" ", "")
    )


def unit_exact(name: str) -> Unit:
    """The unit of that canonical name; KeyError for another."""
    return _BY_NAME[name]
