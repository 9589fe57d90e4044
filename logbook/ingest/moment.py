"""Moment: when each row was logged, in UTC, from text, epoch, elapsed or spreadsheet times."""

from __future__ import annotations

from dataclasses import dataclass, field, replace
from typing import TYPE_CHECKING

import numpy as np

from logbook.errors import BadData
from logbook.ingest.beginning import beginning, start_in
from logbook.ingest.clock import NO_TIME, ORDERS, WHOLE, DateWord, midnights, read_date_word
from logbook.ingest.dateorder import order_of
from logbook.ingest.run import few, nearly_all
from logbook.ingest.serial import Hints, serial_moments
from logbook.ingest.unit import Unit, unit_exact
from logbook.units import MS_PER_DAY, MS_PER_HOUR, MS_PER_S

if TYPE_CHECKING:
    from collections.abc import Sequence

    from numpy.typing import NDArray

    from logbook.ingest.ledger import Ledger
    from logbook.ingest.question import Ask
    from logbook.ingest.section import Section
    from logbook.ingest.use import Layout, Use

SPREADSHEET_FORMS = {"spreadsheet": "1900", "spreadsheet 1904": "1904"}
"""What a mapping may say, and the year from which such days count."""
EPOCH_UNITS = (("s", 1e8, 1e10), ("ms", 1e11, 1e13), ("µs", 1e14, 1e16), ("ns", 1e17, 1e19))
"""Epoch times of 1973 to 2286 by magnitude."""
COMPACT_LOW, COMPACT_HIGH = 19_700_101_000000, 21_001_231_235959


@dataclass(frozen=True, eq=False)
class Moments:
    """Times of one section: int64 ms [n], UTC where `utc`, else of a local clock."""

    ms: NDArray[np.int64]
    utc: bool
    start: int | None = None
    """Local time from which elapsed time counts; its offset from UTC is that of every row."""


@dataclass(frozen=True)
class TimeOptions:
    """What was said about times: order of day and month, start of elapsed time."""

    order: str | None
    start: str | None
    file_name: str
    after_ms: int | None = None
    """Last local time of the table above: a date that stands once a day may not stand in this one."""
    hints: Hints = field(default_factory=Hints)
    """What tells the two counts of spreadsheet days apart."""


def moments_of(
    sections: Sequence[Section], layouts: Sequence[Layout], options: TimeOptions, ledger: Ledger, ask: Ask | None
) -> list[Moments]:
    """Times of every section; the whole file decides on the order of day and month."""
    words = [read_date_word(word) for word in _words_that_count(sections)]
    order = order_of(words, options.order, ledger, ask, options.file_name) if words else "year-first"
    found: list[Moments] = []
    for section, layout in zip(sections, layouts, strict=True):
        found.append(_moments(section, layout, order, replace(options, after_ms=_last(found)), ledger, ask))
    return found


def _last(found: Sequence[Moments]) -> int | None:
    """The last local time of the tables before."""
    local = [moments.ms[moments.ms != NO_MOMENT][-1:] for moments in found if not moments.utc]
    return next((int(ms[0]) for ms in reversed(local) if len(ms)), None)


def _words_that_count(sections: Sequence[Section]) -> list[str]:
    """Distinct date texts in the order they come; a text of one row among texts of many, no day from them, says nothing."""
    rows: dict[str, int] = {}
    for section in sections:
        dates = section.clock.dates.whole
        counts = np.bincount(dates[dates >= 0], minlength=len(section.clock.words))
        for word, count in zip(section.clock.words, counts.tolist(), strict=True):
            rows[word] = rows.get(word, 0) + count
    many = [read_date_word(word) for word, count in rows.items() if count > 1]
    return [word for word, count in rows.items() if count > 1 or not many or _beside(read_date_word(word), many)]


def _beside(word: DateWord, others: Sequence[DateWord]) -> bool:
    """Whether a date, read in some order, lies within a day of one of the others read alike."""
    for order in ORDERS:
        day = word.days(order)
        if day is not None and any(
            abs(day - other) <= 1 for entry in others if (other := entry.days(order)) is not None
        ):
            return True
    return False


def _moments(
    section: Section, layout: Layout, order: str, options: TimeOptions, ledger: Ledger, ask: Ask | None
) -> Moments:
    if layout.time_is_text:
        return _text_moments(section, layout.time[0], order, options, ledger, ask)
    values = section.numbers(layout.time[0].index)
    return _number_moments(values, layout, section, options, ledger, ask)


def _text_moments(
    section: Section, use: Use, order: str, options: TimeOptions, ledger: Ledger, ask: Ask | None
) -> Moments:
    dates, ms = section.clock.dates.whole, section.clock.ms.whole
    if (dates == WHOLE).all():
        return Moments(ms, section.clock.zoned)
    words = [read_date_word(word) for word in section.clock.words]
    undated = np.array([word.fields is None for word in words] + [False])[np.maximum(dates, -1)]
    if nearly_all(undated[dates >= 0]):
        if use.target != "elapsed" and options.after_ms is not None:
            start = _day_after(options.after_ms, ms[undated])
        else:
            start = beginning(options.start, section.header.preamble, options.file_name, ask, ledger)
        counted = start if use.target == "elapsed" else None
        return Moments(np.where(undated, start + _unrolled(ms, undated), NO_MOMENT), utc=False, start=counted)
    days = np.array([_or_missing(word.days(order)) for word in words])
    shift = np.array([_shift(word) for word in words])
    moments = np.where(dates < 0, ms, days[dates] * MS_PER_DAY + _half_day(ms, words, dates) - shift[dates])
    known = (dates == WHOLE) | ((dates != NO_TIME) & (days[dates] > NO_DAY))
    halved = np.array([word.half_day_h is not None for word in words] + [False])[dates]
    zoned = np.array([word.offset_min is not None for word in words] + [section.clock.zoned])[dates]
    for says, what in ((halved, "whether they are of the morning"), (zoned, "their zone")):
        known &= _alike(says, known & (dates != NO_TIME), what, options.file_name)
    return Moments(np.where(known, moments, NO_MOMENT), utc=bool(zoned[known].any()))


def _day_after(last_ms: int, clocks_ms: NDArray[np.int64]) -> int:
    """Midnight before the first of the clocks, which go on from a moment."""
    midnight = last_ms // MS_PER_DAY * MS_PER_DAY
    return midnight + (MS_PER_DAY if clocks_ms[0] < last_ms - midnight else 0)


def _alike(says: NDArray[np.bool_], known: NDArray[np.bool_], what: str, where: str) -> NDArray[np.bool_]:
    """Rows whose time says a thing, if nearly all say it, else those that do not; refused where it is mixed."""
    if nearly_all(says[known]) or not known.any():
        return says
    if nearly_all(~says[known]):
        return ~says
    raise BadData(f"Some times say {what} and some do not.", where=where, mend="Export it with one kind of time.")


NEAR_START = 10.0
"""Elapsed time that falls back to within so many steps of its beginning was started again."""
EARLIEST_MS = -1_000 * MS_PER_DAY
LATEST_MS = 84_000 * MS_PER_DAY
"""1967 and 2199: clocks that were never set stand at 1970, and none run so far ahead."""
NO_DAY = -(10**6)
NO_MOMENT = np.iinfo(np.int64).min
"""In place of a time that cannot be."""


def _or_missing(days: int | None) -> int:
    return NO_DAY if days is None else days


def _shift(word: DateWord) -> int:
    return (word.offset_min or 0) * 60_000


def _half_day(ms: NDArray[np.int64], words: Sequence[DateWord], dates: NDArray[np.int32]) -> NDArray[np.int64]:
    if all(word.half_day_h is None for word in words):
        return ms
    half = np.array([-1 if word.half_day_h is None else word.half_day_h for word in words])[dates]
    twelve = ms // MS_PER_HOUR == 12
    return np.where(
        half < 0, ms, ms - np.where(twelve & (half >= 0), 12 * MS_PER_HOUR, 0) + np.maximum(half, 0) * MS_PER_HOUR
    )


def _unrolled(ms: NDArray[np.int64], known: NDArray[np.bool_]) -> NDArray[np.int64]:
    """A bare clock that passes midnight goes on into the next day."""
    days = np.zeros(len(ms), np.int64)
    days[known] = np.cumsum(midnights(ms[known]))
    return ms + days * MS_PER_DAY


def _number_moments(
    values: NDArray[np.float64], layout: Layout, section: Section, options: TimeOptions, ledger: Ledger, ask: Ask | None
) -> Moments:
    use, form = layout.time[0], layout.time_format
    typical = float(np.nanmedian(values)) if len(values) else 0.0
    if form in {None, "epoch"}:
        named = use.unit.name if use.unit and use.unit.dimension == "duration" else None
        for name, low, high in EPOCH_UNITS:
            if (form == "epoch" and named == name) or (
                not (form and named) and low <= typical < high and not _is_compact(values)
            ):
                _refuse_rounded(values, options.file_name, rows_a_time=_rows_a_time(layout, values))
                ledger.infer("time", f"epoch in {name}", "strong", "the size of the numbers")
                return Moments(_rounded(values, unit_exact(name)), utc=True)
    if form is None and _is_compact(values):
        return Moments(_compact(values), utc=False)
    if form in SPREADSHEET_FORMS or (
        form is None and 20_000 < typical < 80_000 and "elapsed" not in (use.target or "") and _is_serial(values)
    ):
        given = SPREADSHEET_FORMS.get(form or "")
        hints = replace(options.hints, said_ms=start_in([*section.header.preamble, options.file_name]))
        return Moments(serial_moments(values, given, hints, ledger, ask, options.file_name), utc=False)
    unit = use.unit if use.unit and use.unit.dimension == "duration" else None
    start = beginning(options.start, section.header.preamble, options.file_name, ask, ledger)
    elapsed = _rounded(values, unit or _elapsed_unit(values, ledger))
    known = (elapsed != NO_MOMENT) & ~_begun_anew(elapsed, section, ledger)
    return Moments(np.where(known, start + np.where(known, elapsed, 0), NO_MOMENT), utc=False, start=start)


def _begun_anew(elapsed: NDArray[np.int64], section: Section, ledger: Ledger) -> NDArray[np.bool_]:
    """Rows after elapsed time fell back to its beginning: when the monitor started again is not known."""
    again = np.zeros(len(elapsed), bool)
    good = np.flatnonzero(elapsed != NO_MOMENT)
    steps = np.diff(elapsed[good])
    back = np.flatnonzero(steps < 0)
    if not len(back) or len(back) > few(len(good)) + 2:
        return again
    usual = max(float(np.median(np.abs(steps))), 1.0)
    restarts = [row for row in back.tolist() if elapsed[good[row + 1]] <= elapsed[good[0]] + NEAR_START * usual]
    restarts = [row for row in restarts if row + 2 >= len(good) or elapsed[good[row + 2]] < elapsed[good[row]]]
    if restarts:
        again[good[restarts[0] + 1] :] = True
        ledger.set_aside(section.lines[again], "elapsed time began anew, and nothing says when")
    return again


def _rounded(values: NDArray[np.float64], unit: Unit) -> NDArray[np.int64]:
    ms = np.rint(values if unit.name == "ms" else values * (unit.factor * MS_PER_S))
    wild = ~(np.abs(ms) < LATEST_MS)
    return np.where(wild, NO_MOMENT, np.where(wild, 0, ms).astype(np.int64))


def _rows_a_time(layout: Layout, values: NDArray[np.float64]) -> int:
    """How many rows of one time follow each other where each holds one value: 1 in other tables."""
    if not any(use.target == "quantity" for use in layout.uses) or len(values) < 2:
        return 1
    starts = np.flatnonzero(np.diff(values, prepend=np.nan) != 0)
    return min(int(np.median(np.diff(starts, append=len(values)))), MOST_QUANTITIES)


def _refuse_rounded(values: NDArray[np.float64], where: str, rows_a_time: int) -> None:
    same = np.count_nonzero(np.diff(values) == 0)
    if len(values) > 10 and same > (1 - 0.2 / rows_a_time) * len(values):
        raise BadData(
            "Its times have lost their digits (such as 1.69E+12), as a spreadsheet leaves them when it saves.",
            where=where,
            mend="Import the file as the monitor exported it, not the one saved again.",
        )


MOST_QUANTITIES = 64
"""A table of one value a row repeats a time once for each thing it logs."""


def _is_compact(values: NDArray[np.float64]) -> bool:
    held = values[~np.isnan(values)][:1000]
    inside = (held >= COMPACT_LOW) & (held <= COMPACT_HIGH)
    digits = np.where(inside, held, 0).astype(np.int64)
    month, day, minute = (digits // 10**8) % 100, (digits // 10**6) % 100, (digits // 100) % 100
    return nearly_all(inside & (month >= 1) & (month <= 12) & (day <= 31) & (minute < 60))


def _compact(values: NDArray[np.float64]) -> NDArray[np.int64]:
    inside = (values >= COMPACT_LOW) & (values <= COMPACT_HIGH)
    digits = np.where(inside, values, 0).astype(np.int64)
    date, clock = digits // 10**6, digits % 10**6
    distinct, where = np.unique(date, return_inverse=True)
    days = np.array(
        [
            _or_missing(
                DateWord((int(d) // 10**4, int(d) // 100 % 100, int(d) % 100), "year-first", None, None).days(
                    "year-first"
                )
            )
            for d in distinct
        ]
    )
    seconds = clock // 10**4 * 3600 + clock // 100 % 100 * 60 + clock % 100
    return days[where] * MS_PER_DAY + seconds * MS_PER_S


def _is_serial(values: NDArray[np.float64]) -> bool:
    steps = np.diff(np.sort(values[~np.isnan(values)][:1000]))  # in whichever order the rows stand
    return bool(len(steps) and np.median(steps) < 0.5)


def _elapsed_unit(values: NDArray[np.float64], ledger: Ledger) -> Unit:
    step = float(np.nanmedian(np.diff(values))) if len(values) > 1 else 1.0
    name = "ms" if step >= 900 and nearly_all(np.mod(values, 1) == 0) else "s"
    ledger.infer("time", f"elapsed {name}", "fair", f"the usual step is {step:g}")
    return unit_exact(name)
