"""Options of an import: what the owner says about a file before it is read."""

from __future__ import annotations

from dataclasses import dataclass
from typing import TYPE_CHECKING, Literal

if TYPE_CHECKING:
    from logbook.ingest.mapping import Mapping
    from logbook.ingest.memory import Remembered

Positive = Literal["charge", "discharge"]
"""Which way a positive current of the file flows."""

MEBIBYTE = 1 << 20


@dataclass(frozen=True)
class ImportOptions:
    """What is given; whatever is None is inferred from the file, asked, or refused."""

    time_zone: str | None = None
    """Zone of clocks that say none (`Europe/Berlin`, `UTC`, `+02:00`)."""
    positive: Positive | None = None
    mapping: Mapping | None = None
    cells_in_series: int | None = None
    rated_ah: float | None = None
    default_time_zone: str | None = None
    """Zone taken, and said so, when the file and `time_zone` are silent: the pack's."""
    charging: str | None = None
    """Word of the direction column that means charging; several stand between commas."""
    clock: Literal["before", "after"] | None = None
    """Which side was right where the clock was set while it logged."""
    held_ms: tuple[int, int] | None = None
    """First and last time of the pack's readings in the logbook, and when it was bought: what dates can be."""
    bought_ms: int | None = None
    now_ms: int | None = None
    """The moment of the import, before which all readings lie; None for what this machine's clock shows."""
    device: str | None = None
    """Which of several devices in one file is meant."""
    remembered: tuple[Remembered, ...] = ()
    """How earlier files of the pack were understood, the latest first; what is given stands before it."""
    max_bytes: int = 16 * 1024 * MEBIBYTE
    """Largest unpacked size that is read."""
    max_ratio: float = 200.0
    """Largest unpacked to packed ratio; an export packs 5 to 60 fold."""
