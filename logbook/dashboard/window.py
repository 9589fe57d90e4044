"""Window: the stretch of time the readings page shows, and how it moves; kept within what is logged."""

from __future__ import annotations

from dataclasses import asdict, dataclass
from datetime import datetime
from typing import TYPE_CHECKING

from logbook.units import MS_PER_DAY, iso_from_ms, ms_from_datetime

if TYPE_CHECKING:
    from collections.abc import Mapping

ALL = "all"
SHORTEST_MS = 60_000
ROOM_MS = MS_PER_DAY
"""How far beyond the log a window may reach."""
LENGTHS_MS = {"day": MS_PER_DAY, "week": 7 * MS_PER_DAY, "month": 30 * MS_PER_DAY, "year": 365 * MS_PER_DAY}
FIRST_LOOK_MS = LENGTHS_MS["week"]
"""What is shown where the address says nothing: the last week of the log."""


@dataclass(frozen=True)
class Moved:
    """A window [start, end) in the log [first, last], all UTC milliseconds."""

    start: int
    end: int
    first: int
    last: int

    def as_dict(self) -> dict[str, int]:
        """JSON-ready."""
        return asdict(self)

    def within(self, start: float, end: float) -> Moved:
        """A window of that reach, not shorter than a minute and not far beyond the log."""
        length = min(max(end - start, SHORTEST_MS), self.last - self.first + 2 * ROOM_MS)
        middle = (start + end) / 2
        begin = min(max(middle - length / 2, self.first - ROOM_MS), self.last + ROOM_MS - length)
        return Moved(round(begin), round(begin + length), self.first, self.last)


def moved(now: Moved, way: str, wanted: tuple[int, int] | None = None) -> Moved | None:
    """Move a window by a button's name, or to what is wanted; None where neither says anything."""
    length, middle = now.end - now.start, (now.start + now.end) / 2
    ends: tuple[float, float] | None = wanted
    if way in LENGTHS_MS:
        ends = middle - LENGTHS_MS[way] / 2, middle + LENGTHS_MS[way] / 2
    elif way == ALL:
        ends = now.first, now.last + 1
    elif way in {"earlier", "later"}:
        step = length * (-0.8 if way == "earlier" else 0.8)
        ends = now.start + step, now.end + step
    elif way in {"closer", "wider"}:
        half = length * (0.25 if way == "closer" else 1.0)
        ends = middle - half, middle + half
    if ends is None or ends[1] <= ends[0]:
        return None
    return now.within(*ends)


def start_window(query: Mapping[str, str], first: int, last: int) -> tuple[int, int]:
    """The window of an address, else the last week of the log."""
    log = Moved(first, last + 1, first, last)
    start, end = read_time(query.get("from", "")), read_time(query.get("to", ""))
    if start is None or end is None or end <= start:
        start, end = max(last - FIRST_LOOK_MS, first), last + 1
    found = log.within(start, end)
    return found.start, found.end


def read_time(text: str) -> int | None:
    """UTC milliseconds of ISO 8601 text with its offset; None where it is none."""
    try:
        when = datetime.fromisoformat(text)
        return ms_from_datetime(when) if when.tzinfo else None
    except (ValueError, OverflowError):
        return None


def window_query(start_ms: int, end_ms: int) -> str:
    """The part of an address that names a window."""
    return f"?from={iso_from_ms(start_ms)}&to={iso_from_ms(end_ms)}"
