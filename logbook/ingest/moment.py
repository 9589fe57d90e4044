"""Moment: when each row was logged, in UTC, from text, epoch, elapsed or spreadsheet times."""

from __future__ import annotations

import itertools
import re
from dataclasses import dataclass, field, replace
from typing import TYPE_CHECKING

import numpy as np

from logbook.errors import BadData
from logbook.ingest.clock import NO_TIME, ORDERS, WHOLE, DateWord, midnights, read_date_word, read_time_of_day
from logbook.ingest.question import Question, settle
from logbook.ingest.run import few, nearly_all
from logbook.ingest.serial import Hints, serial_moments
from logbook.ingest.unit import Unit, unit_exact
from logbook.units import MS_PER_DAY, MS_PER_HOUR, MS_PER_S, S_PER_HOUR, S_PER_MINUTE

if TYPE_CHECKING:
    from collections.abc import Sequence

    from numpy.typing import NDArray

    from logbook.ingest.ledger import Ledger
    from logbook.ingest.question import Ask
    from logbook.ingest.table import Section
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
            start = _start(section, options, ask, ledger)
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
                _refuse_rounded(values, options.file_name)
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
    start = _start(section, options, ask, ledger)
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


def _refuse_rounded(values: NDArray[np.float64], where: str) -> None:
    if len(values) > 10 and np.count_nonzero(np.diff(values) == 0) > 0.8 * len(values):
        raise BadData(
            "Its times have lost their digits (such as 1.69E+12), as a spreadsheet leaves them when it saves.",
            where=where,
            mend="Import the file as the monitor exported it, not the one saved again.",
        )


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
    steps = np.abs(np.diff(values[~np.isnan(values)][:1000]))
    return bool(len(steps) and np.median(steps) < 0.5)


def _elapsed_unit(values: NDArray[np.float64], ledger: Ledger) -> Unit:
    step = float(np.nanmedian(np.diff(values))) if len(values) > 1 else 1.0
    name = "ms" if step >= 900 and nearly_all(np.mod(values, 1) == 0) else "s"
    ledger.infer("time", f"elapsed {name}", "fair", f"the usual step is {step:g}")
    return unit_exact(name)


def _start(section: Section, options: TimeOptions, ask: Ask | None, ledger: Ledger) -> int:
    """Local ms at which elapsed time is zero: given, above the table, in the file's name, or asked."""
    if options.start:
        found = start_in([options.start])
        if found is None:
            raise BadData(
                f'The start "{options.start}" is no date and time.', mend='Write it as  start = "2024-03-05 14:30:00"'
            )
        return found
    if (known := ledger.answer("start")) is not None and (found := start_in([known])) is not None:
        return found  # a header that stands again has no lines above it
    for place, texts in (
        ("the lines above the table", section.header.preamble),
        ("the file's name", [options.file_name]),
    ):
        found = start_in(texts)
        if found is not None:
            ledger.infer("start", str(np.datetime64(found, "ms")), "fair", f"it stands in {place}")
            return found
    question = Question(
        "start",
        "The file says how much time went by, but not when it began; when did it begin?",
        (),
        "No date was found above the table or in the file's name.",
        '--mapping FILE  with  start = "2024-03-05 14:30:00"  under [time]',
    )
    answer = settle(question, ask, options.file_name)
    found = start_in([answer])
    if found is None:
        raise BadData(
            f'"{answer}" is no date and time.', where=options.file_name, mend="Write it as 2024-03-05 14:30:00"
        )
    return found


ISO_DAY = re.compile(r"(?<!\d)(20\d{2})[-/._]?(\d{2})[-/._]?(\d{2})(?!\d)")
DOTTED_DAY = re.compile(r"(?<!\d)(\d{1,2})\.(\d{1,2})\.(20\d{2})(?!\d)")
CLOCK_READING = re.compile(r"(?<!\d)(\d{1,2}:\d{2}(?::\d{2}(?:\.\d{1,6})?)?)")
CLOCK_IN_NAME = re.compile(r"(?<!\d)([01]\d|2[0-3])[-_.]?([0-5]\d)(?:[-_.]?([0-5]\d))?(?!\d)")


def start_in(texts: Sequence[str]) -> int | None:
    """The first date among these texts, with the first time of day in it or after it; local ms."""
    day: int | None = None
    for line in texts:
        text = line
        if day is None:
            day, text = _day_in(line)
        if day is None:
            continue
        if match := CLOCK_READING.search(text):
            return day * MS_PER_DAY + max(read_time_of_day(match[1]), 0)
        if match := CLOCK_IN_NAME.search(text):
            hour, minute, second = (int(part or 0) for part in match.groups())
            return day * MS_PER_DAY + (hour * S_PER_HOUR + minute * S_PER_MINUTE + second) * MS_PER_S
    return None if day is None else day * MS_PER_DAY


def _day_in(text: str) -> tuple[int | None, str]:
    """A date in a text, as days since 1970, and the text without it."""
    for pattern, order in ((ISO_DAY, "year-first"), (DOTTED_DAY, "day-first")):
        if match := pattern.search(text):
            fields = (int(match[1]), int(match[2]), int(match[3]))
            rest = f"{text[: match.start()]} {text[match.end() :]}"
            return DateWord(fields, None, None, None).days(order), rest
    return None, text


def order_of(words: Sequence[DateWord], given: str | None, ledger: Ledger, ask: Ask | None, where: str) -> str:
    """Order of day and month for the whole file: proved by a field above 12, else by steps of one day, else asked."""
    distinct = {word.fields: word for word in words if word.fields is not None and word.order is None}
    open_words = list(distinct.values())
    if not open_words:
        return "year-first"
    if given:
        ledger.infer("order of day and month", given, "given", "as you said")
        return given
    possible = [
        order for order in ORDERS if sum(word.days(order) is None for word in open_words) <= 0.02 * len(open_words)
    ]
    recalled = ledger.recalled("order of day and month")
    if len(possible) == 1:
        ledger.infer("order of day and month", possible[0], "strong", _proof(open_words))
        if recalled not in {None, possible[0]}:
            ledger.warn(f"Its dates are written {possible[0]}; in the last file with this header they were {recalled}.")
        return possible[0]
    return _by_steps(open_words, possible or list(ORDERS), ledger, ask, where)


def _proof(words: Sequence[DateWord]) -> str:
    for word in words:
        if word.fields and max(word.fields[:2]) > 12:
            mark = word.mark or "/"
            return f'only so is "{mark.join(f"{number:02d}" for number in word.fields)}" a date'
    return "only so are all of them dates"


def _by_steps(words: Sequence[DateWord], possible: Sequence[str], ledger: Ledger, ask: Ask | None, where: str) -> str:
    counts = {order: _day_steps(words, order) for order in possible}
    best = max(counts, key=lambda order: counts[order])
    others = max((count for order, count in counts.items() if order != best), default=0)
    evidence = "; ".join(
        f"read {order}, {count} of {len(words) - 1} changes of date are by one day" for order, count in counts.items()
    )
    against = ledger.recalled("order of day and month", possible)
    if len(words) > 1 and counts[best] >= 1 and others == 0 and against in {None, best}:
        strength = "strong" if len(words) > 2 and counts[best] >= 2 else "fair"
        ledger.infer("order of day and month", best, strength, evidence)
        return best
    if others == counts[best] and (recalled := ledger.recall("order of day and month", possible)):
        return recalled
    if against is None and all(word.mark == "." for word in words) and "day-first" in possible:
        ledger.infer("order of day and month", "day-first", "fair", "dates with dots are written day first")
        return "day-first"
    shown = (words[0].mark or "/").join(f"{number:02d}" for number in words[0].fields or ())
    question = Question(
        "date_order",
        f'Is "{shown}" written day first or month first?',
        tuple(possible),
        f"The dates of the file allow both: {evidence}.{_last_time(against)}"
        if len(words) > 1
        else "The file has one date, and it allows both.",
        '--mapping FILE  with  order = "day-first"  (or "month-first") under [time]',
    )
    answer = settle(question, ask, where)
    ledger.infer("order of day and month", answer, "given", "as you said")
    return answer


def _last_time(order: str | None) -> str:
    return f" In the last file with this header they were {order}." if order else ""


def _day_steps(words: Sequence[DateWord], order: str) -> int:
    days = [word.days(order) for word in words]
    pairs = [(a, b) for a, b in itertools.pairwise(days) if a is not None and b is not None]
    return sum(1 for a, b in pairs if abs(b - a) == 1)
