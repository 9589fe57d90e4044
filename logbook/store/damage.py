"""Damage: what the logbook holds is not as it was written, told as that and not as a fault of the program."""

from __future__ import annotations

from contextlib import contextmanager
from typing import TYPE_CHECKING

from logbook.errors import BadConfiguration

if TYPE_CHECKING:
    from collections.abc import Iterator

UNREADABLE = (AttributeError, LookupError, TypeError, ValueError)
"""What reading may raise that meets anything else than what was written."""
LOOK = "Look with logbook check, which mends what can be made again with --mend; else restore a backup."


def damaged(what: str) -> BadConfiguration:
    """Give the error that says what cannot be read."""
    return BadConfiguration(f"the logbook's file is damaged: {what} cannot be read.", mend=LOOK)


@contextmanager
def blamed(what: str) -> Iterator[None]:
    """Take anything that goes wrong while `what` is read for damage to it."""
    try:
        yield
    except UNREADABLE as error:
        raise damaged(what) from error
