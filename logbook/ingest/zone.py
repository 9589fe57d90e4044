"""Zone: from local clock readings to UTC, summer time included."""

from __future__ import annotations

import re
from dataclasses import dataclass
from datetime import datetime, timedelta, timezone, tzinfo
from typing import TYPE_CHECKING
from zoneinfo import ZoneInfo, available_timezones

import numpy as np

from logbook.errors import UnknownName, nearest
from logbook.ingest.dialect import CLOCK
from logbook.ingest.question import Question, settle
from logbook.units import MS_PER_HOUR, MS_PER_S

if TYPE_CHECKING:
    from collections.abc import Sequence

    from numpy.typing import NDArray

    from logbook.ingest.ledger import Ledger
    from logbook.ingest.question import Ask

QUARTER_MS = MS_PER_HOUR // 4
MANY_QUARTERS = 400_000
UNDECIDED = np.iinfo(np.int64).min
"""In place of a time of the repeated hour that nothing decides; the row is set aside."""
OUT_OF_ORDER = 0.05
LEAST_THROUGH, EVEN = 3, 3.0
FIXED = re.compile(r"^(?:UTC|GMT)?\s*([+-])(\d{1,2})(?::?(\d{2}))?$", re.IGNORECASE)


NO_PLACE = frozenset({"localtime", "posixrules", "Factory"})
"""Files beside the zones that are none: what they say depends on the machine (IANA time zone database)."""


def zone_named(name: str) -> tzinfo:
    """The zone of that name or offset; UnknownName with the nearest."""
    plain = name.strip()
    if match := FIXED.match(plain):
        minutes = int(match[2]) * 60 + int(match[3] or 0)
        return timezone(timedelta(minutes=minutes if match[1] == "+" else -minutes))
    if plain.upper() in {"Z", "UTC", "GMT"}:
        return ZoneInfo("UTC")
    try:
        if plain in NO_PLACE:
            raise KeyError(plain)  # noqa: TRY301 - answered like any other name that is none
        return ZoneInfo(plain)
    except (KeyError, ValueError, OSError) as error:
        hint = nearest(plain, sorted(available_timezones() - NO_PLACE))
        raise UnknownName(
            f'There is no time zone "{name}".', mend=f"{hint} Give one such as Europe/Berlin, UTC or +01:00.".strip()
        ) from error


SAID = re.compile(r"\b(UTC|GMT)\b(?:\s*([+-]\d{1,2}(?::?\d{2})?))?", re.IGNORECASE)
ZONE_WORD = re.compile(r"\b([A-Z][A-Za-z]+/[A-Z][A-Za-z_]+(?:/[A-Z][A-Za-z_]+)?)\b")


@dataclass(frozen=True)
class TimeZone:
    """Chooses the zone of clocks that say none."""

    given: str | None
    default: str | None
    where: str

    def choose(self, local_ms: NDArray[np.int64], said_in: Sequence[str], ledger: Ledger, ask: Ask | None) -> tzinfo:
        """The zone given, stated in the file, fitting its summer time, or asked for; noted with its strength."""
        if self.given:
            return _noted(ledger, self.given, "given", "as you said")
        for text in said_in:
            if found := _zone_in(text):
                return _noted(ledger, found, "strong", f'the file says "{text.strip()[:60]}"')
        back, leaps = changes_seen(local_ms)
        fits = [name for name in EXAMPLE_ZONES if fits_changes(ZoneInfo(name), back, leaps)] if back or leaps else []
        recalled = ledger.recalled("time zone")
        if recalled and (not fits or fits_changes(zone_named(recalled), back, leaps)):
            ledger.recall("time zone")
            return zone_named(recalled)
        if self.default and not recalled and (not fits or fits_changes(zone_named(self.default), back, leaps)):
            shown = "its clock changes to and from summer time as there" if fits else "the file does not say"
            return _noted(ledger, self.default, "strong" if fits else "fair", f"{shown}; it is the zone of the pack")
        jumps = f"Its clock jumps by an hour, as in {', '.join(fits)}." if fits else "Its times say no zone."
        question = Question(
            "time_zone",
            "In which time zone does its clock run?",
            (),
            jumps,
            "--timezone ZONE  (such as Europe/Berlin or UTC)",
        )
        return _noted(ledger, settle(question, ask, self.where), "given", f"as you said; {jumps}")


def _noted(ledger: Ledger, name: str, strength: str, evidence: str) -> tzinfo:
    zone = zone_named(name)
    ledger.infer("time zone", name, strength, evidence)
    return zone


def _zone_in(text: str) -> str | None:
    """A zone that a line or header names for its clocks; a line with a clock of its own speaks of that one."""
    plain = text.replace("_", " ")
    if match := ZONE_WORD.search(text):
        return match[1] if match[1] in available_timezones() else None
    if not (match := SAID.search(plain)) or CLOCK.search(plain[: match.start()] + plain[match.end() :]):
        return None
    return f"UTC{match[2]}" if match[2] else "UTC"


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
    if twice.any() and float((np.diff(local_ms) < 0).mean()) > OUT_OF_ORDER:
        ledger.set_aside(
            lines[twice], "the clock showed this hour twice, and the rows are in no order that tells which"
        )
        first = np.where(twice, UNDECIDED, first)
    elif twice.any():
        first = np.where(twice & _second_pass(local_ms, twice), second, first)
        ledger.repair("repeated hour", "clock hour that summer time's end repeats, told apart by order", lines[twice])
    missing = _missing(local_ms, zone)
    if missing.any() and _runs_through(local_ms, missing):
        moment = np.datetime_as_string(local_ms[missing][:1].astype("datetime64[ms]"), "D")[0]
        ledger.infer(
            "summer time",
            "the clock does not follow it",
            "strong",
            f"it runs through the hour that is skipped on {moment}",
        )
        return local_ms - _winter_offset(local_ms, zone)
    if missing.any():
        ledger.repair("missing hour", "clock hour that summer time's begin skips, read as winter time", lines[missing])
    return first


def _fixed_ms(zone: tzinfo) -> int:
    offset = zone.utcoffset(None) or timedelta()
    return round(offset.total_seconds() * MS_PER_S)


def _localized(local_ms: NDArray[np.int64], zone: tzinfo, *, summer: bool) -> NDArray[np.int64]:
    """UTC of clock readings, by the offset of their quarter of an hour: no zone changes within one."""
    quarters, where = _quarters(local_ms)
    starts = quarters * QUARTER_MS
    import pandas as pd  # noqa: PLC0415  a seventh of a second, for times without a zone only

    stamps = pd.DatetimeIndex(starts.astype("datetime64[ms]"))
    ambiguous = np.full(len(stamps), summer)
    moved = stamps.tz_localize(zone, ambiguous=ambiguous, nonexistent=pd.Timedelta(hours=1))
    return np.asarray(local_ms + (np.asarray(moved.asi8, np.int64) - starts)[where])


def _winter_offset(local_ms: NDArray[np.int64], zone: tzinfo) -> int:
    """The smaller of the offsets of the year in which the log begins."""
    year = local_ms[:1].astype("datetime64[ms]").astype("datetime64[Y]")
    months = (year + np.arange(12).astype("timedelta64[M]")).astype("datetime64[ms]").astype(np.int64)
    return int(min(months - _localized(months, zone, summer=False)))


def _runs_through(local_ms: NDArray[np.int64], missing: NDArray[np.bool_]) -> bool:
    """Whether the log goes on evenly from before a skipped hour, through it, to after it."""
    rows = np.flatnonzero(missing)
    if len(rows) < LEAST_THROUGH or not rows[0] or rows[-1] + 1 >= len(local_ms):
        return False
    steps = np.diff(local_ms)
    usual = max(float(np.median(steps)), 1.0)
    return bool(abs(steps[rows[0] - 1]) <= EVEN * usual and abs(steps[rows[-1]]) <= EVEN * usual)


def _quarters(local_ms: NDArray[np.int64]) -> tuple[NDArray[np.int64], NDArray[np.int64]]:
    """The quarters of an hour that occur, and which of them each reading lies in."""
    quarter = local_ms // QUARTER_MS
    if not len(quarter):
        return quarter, quarter
    low, high = int(quarter.min()), int(quarter.max())
    if high - low < len(quarter) + MANY_QUARTERS:
        return np.arange(low, high + 1), quarter - low
    found, where = np.unique(quarter, return_inverse=True)
    return found, where


def _missing(local_ms: NDArray[np.int64], zone: tzinfo) -> NDArray[np.bool_]:
    """Clock readings that the zone skips."""
    quarters, where = _quarters(local_ms)
    import pandas as pd  # noqa: PLC0415  a seventh of a second, for times without a zone only

    stamps = pd.DatetimeIndex((quarters * QUARTER_MS).astype("datetime64[ms]"))
    moved = stamps.tz_localize(zone, ambiguous=np.full(len(stamps), fill_value=True), nonexistent=pd.Timedelta(hours=1))
    return np.asarray(moved.tz_localize(None) != stamps)[where]


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


def changes_seen(local_ms: NDArray[np.int64]) -> tuple[list[int], list[int]]:
    """Local times at which the clock goes back by an hour, and leaps on by one, in an otherwise even log."""
    steps = np.diff(local_ms)
    if len(steps) < 10:
        return [], []
    usual = int(np.median(steps))
    most = MS_PER_HOUR // 3
    back = np.flatnonzero(np.abs(steps - usual + MS_PER_HOUR) <= most) if usual < most else np.empty(0, np.intp)
    leaps = np.flatnonzero(np.abs(steps - usual - MS_PER_HOUR) <= usual) if usual < most else np.empty(0, np.intp)
    return local_ms[back + 1].tolist(), local_ms[leaps + 1].tolist()


EXAMPLE_ZONES = (
    "Europe/Berlin", "Europe/London", "Europe/Helsinki", "America/New_York", "America/Chicago", "America/Denver",
    "America/Los_Angeles", "America/Anchorage", "Australia/Sydney", "Australia/Adelaide", "Pacific/Auckland",
    "America/Santiago",
)  # fmt: skip
"""One zone for each rule of summer time that many people live under (IANA time zone database)."""


def fits_changes(zone: tzinfo, back: list[int], leaps: list[int]) -> bool:
    """Whether at least one jump is one of this zone, and every step back is."""
    hits = [_has_change(zone, moment) for moment in back]
    return all(hits) and (any(hits) or any(_has_change(zone, moment) for moment in leaps))


def _has_change(zone: tzinfo, local_ms: int) -> bool:
    moment = datetime(1970, 1, 1) + timedelta(milliseconds=local_ms)  # noqa: DTZ001 - a clock reading has no zone
    before = (moment - timedelta(hours=2)).replace(tzinfo=zone).utcoffset()
    after = (moment + timedelta(hours=2)).replace(tzinfo=zone).utcoffset()
    return before != after
