"""Locale: where and when a file is likely to be from, as far as that tells °F from °C."""

from __future__ import annotations

from dataclasses import dataclass
from typing import TYPE_CHECKING

import numpy as np

from logbook.ingest.moment import EARLIEST_MS, LATEST_MS
from logbook.ingest.word import is_foreign
from logbook.units import MS_PER_DAY

if TYPE_CHECKING:
    from collections.abc import Iterable, Sequence

    from numpy.typing import NDArray

OF_FAHRENHEIT = frozenset(
    f"America/{place}"
    for place in [
        "New_York",
        "Chicago",
        "Denver",
        "Los_Angeles",
        "Phoenix",
        "Anchorage",
        "Boise",
        "Detroit",
        "Juneau",
        "Indiana/Indianapolis",
    ]
) | {"Pacific/Honolulu"}
"""Zones of the country that measures in °F (IANA time zone database; common knowledge)."""
NOWHERE = frozenset({"", "UTC", "GMT", "Etc/UTC", "Etc/GMT", "Zulu", "UCT", "Universal", "Z"})
"""Zones of clocks that tell no place."""
THINNED = 1000
"""Of so many times the months are looked at."""
WINTER = frozenset({11, 12, 1, 2, 3})
"""Months in which a parked pack of the northern half may be frozen for days; the zones of the southern half say °C."""
MOSTLY_WINTER = 0.7
"""A log of more of the year than that would be frozen in the warm months too (ours)."""


@dataclass(frozen=True)
class Locale:
    """What zone, words and dates of a file say of its owner's thermometer."""

    american: bool = False
    """It is likely of a country that uses °F."""
    celsius: bool = False
    """It is likely of another, by its zone or the language of its header."""
    winter: bool = True
    """Most of it is from months with frost, or its dates are not known."""
    days: float = 0.0
    """From its first to its last reading."""


def locale_of(
    zone: str, date_order: str | None, headers: Iterable[Sequence[str]], times: Sequence[NDArray[np.int64]]
) -> Locale:
    """Locale by the pack's or file's zone, the order of its dates, the words of its headers, and local times in ms."""
    american = zone in OF_FAHRENHEIT or zone.startswith("US/") or date_order == "month-first"
    elsewhere = zone not in NOWHERE and not american
    told = np.concatenate([part[:: max(1, len(part) // THINNED)] for part in times]) if times else np.empty(0, np.int64)
    told = told[(told > EARLIEST_MS) & (told < LATEST_MS)]
    months = told.astype("datetime64[ms]").astype("datetime64[M]").astype(np.int64) % 12 + 1
    winter = not len(months) or float(np.isin(months, list(WINTER)).mean()) >= MOSTLY_WINTER
    days = float(np.ptp(told)) / MS_PER_DAY if len(told) else 0.0
    foreign = any(is_foreign(names) for names in headers)
    return Locale(american, not american and (elsewhere or foreign), winter, days)
