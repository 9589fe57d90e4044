"""Zone: from local clock readings to UTC, summer time included."""

from __future__ import annotations

import re
from datetime import timedelta, timezone, tzinfo
from typing import TYPE_CHECKING
from zoneinfo import ZoneInfo, available_timezones

import numpy as np
import pandas as pd

from logbook.errors import UnknownName, nearest
from logbook.units import MS_PER_HOUR, MS_PER_S

if TYPE_CHECKING:
    from numpy.typing import NDArray

    from logbook.ingest.ledger import Ledger

FIXED = re.compile(r"^(?:UTC|GMT)?\s*([+-])(\d{1,2})(?::?(\d{2}))?$", re.IGNORECASE)


def zone_named(name: str) -> tzinfo:
    """The zone of that name or offset; UnknownName with the nearest."""
    plain = name.strip()
    if match := FIXED.match(plain):
        minutes = int(match[2]) * 60 + int(match[3] or 0)
        return timezone(timedelta(minutes=minutes if match[1] == "+" else -minutes))
    if plain.upper() in {"Z", "UTC", "GMT"}:
        return ZoneInfo("UTC")
    try:
        return ZoneInfo(plain)
    except (KeyError, ValueError, OSError) as error:
        hint = nearest(plain, sorted(available_timezones()))
        raise UnknownName(
            f'There is no time zone "{name}".', mend=f"{hint} Give one such as Europe/Berlin, UTC or +01:00.".strip()
        ) from error


def utc_from_local(
    local_ms: NDArray[np.int64], zone: tzinfo, lines: NDArray[np.int64], ledger: Ledger
) -> NDArray[np.int64]:
    """UTC of a clock that follows `zone`; rows in the order in which they were logged.

    The repeated hour of autumn is told apart by where the clock goes back; hours that do not exist in spring are
    read as if summer time had not begun. Both are counted.
    """
    if zone.utcoffset(None) is not None or zone == ZoneInfo("UTC"):
        return local_ms - _fixed_ms(zone)
    first = _localized(local_ms, zone, summer=True)
    second = _localized(local_ms, zone, summer=False)
    twice = first != second
    if twice.any():
        first = np.where(twice & _second_pass(local_ms, twice), second, first)
        ledger.repair("repeated hour", "clock hour that summer time's end repeats, told apart by order", lines[twice])
    missing = _shown(first, zone) != local_ms
    if missing.any():
        ledger.repair("missing hour", "clock hour that summer time's begin skips, read as winter time", lines[missing])
    return first


def _fixed_ms(zone: tzinfo) -> int:
    offset = zone.utcoffset(None) or timedelta()
    return round(offset.total_seconds() * MS_PER_S)


def _localized(local_ms: NDArray[np.int64], zone: tzinfo, *, summer: bool) -> NDArray[np.int64]:
    stamps = pd.DatetimeIndex(local_ms.astype("datetime64[ms]"))
    ambiguous = np.full(len(stamps), summer)
    moved = stamps.tz_localize(zone, ambiguous=ambiguous, nonexistent=pd.Timedelta(hours=1))
    return np.asarray(moved.asi8, np.int64)


def _shown(utc_ms: NDArray[np.int64], zone: tzinfo) -> NDArray[np.int64]:
    stamps = pd.DatetimeIndex(utc_ms.astype("datetime64[ms]")).tz_localize("UTC").tz_convert(zone)
    return np.asarray(stamps.tz_localize(None).asi8, np.int64)


def _second_pass(local_ms: NDArray[np.int64], twice: NDArray[np.bool_]) -> NDArray[np.bool_]:
    """Which of the doubled clock readings belong to winter time."""
    second = np.zeros(len(local_ms), bool)
    rows = np.flatnonzero(twice)
    starts = np.flatnonzero(np.diff(rows, prepend=rows[0] - 2) > 1) if len(rows) else rows
    for run in np.split(rows, starts[1:]):
        back = np.flatnonzero(np.diff(local_ms[run]) < 0)
        if len(back):
            second[run[back[0] + 1 :]] = True
        elif _begins_late(local_ms, run):
            second[run] = True
    return second


def _begins_late(local_ms: NDArray[np.int64], run: NDArray[np.intp]) -> bool:
    """No row before the run joins on to it, but one after it does: only the second pass was logged."""
    before = local_ms[run[0]] - local_ms[run[0] - 1] if run[0] else 2 * MS_PER_HOUR
    after = local_ms[run[-1] + 1] - local_ms[run[-1]] if run[-1] + 1 < len(local_ms) else 2 * MS_PER_HOUR
    return bool(before > MS_PER_HOUR >= after > 0 or before > 4 * max(after, 1) > 0)
