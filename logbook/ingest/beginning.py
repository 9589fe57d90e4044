"""Beginning: when time that is only counted began, by the lines above the table, the file's name, or its owner."""

from __future__ import annotations

import re
from typing import TYPE_CHECKING

import numpy as np

from logbook.errors import BadData
from logbook.ingest.clock import DateWord, read_time_of_day
from logbook.ingest.question import Question, settle
from logbook.units import MS_PER_DAY, MS_PER_S, S_PER_HOUR, S_PER_MINUTE

if TYPE_CHECKING:
    from collections.abc import Sequence

    from logbook.ingest.ledger import Ledger
    from logbook.ingest.question import Ask


def beginning(given: str | None, preamble: Sequence[str], file_name: str, ask: Ask | None, ledger: Ledger) -> int:
    """Local ms at which elapsed time is zero: given, above the table, in the file's name, or asked."""
    if given:
        found = start_in([given])
        if found is None:
            raise BadData(
                f'The start "{given}" is no date and time.', mend='Write it as  start = "2024-03-05 14:30:00"'
            )
        return found
    if (known := ledger.answer("start")) is not None and (found := start_in([known])) is not None:
        return found  # a header that stands again has no lines above it
    for place, texts in (
        ("the lines above the table", preamble),
        ("the file's name", [file_name]),
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
    answer = settle(question, ask, file_name)
    found = start_in([answer])
    if found is None:
        raise BadData(f'"{answer}" is no date and time.', where=file_name, mend="Write it as 2024-03-05 14:30:00")
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
