"""Words: numbers, times and intervals as the terminal writes them."""

from __future__ import annotations

from datetime import datetime
from typing import TYPE_CHECKING
from zoneinfo import ZoneInfo

from logbook.units import S_PER_DAY, S_PER_HOUR, S_PER_MINUTE, ms_from_datetime, utc_from_ms

if TYPE_CHECKING:
    from datetime import date

    from logbook.schema.estimate import Estimate


SINGULAR = {"points": "point", "days": "day"}
"""Units that are words, to what they are of one."""


def number(value: float, decimals: int = 0) -> str:
    """Write a number with spaces between thousands, and never as minus zero."""
    text = f"{value:,.{decimals}f}".replace(",", " ")
    return text.removeprefix("-") if not text.strip("-0. ") else text


def interval(estimate: Estimate, unit: str, least_places: int = 0) -> str:
    """Write an estimate with its interval: `97 Ah (95 to 99 Ah)`; a unit that is a word stands in the number that fits."""
    places = max(estimate.decimals, least_places)
    value, low, high = (number(part, places) for part in (estimate.value, estimate.low, estimate.high))
    return f"{value} {_fitting(unit, value)} ({low} to {high} {_fitting(unit, high)})"


def _fitting(unit: str, written: str) -> str:
    return SINGULAR.get(unit, unit) if written in {"1", "-1"} else unit


def percent(level: float) -> str:
    """Write a share as a percentage."""
    return f"{number(100 * level)} %"


def counted(count: float, noun: str, decimals: int = 0) -> str:
    """Write a count with its noun in the number that fits."""
    return f"{number(count, decimals)} {noun}{'' if count == 1 else 's'}"


def local(ts_ms: int, zone: str) -> datetime:
    """Give the time in the owner's zone."""
    return utc_from_ms(ts_ms).astimezone(ZoneInfo(zone))


def local_ms(when: datetime, zone: str) -> int:
    """Give the stored time of a wall clock in the owner's zone; the first of two in the hour that comes twice."""
    return ms_from_datetime(when.replace(tzinfo=ZoneInfo(zone)))


def day(ts_ms: int, zone: str) -> str:
    """Write a day: `5 Feb 2026`."""
    return day_of(local(ts_ms, zone).date())


def day_of(date: date) -> str:
    """Write a day of the calendar: `5 Feb 2026`."""
    return f"{date.day} {date:%b %Y}"


def today(zone: str) -> date:
    """Give the day it is in the owner's zone."""
    return datetime.now(ZoneInfo(zone)).date()


def moment(ts_ms: int, zone: str) -> str:
    """Write a moment: `5 Feb 2026, 07:40`."""
    return f"{day(ts_ms, zone)}, {local(ts_ms, zone):%H:%M}"


def lasting(duration_s: float) -> str:
    """Write a duration in the unit that fits it."""
    if duration_s < 2 * S_PER_MINUTE:
        return f"{number(duration_s)} s"
    if duration_s < 2 * S_PER_HOUR:
        return f"{number(duration_s / S_PER_MINUTE)} min"
    if duration_s < 2 * S_PER_DAY:
        return f"{number(duration_s / S_PER_HOUR, 1)} h"
    return f"{number(duration_s / S_PER_DAY)} days"
