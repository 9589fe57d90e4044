"""Clock: times as text, cut into a date part and a time of day so that a whole file decides on day and month."""

from __future__ import annotations

import re
from dataclasses import dataclass, field, replace
from functools import lru_cache
from typing import TYPE_CHECKING, Any

import numpy as np
import pyarrow as pa
import pyarrow.compute as pc

from logbook.ingest.growing import Growing
from logbook.ingest.word import folded
from logbook.units import MS_PER_DAY, MS_PER_S, S_PER_HOUR, S_PER_MINUTE

if TYPE_CHECKING:
    from numpy.typing import NDArray

TIME_OF_DAY = re.compile(r"(?P<time>\d{1,3}:\d{2}(?::\d{2}(?:[.,:]\d+)?)?)")
RE2_TIME = r"^(?P<before>.*?)(?P<time>\d{1,3}:\d{2}(?::\d{2}(?:[.,:]\d+)?)?)(?P<after>.*)$"
DOTTED_TIME = re.compile(r"(?<=[T ,])(\d{1,2})[.h](\d{2})(?:[.m](\d{2})s?)?(?=\s*(?:[ap]\.? ?m\.?)?$)", re.IGNORECASE)
COMPACT = re.compile(r"^(\d{4})(\d{2})(\d{2})[T_ -]?(\d{2})(\d{2})(\d{2})?(Z?)$")
ISO = re.compile(r"^\d{4}-\d{2}-\d{2}[T ]\d{2}:\d{2}(:\d{2}([.]\d{1,9})?)?(?P<zone>Z|[+-]\d{2}:?\d{2})?$")
OFFSET = re.compile(r"(?:utc|gmt|z)?\s*([+-])(\d{1,2}):?(\d{2})?(?!\d)")
ZERO_OFFSETS = re.compile(r"(?<![a-z])(z|utc|gmt|zulu)(?![a-z])")
EXTRA_DAYS = re.compile(r" \+(\d+)d$")
AFTERNOON = re.compile(r"(?<![a-z])p\.? ?m\.?(?![a-z])|nachm|пп|午後|下午|오후")
MORNING = re.compile(r"(?<![a-z])a\.? ?m\.?(?![a-z])|vorm|дп|午前|上午|오전")
MONTHS = {
    name: number
    for number, names in enumerate(
        (
            "jan januar january janvier janv enero ene gennaio gen styczen stycznia sty janeiro januari leden янв января",
            "feb februar february fevrier fevr febrero febbraio luty lutego lut fevereiro fev februari unor фев февраля",
            "mar march marz mrz maerz mars marzo marzec marca marco maart mrt brezen мар марта",
            "apr april avril avr abril abr aprile kwiecien kwietnia kwi duben апр апреля",
            "may mai mayo maggio mag maj maja mei kveten maio май мая",
            "jun june juni juin junio giugno giu czerwiec czerwca cze junho cerven июн июня",
            "jul july juli juillet juil julio luglio lug lipiec lipca lip julho cervenec июл июля",
            "aug august aout agosto ago sierpien sierpnia sie augustus augusti srpen авг августа",
            "sep sept september septembre septiembre settembre set wrzesien wrzesnia wrz setembro zari сен сентября",
            "oct october okt oktober octobre octubre ottobre ott pazdziernik pazdziernika paz outubro out rijen окт октября",
            "nov november novembre noviembre listopad listopada lis novembro ноя ноября",
            "dec december dez dezember decembre diciembre dic dicembre grudzien grudnia gru dezembro prosinec дек декабря",
        ),
        start=1,
    )
    for name in names.split()
}
ORDERS = ("year-first", "day-first", "month-first")
WHOLE, NO_TIME = -1, -2
"""In place of a date word: the time is whole without one; the text is no time."""


@dataclass(frozen=True)
class DateWord:
    """One distinct date text: its fields as they stand, and what else it says."""

    fields: tuple[int, int, int] | None
    """Numbers in written order; with a named month always year, month, day."""
    order: str | None
    """The order where the text alone proves it."""
    half_day_h: int | None
    """0 for a.m., 12 for p.m., None for a 24-hour clock."""
    offset_min: int | None
    mark: str = ""
    """The mark between the fields."""
    extra_days: int = 0
    """Midnights passed since the date was last stated."""

    def days(self, order: str) -> int | None:
        """Days since 1970 read in this order; None where that is no date."""
        if self.fields is None:
            return None
        first, second, third = self.fields
        chosen = self.order or order
        year, month, day = {
            "year-first": (first, second, third),
            "day-first": (third, second, first),
            "month-first": (third, first, second),
        }[chosen]
        days = _days(year + (2000 if year < 70 else 1900 if year < 100 else 0), month, day)
        return None if days is None else days + self.extra_days


@lru_cache(maxsize=65536)
def _days(year: int, month: int, day: int) -> int | None:
    try:
        return int((np.datetime64(f"{year:04d}-{month:02d}-{day:02d}") - np.datetime64("1970-01-01")).astype(int))
    except ValueError:
        return None


def read_date_word(text: str) -> DateWord:
    """Read what is left of a time text once the time of day is cut out."""
    if match := EXTRA_DAYS.search(text):
        return replace(_read_date_word(text[: match.start()]), extra_days=int(match[1]))
    return _read_date_word(text)


def _read_date_word(text: str) -> DateWord:
    plain = folded(text)
    half = 12 if AFTERNOON.search(plain) else 0 if MORNING.search(plain) else None
    before, _, after = plain.partition("\x1f")
    offset = _offset(after)
    before = before.rstrip(" t,")
    if match := re.fullmatch(r"\D*?(\d{4})(\d{2})(\d{2})", before):
        return DateWord((int(match[1]), int(match[2]), int(match[3])), "year-first", half, offset)
    pieces = (
        f"{before} {_without_zone(after)}"
        if not re.search(r"\d", before) or not re.search(r"\d{4}|\d.*\d", before)
        else before
    )
    named = [MONTHS[word] for word in re.findall(r"[^\W\d_]+", pieces) if word in MONTHS]
    numbers = re.findall(r"(?<!\d)\d{1,9}(?!\d)", pieces)
    if named and len(numbers) >= 2:
        return _named_month(named[0], numbers, half, offset)
    if len(numbers) < 3:
        return DateWord(None, None, half, offset)
    mark = re.search(r"\d([./-])", pieces)
    fields = (int(numbers[0]), int(numbers[1]), int(numbers[2]))
    return DateWord(fields, "year-first" if len(numbers[0]) == 4 else None, half, offset, mark[1] if mark else "")


def _named_month(month: int, numbers: list[str], half: int | None, offset: int | None) -> DateWord:
    year_first = len(numbers[0]) == 4
    year, day = (numbers[0], numbers[1]) if year_first else (numbers[1], numbers[0])
    number = int(year) + (2000 if len(year) <= 2 else 0)
    return DateWord((number, month, int(day)), "year-first", half, offset)


def _offset(after: str) -> int | None:
    if match := OFFSET.search(after):
        minutes = int(match[2]) * 60 + int(match[3] or 0)
        return minutes if match[1] == "+" else -minutes
    return 0 if ZERO_OFFSETS.search(after) else None


def _without_zone(after: str) -> str:
    return OFFSET.sub("", after) if re.search(r"(utc|gmt|z)?\s*[+-]\d{2}:?\d{2}\s*$", after) else after


@lru_cache(maxsize=1 << 17)
def read_time_of_day(text: str) -> int:
    """Milliseconds since midnight of `h:mm[:ss[.fff]]`; -1 where the text is none."""
    parts = re.split(r"[:.,]", text)
    if len(parts) < 2 or not all(part.isdigit() for part in parts):
        return -1
    seconds = int(parts[0]) * S_PER_HOUR + int(parts[1]) * S_PER_MINUTE + (int(parts[2]) if len(parts) > 2 else 0)
    if int(parts[1]) > 59 or (len(parts) > 2 and int(parts[2]) > 60):
        return -1
    return seconds * MS_PER_S + (round(float("0." + parts[3]) * MS_PER_S) if len(parts) > 3 else 0)


def midnights(ms: NDArray[np.int64]) -> NDArray[np.bool_]:
    """Rows at which a time of day fell back past midnight; a stray one, before or after which it goes on, is none."""
    before, ahead = np.concatenate([ms[:1], ms[:1], ms])[: len(ms)], np.append(ms[1:], ms[-1:] - MS_PER_DAY)
    last = np.concatenate([ms[:1], ms])[: len(ms)]
    back = ms - last < -MS_PER_DAY // 2
    stray = (ahead >= last) & (ahead - last < MS_PER_DAY // 2)
    after_stray = (last - before > MS_PER_DAY // 2) & (ms >= before) & (ms - before < MS_PER_DAY // 2)
    return back & ~stray & ~after_stray


@dataclass
class ClockColumn:
    """Times of one section, gathered block by block."""

    expected: int = 0
    words: dict[str, int] = field(default_factory=dict)
    dates: Growing = field(init=False)
    """Index into `words`; WHOLE where `ms` is the whole time, NO_TIME where there is none."""
    ms: Growing = field(init=False)
    zoned: bool = False
    """Whether whole times came with their own offset, and so are UTC."""

    def __post_init__(self) -> None:
        self.dates = Growing(np.int32, self.expected)
        self.ms = Growing(np.int64, self.expected)

    def add(self, column: Any) -> NDArray[np.bool_]:
        """Take in a block of texts (Arrow string array); give a mask of those that are no time."""
        if pa.types.is_timestamp(column.type):
            self._add_stamps(column)
        elif not self._add_iso(column):
            self._add_words(pc.utf8_trim_whitespace(column))
        return np.asarray(self.dates.last == NO_TIME)

    def kind(self) -> pa.DataType | None:
        """The kind of its times, where all so far were whole and of one."""
        return None if self.words or not len(self.dates) else self.kind_of(zoned=self.zoned)

    @staticmethod
    def kind_of(*, zoned: bool) -> pa.DataType:
        """The kind of whole times, with or without their own offset."""
        return pa.timestamp("ns", "UTC" if zoned else None)

    def keep(self, rows: NDArray[np.bool_]) -> None:
        """Keep only these rows of the last block."""
        self.dates.keep(rows)
        self.ms.keep(rows)

    def _add_iso(self, column: Any) -> bool:
        first = next((text.as_py() for text in column[:50] if text.as_py()), "")
        match = ISO.match(first)
        zoned = bool(match and match["zone"])
        if not match or (len(self.dates) and zoned != self.zoned) or self.words:
            return False
        try:
            stamps = pc.cast(column, self.kind_of(zoned=zoned))
        except pa.ArrowInvalid:
            return False
        if stamps.null_count:
            return False
        self.zoned = zoned
        self._add_stamps(stamps)
        return True

    def _add_stamps(self, stamps: Any) -> None:
        whole = stamps.cast(pa.int64()).to_numpy(zero_copy_only=False)
        self.ms.add((whole + 500_000) // 1_000_000)
        self.dates.add(np.full(len(whole), WHOLE, np.int32))

    def _add_words(self, column: Any) -> None:
        dates, times = _split(column)
        word_of = np.array(
            [self.words.setdefault(text, len(self.words)) for text in dates.dictionary.to_pylist()], np.int32
        )
        day_ms = np.array([read_time_of_day(text) for text in times.dictionary.to_pylist()], np.int64)
        if not len(word_of) or not len(day_ms):
            self.dates.add(np.full(len(column), NO_TIME, np.int32))
            self.ms.add(np.zeros(len(column), np.int64))
            return
        date_index = _indices(dates)
        time_index = _indices(times)
        ms = np.where(time_index < 0, -1, day_ms[time_index])
        index = np.where((date_index < 0) | (ms < 0), NO_TIME, word_of[date_index]).astype(np.int32)
        self.dates.add(index)
        self.ms.add(ms)


def _indices(encoded: Any) -> NDArray[np.int64]:
    return np.asarray(encoded.indices.fill_null(-1).to_numpy(zero_copy_only=False), np.int64)


def _split(column: Any) -> tuple[Any, Any]:
    """Date texts and times of day, each dictionary encoded; null where there is no time."""
    column = column.combine_chunks() if isinstance(column, pa.ChunkedArray) else column
    column = column.chunk(0) if isinstance(column, pa.ChunkedArray) else column
    return _split_alike(column) or _split_each(column)


def _split_alike(column: Any) -> tuple[Any, Any] | None:
    """Cut all texts at the same places; None where they have not all the shape of the first."""
    first = column[0].as_py() if len(column) and not column.null_count else ""
    match = TIME_OF_DAY.search(first)
    if not match or not pc.all(pc.equal(pc.binary_length(column), len(first.encode()))).as_py():
        return None
    low, high = match.span()
    times = pc.dictionary_encode(pc.utf8_slice_codeunits(column, low, high))
    dates = pc.dictionary_encode(
        _with_mark(pc.utf8_slice_codeunits(column, 0, low), pc.utf8_slice_codeunits(column, high))
    )
    digits = re.compile(re.sub(r"\d", r"\\d", re.escape(first[low:high])))
    edge = re.compile(r".*\d\x1f|.*\x1f\d")
    alike = all(digits.fullmatch(text) for text in times.dictionary.to_pylist())
    return (dates, times) if alike and not any(edge.fullmatch(text) for text in dates.dictionary.to_pylist()) else None


def _split_each(column: Any) -> tuple[Any, Any]:
    """Cut each text where its own time of day stands."""
    found = pc.extract_regex(_plain_times(column), RE2_TIME)
    times = pc.if_else(found.is_valid(), pc.struct_field(found, "time"), None)
    dates = _with_mark(pc.struct_field(found, "before"), pc.struct_field(found, "after"))
    return pc.dictionary_encode(dates), pc.dictionary_encode(times)


def _with_mark(before: Any, after: Any) -> Any:
    """What stands before and after the time of day, with a mark in its place."""
    return pc.binary_join_element_wise(before, after, "\x1f")


def _plain_times(column: Any) -> Any:
    """Rewrite rare spellings (14.30, 14h30, 20240303T1430) with colons, by distinct text."""
    if pc.all(pc.match_substring(column, ":")).as_py():
        return column
    encoded = pc.dictionary_encode(column)
    plain = pa.array([_plain_time(text or "") for text in encoded.dictionary.to_pylist()], pa.string())
    return plain.take(encoded.indices) if len(plain) else column


def _plain_time(text: str) -> str:
    if ":" in text:
        return text
    if match := COMPACT.match(text):
        year, month, day, hour, minute, second, zone = match.groups()
        return f"{year}-{month}-{day} {hour}:{minute}:{second or '00'}{zone}"
    return DOTTED_TIME.sub(lambda match: f"{match[1]}:{match[2]}:{match[3] or '00'}", text)
