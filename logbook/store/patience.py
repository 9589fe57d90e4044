"""Patience: waiting for another program's transaction to end, so that Ctrl-C ends the wait and a long one is told."""

from __future__ import annotations

import logging
import time
from typing import TYPE_CHECKING, TypeVar

if TYPE_CHECKING:
    from collections.abc import Callable
    from pathlib import Path

Done = TypeVar("Done")

log = logging.getLogger(__name__)

MOMENT_S = 3.0
"""A wait for another program's transaction that needs no word."""
SLICE_MS = 200
"""Of a wait, between which it can be broken off; the database's own cannot."""


def patiently(
    attempt: Callable[[int], Done], patience_ms: int, path: Path, errors: tuple[type[Exception], ...]
) -> Done:
    """Try until nobody holds what is needed any more; `attempt` is told how many ms it may wait by itself.

    Raises the last attempt's error, one of `errors`, where that is another than a lock or the patience is used up.
    A wait longer than a moment is told in the log, which a command shows.
    """
    began = time.monotonic()
    told = False
    while True:
        waited_s = time.monotonic() - began
        left_ms = round(patience_ms - 1000 * waited_s)
        try:
            return attempt(max(min(left_ms, SLICE_MS), 0))
        except errors as error:
            if "locked" not in str(error) or left_ms <= SLICE_MS:
                raise
        if waited_s >= MOMENT_S and not told:
            log.warning("%s: another program holds the logbook; waiting for it (Ctrl-C ends the wait).", path)
            told = True
