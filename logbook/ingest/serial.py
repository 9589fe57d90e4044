"""Serial: spreadsheet days, counted from 1900 or four years later from 1904, told apart by what the dates can be."""

from __future__ import annotations

import time
from dataclasses import dataclass
from typing import TYPE_CHECKING

import numpy as np

from logbook.ingest.question import Question, settle
from logbook.ingest.reset import OLDEST_MS
from logbook.ingest.zone import changes_seen, fits_changes, zone_named
from logbook.units import MS_PER_DAY, MS_PER_S, S_PER_DAY

if TYPE_CHECKING:
    from collections.abc import Callable, Sequence

    from numpy.typing import NDArray

    from logbook.ingest.ledger import Ledger
    from logbook.ingest.question import Ask

BASES = {"1900": 25_569, "1904": 24_107}
"""Serial day of 1970-01-01 in the two date systems (ECMA-376 part 1, 18.17.4.1)."""
QUESTION = "spreadsheet days"
AHEAD_MS = 2 * MS_PER_DAY
"""A clock in another zone, or a little fast, is no clock of the future."""
FARTHEST_S = 1e11
"""Of what is no date any more: in the year 5138, which no reading is from."""
NEAR_MS = 31 * MS_PER_DAY
JUST_BEFORE_MS = 366 * MS_PER_DAY
"""An export holds readings of the year before it was made, seldom only older ones."""


@dataclass(frozen=True)
class Hints:
    """What is known beside the numbers; None where it is not."""

    zone: str | None = None
    """Zone of the file's clock, or of the pack."""
    now_ms: int | None = None
    """None for what this machine's clock shows."""
    held_ms: tuple[int, int] | None = None
    """First and last time of the pack's readings in the logbook."""
    bought_ms: int | None = None
    said_ms: int | None = None
    """A date above the table or in the file's name."""


def serial_moments(
    values: NDArray[np.float64], given: str | None, hints: Hints, ledger: Ledger, ask: Ask | None, where: str
) -> NDArray[np.int64]:
    """Local milliseconds of spreadsheet days; `given` is the year they count from, if that was said.

    Raises Unanswered where both counts give dates that can be and nobody says which.
    """
    read = {base: _moments(values, days) for base, days in BASES.items()}
    if given:
        ledger.infer(QUESTION, f"counted from {given}", "given", "as you said")
        return read[given]
    held = {base: ms[np.isfinite(values)] for base, ms in read.items()}
    for rule in RULES:
        fits = {base: rule(ms, hints) for base, ms in held.items()}
        reasons = [reason for reason in fits.values() if reason]
        if len(reasons) == 1:
            (base,) = (base for base, reason in fits.items() if not reason)
            strength = "fair" if rule is _not_near else "strong"
            ledger.infer(QUESTION, f"counted from {base}", strength, f"counted from {_other(base)} {reasons[0]}")
            return read[base]
    recalled = ledger.recalled(QUESTION, tuple(f"counted from {base}" for base in BASES))
    if recalled:
        ledger.recall(QUESTION)
        return read[recalled[-4:]]
    first = {base: _day(int(ms.min())) if len(ms) else "nothing" for base, ms in held.items()}
    question = Question(
        "date_base",
        "Do its dates, which a spreadsheet left as numbers, count from 1900 or from 1904?",
        tuple(BASES),
        f"Counted from 1900 it begins on {first['1900']}, counted from 1904 on {first['1904']}, and both can be.",
        '--mapping FILE  with  format = "spreadsheet"  (or "spreadsheet 1904") under [time]',
    )
    answer = settle(question, ask, where)
    ledger.infer(QUESTION, f"counted from {answer}", "given", "as you said")
    return read[answer]


def _moments(values: NDArray[np.float64], days: int) -> NDArray[np.int64]:
    seconds = np.where(np.isfinite(values), np.rint((values - days) * S_PER_DAY), 0).clip(-FARTHEST_S, FARTHEST_S)
    return seconds.astype(np.int64) * MS_PER_S


def _day(ms: int) -> str:
    return str(np.datetime_as_string(np.datetime64(ms, "ms"), "D"))


def _other(base: str) -> str:
    return next(name for name in BASES if name != base)


def _impossible(ms: NDArray[np.int64], hints: Hints) -> str | None:
    now = round(time.time() * MS_PER_S) if hints.now_ms is None else hints.now_ms
    if not len(ms):
        return None
    if float(np.median(ms)) > now + AHEAD_MS:
        return f"they would lie in the future ({_day(int(ms.min()))} on)"
    if float(np.median(ms)) < OLDEST_MS:
        return f"they would be older than any such pack ({_day(int(ms.min()))} on)"
    if hints.bought_ms is not None and int(ms.max()) < hints.bought_ms:
        return f"they would end before the pack was bought ({_day(hints.bought_ms)})"
    return None


def _against_summer_time(ms: NDArray[np.int64], hints: Hints) -> str | None:
    back, leaps = changes_seen(ms)
    if not hints.zone or not (back or leaps):
        return None
    fits = fits_changes(zone_named(hints.zone), back, leaps)
    return (
        None if fits else f"its clock would change by an hour on {_day((back or leaps)[0])}, when {hints.zone} did not"
    )


def _against_said(ms: NDArray[np.int64], hints: Hints) -> str | None:
    if hints.said_ms is None or not len(ms):
        return None
    first, last = int(ms.min()), int(ms.max())
    if first > hints.said_ms + AHEAD_MS:
        return f"they would begin after the date of the file ({_day(hints.said_ms)})"
    if last < hints.said_ms - JUST_BEFORE_MS:
        return f"they would end long before the date of the file ({_day(hints.said_ms)})"
    return None


def _not_near(ms: NDArray[np.int64], hints: Hints) -> str | None:
    if hints.held_ms is None or not len(ms):
        return None
    first, last = hints.held_ms
    if int(ms.min()) <= last + NEAR_MS and int(ms.max()) >= first - NEAR_MS:
        return None
    return f"they would lie far from all readings of the pack ({_day(first)} to {_day(last)})"


RULES: Sequence[Callable[[NDArray[np.int64], Hints], str | None]] = (
    _impossible,
    _against_summer_time,
    _against_said,
    _not_near,
)
