"""Every error a user can meet, and the exit code each ends with.

LogbookError                what went wrong, where, and how to mend it
├── BadData          65     the file was read, but cannot be understood
├── InputMissing     66     a file that was named cannot be read
├── UnknownName      65     no pack, import or zone of that name
├── Unanswered       65     the data cannot decide and nobody was asked
├── Unavailable      69     a port or service cannot be had
├── CannotWrite      73     the logbook or an output cannot be written
└── BadConfiguration 78     a setting, mapping or logbook version is unusable
NotEnoughData               a computation lacks evidence (an answer, not a failure)

Exit codes: 0 done, 1 finished but some files failed, 2 wrong usage,
70 a bug of ours, 130 interrupted; 64 to 78 follow sysexits.h.
"""

from __future__ import annotations

import difflib
from typing import TYPE_CHECKING

if TYPE_CHECKING:
    from collections.abc import Iterable


class LogbookError(Exception):
    """Something the user can mend, said in three parts."""

    exit_code = 70

    def __init__(self, what: str, *, where: str = "", mend: str = "") -> None:
        super().__init__(what)
        self.what = what
        self.where = where
        self.mend = mend

    def __str__(self) -> str:
        """Give the message as people read it: where, what, then how to mend."""
        head = f"{self.where}: {self.what}" if self.where else self.what
        return f"{head}\n{self.mend}" if self.mend else head


class BadData(LogbookError):
    """The file was read, but cannot be understood."""

    exit_code = 65


class InputMissing(LogbookError):
    """A file that was named cannot be read."""

    exit_code = 66


class UnknownName(LogbookError):
    """No pack, import or zone of that name."""

    exit_code = 65


class Unanswered(LogbookError):
    """The data cannot decide and nobody was there to ask."""

    exit_code = 65


class Unavailable(LogbookError):
    """A port or service cannot be had."""

    exit_code = 69


class CannotWrite(LogbookError):
    """The logbook or an output cannot be written."""

    exit_code = 73


class BadConfiguration(LogbookError):
    """A setting, mapping or logbook version is unusable."""

    exit_code = 78


class NotEnoughData(Exception):
    """A computation lacks evidence; the text says what is missing and what would supply it."""


def nearest(name: str, known: Iterable[str]) -> str:
    """Suggest the known name nearest to a mistyped one, or say nothing."""
    match = difflib.get_close_matches(name, list(known), n=1, cutoff=0.5)
    return f'Did you mean "{match[0]}"?' if match else ""
