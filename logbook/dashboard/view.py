"""View: the owner's zone and temperature unit, and how times and quantities are written with them."""

from __future__ import annotations

import math
import re
from dataclasses import dataclass
from typing import TYPE_CHECKING
from zoneinfo import ZoneInfo

from logbook.units import fahrenheit_from_celsius, utc_from_ms

if TYPE_CHECKING:
    from collections.abc import Mapping
    from datetime import date, datetime

    from logbook.schema.estimate import Estimate

ZONE_COOKIE = "logbook-zone"
UNIT_COOKIE = "logbook-temperature"
TIED = "\u00a0"
"""No-break space: between a number and its unit, and between thousands."""
UNKNOWN = "\u2013"
MINUS = "\u2212"
SINGULAR = {"points": "point", "days": "day"}
"""Units that are words, to what they are of one."""


@dataclass(frozen=True)
class View:
    """How one reader wants times and temperatures written."""

    zone: str = "UTC"
    fahrenheit: bool = False

    @property
    def temperature_unit(self) -> str:
        """°C or °F."""
        return "°F" if self.fahrenheit else "°C"

    def local(self, ts_ms: int) -> datetime:
        """Aware time in the reader's zone."""
        return utc_from_ms(ts_ms).astimezone(ZoneInfo(self.zone))

    def wall(self, ts_ms: int) -> str:
        """Wall-clock text without offset, the only form a chart draws unshifted."""
        return self.local(ts_ms).replace(tzinfo=None).isoformat(timespec="seconds")

    def day(self, ts_ms: int) -> str:
        """For example 5 Feb 2026."""
        return written_day(self.local(ts_ms).date())

    def moment(self, ts_ms: int) -> str:
        """For example 5 Feb 2026, 07:40."""
        return f"{self.day(ts_ms)}, {self.local(ts_ms):%H:%M}"

    def second(self, ts_ms: int) -> str:
        """For example 5 Feb 2026, 07:40:05."""
        return f"{self.day(ts_ms)}, {self.local(ts_ms):%H:%M:%S}"

    def temperature(self, celsius: float) -> float:
        """A temperature in the reader's unit."""
        return fahrenheit_from_celsius(celsius) if self.fahrenheit else celsius

    def degrees(self, celsius: float, decimals: int = 0) -> str:
        """A temperature with its unit."""
        return quantity(self.temperature(celsius), self.temperature_unit, decimals)


def view_from(cookies: Mapping[str, str], default_zone: str = "UTC") -> View:
    """Read the reader's choices from cookies; unknown values fall back to the pack's own zone and °C."""
    chosen = cookies.get(ZONE_COOKIE, "")
    zone = chosen if known_zone(chosen) else default_zone
    return View(zone if known_zone(zone) else "UTC", cookies.get(UNIT_COOKIE) == "F")


def known_zone(name: str) -> bool:
    """Whether the zone table has that name."""
    try:
        return bool(name) and bool(ZoneInfo(name).key)
    except (ValueError, OSError, KeyError):
        return False


def written_day(day: date) -> str:
    """For example 5 Feb 2026."""
    return f"{day.day} {day:%b %Y}"


def number(value: float, decimals: int = 0) -> str:
    """A number as people read it: true minus, spaces between thousands, never minus zero."""
    if not math.isfinite(value):
        return UNKNOWN
    text = f"{abs(value):,.{decimals}f}".replace(",", TIED)
    return f"{MINUS}{text}" if value < 0 and text.strip("0.") else text


def rated(ah: float) -> str:
    """A rating as its owner gave it, not rounded."""
    return f"{ah:g}{TIED}Ah"


def true_minus(text: str) -> str:
    """Text with the minus of a number written as one; hyphens in words and dates stay."""
    return re.sub(r"(?<![\w.-])-(?=\d)", MINUS, text)


def tied(text: str) -> str:
    """Text whose numbers keep their thousands and their units on one line."""
    return re.sub(r"(?<=\d) (?=\d{3}\b|%|°[CF]|(?:Ah|Wh|V|A|mΩ|h|min|s)\b)", TIED, text)


def quantity(value: float, unit: str, decimals: int = 0) -> str:
    """A number with its unit, kept on one line; a unit that is a word stands in the number that fits."""
    written = number(value, decimals)
    return f"{written}{TIED}{SINGULAR.get(unit, unit) if written.strip(MINUS) == '1' else unit}"


def between(estimate: Estimate, unit: str, decimals: int | None = None) -> str:
    """The interval in words, with the decimals it bears unless said otherwise."""
    places = estimate.decimals if decimals is None else decimals
    return f"between {number(estimate.low, places)} and {quantity(estimate.high, unit, places)}"


def lasting(duration_s: float) -> str:
    """A duration in the two largest fitting units."""
    minutes = round(duration_s / 60)
    if minutes < 1:
        return f"{round(duration_s)}{TIED}s"
    if minutes < 120:
        return f"{minutes}{TIED}min"
    if minutes < 48 * 60:
        hours, rest = divmod(minutes, 60)
        return f"{hours}{TIED}h {rest}{TIED}min" if rest else f"{hours}{TIED}h"
    return f"{round(minutes / 1440)} days"


def spent(hours: float) -> str:
    """How long something went on, in words where it never did."""
    return lasting(hours * 3600) if hours else "none"
