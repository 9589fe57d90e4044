"""Named constants and conversions; nothing here knows what a battery is."""

from __future__ import annotations

import re
from datetime import UTC, datetime
from typing import TYPE_CHECKING, TypeVar

if TYPE_CHECKING:
    from collections.abc import Callable

    import numpy as np
    from numpy.typing import NDArray

STAMP = re.compile(r"\b\d{4}-\d\d-\d\dT\d\d:\d\d:\d\d(?:\.\d{3})?Z")
"""What `iso_from_ms` writes."""
Number = TypeVar("Number", "float", "NDArray[np.float64]")

MS_PER_S = 1000
S_PER_MINUTE = 60
S_PER_HOUR = 3600
S_PER_DAY = 86_400
MS_PER_HOUR = S_PER_HOUR * MS_PER_S
MS_PER_DAY = S_PER_DAY * MS_PER_S
DAYS_PER_MONTH = 30.0
"""A month of self-discharge, by convention of cell sheets."""
DAYS_PER_YEAR = 365.25
"""The Julian year."""
KELVIN_AT_ZERO_C = 273.15
GAS_CONSTANT_J_PER_MOL_K = 8.314462618
"""CODATA 2018, exact."""
THOUSANDTHS = 1000
"""Readings are stored as integers, in thousandths of their unit."""


def kelvin_from_celsius(temperature_c: Number) -> Number:
    """Absolute temperature of a number or an array."""
    return temperature_c + KELVIN_AT_ZERO_C


def celsius_from_fahrenheit(temperature_f: float) -> float:
    """Celsius from Fahrenheit."""
    return (temperature_f - 32.0) / 1.8


def fahrenheit_from_celsius(temperature_c: float) -> float:
    """Fahrenheit from Celsius."""
    return temperature_c * 1.8 + 32.0


def utc_from_ms(ts_ms: int) -> datetime:
    """Aware UTC time of a stored timestamp."""
    return datetime.fromtimestamp(ts_ms / MS_PER_S, tz=UTC)


def iso_from_ms(ts_ms: int) -> str:
    """ISO 8601 in UTC with Z, to the second unless there are milliseconds."""
    moment = utc_from_ms(ts_ms)
    spec = "milliseconds" if ts_ms % MS_PER_S else "seconds"
    return moment.isoformat(timespec=spec).replace("+00:00", "Z")


def ms_from_datetime(moment: datetime) -> int:
    """Stored timestamp of an aware time."""
    return round(moment.timestamp() * MS_PER_S)


def with_moments(text: str, written: Callable[[int], str]) -> str:
    """A text with each moment that `iso_from_ms` wrote in it as its reader has it."""
    return STAMP.sub(lambda found: written(ms_from_datetime(datetime.fromisoformat(found[0]))), text)
