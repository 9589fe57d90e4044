"""Time text: the cells that say when, as one column of text; a date that stands once a day is carried on."""

from __future__ import annotations

import re
from typing import TYPE_CHECKING, Any

import numpy as np
import pyarrow as pa
import pyarrow.compute as pc

from logbook.ingest.clock import midnights, read_time_of_day
from logbook.ingest.dialect import DATE

if TYPE_CHECKING:
    from collections.abc import Sequence

DIGITS_OF_A_DATE = re.compile(r"^(\d{6}|\d{8})$")


def time_text(columns: Sequence[Any], last_date: str | None) -> tuple[Any, str | None]:
    """One column of a time, or a date and a clock joined, and the last date; `last_date` is that of the block before."""
    if len(columns) == 1:
        return columns[0], last_date
    text, clock = (pa.array(column.to_pylist(), pa.string()) for column in columns)
    if not pc.any(pc.match_substring_regex(clock, r"\D")).as_py():
        clock = pc.utf8_lpad(clock, 6, "0")
    if not text.null_count:
        return pc.binary_join_element_wise(text, clock, " "), last_date
    stated = pc.if_else(_dated(text), text, None)
    dates = pc.fill_null_forward(stated)
    if dates.null_count and last_date:
        dates = pc.fill_null(dates, last_date)
    if len(dates):
        last_date = dates[-1].as_py()
    joined = pc.binary_join_element_wise(dates, clock, " ")
    joined = _with_midnights(joined, stated, clock)
    as_they_are = pc.binary_join_element_wise(text, clock, " ")
    return pc.if_else(pc.or_(text.is_null(), stated.is_valid()), joined, as_they_are), last_date


def _dated(text: Any) -> Any:
    """Which cells of a date column that is often empty hold a date; all that hold anything, where few look like one."""
    encoded = pc.dictionary_encode(text)
    words = encoded.dictionary.to_pylist()
    kinds = ([bool(DATE.search(word)) for word in words], [bool(DIGITS_OF_A_DATE.match(word)) for word in words])
    looks = max(kinds, key=sum)
    if sum(looks) < 0.5 * len(words):
        return text.is_valid()
    return pc.fill_null(pa.array(looks, pa.bool_()).take(encoded.indices), False)


def _with_midnights(joined: Any, dates: Any, clock: Any) -> Any:
    """Where the date stands only once a day and its row is lost, a clock that falls back has passed midnight."""
    ms = np.array([read_time_of_day(text or "") for text in clock.to_pylist()], np.int64)
    back = np.zeros(len(ms), bool)
    back[ms >= 0] = midnights(ms[ms >= 0])
    stated = dates.is_valid().to_numpy(zero_copy_only=False)
    passed = np.cumsum(back & ~stated)
    passed = passed - np.maximum.accumulate(np.where(stated, passed, 0))
    if not passed.any():
        return joined
    return pa.array(
        [
            f"{text} +{days}d" if days and text else text
            for text, days in zip(joined.to_pylist(), passed.tolist(), strict=True)
        ]
    )
