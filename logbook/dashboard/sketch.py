"""Sketch: a few readings and sums that show what one understanding of a file would mean; never stored."""

from __future__ import annotations

from typing import TYPE_CHECKING, Any

import numpy as np

from logbook.errors import LogbookError
from logbook.ingest.archive import open_source
from logbook.ingest.options import ImportOptions
from logbook.ingest.text import Text

if TYPE_CHECKING:
    from pathlib import Path

    from logbook.schema.reading import Readings

LONGEST_HOLD_S = 300.0
"""In a preview a current is held for five minutes at most, so that gaps do not count."""
MOST_LINES, LONGEST_LINE = 8, 300
TIMES = {"time_zone", "start", "date_order"}
"""Questions about when: the first readings and the last one tell."""


def sketch(readings: Readings, key: str = "") -> dict[str, Any]:
    """A few readings that show what an answer to the question `key` means, and the charge it makes; JSON-ready."""
    if not len(readings):
        return {"count": 0, "rows": [], "charge_ah": 0.0, "discharge_ah": 0.0}
    held_s = np.minimum(np.diff(readings.ts_ms, append=readings.ts_ms[-1]) / 1000, LONGEST_HOLD_S)
    flow_ah = np.nan_to_num(readings.current_a) * held_s / 3600
    return {
        "count": len(readings),
        "rows": [
            {
                "what": words,
                "ts_ms": int(readings.ts_ms[place]),
                "voltage_v": finite(readings.voltage_v[place]),
                "current_a": finite(readings.current_a[place]),
                "temperature_c": finite(readings.temperature_c[place]),
            }
            for words, place in places_of(readings, key).items()
        ],
        "charge_ah": float(flow_ah[flow_ah > 0].sum()),
        "discharge_ah": float(-flow_ah[flow_ah < 0].sum()),
    }


def places_of(readings: Readings, key: str) -> dict[str, int]:
    """Which readings show it: the extremes of what the question is about, between the first and the last."""
    last = len(readings) - 1
    if key in TIMES:
        return {"First": 0, "Second": min(1, last), "Last": last}
    if key == "temperature_unit" and np.isfinite(readings.temperature_c).any():
        warmth = readings.temperature_c
        return {"First": 0, "Coldest": int(np.nanargmin(warmth)), "Warmest": int(np.nanargmax(warmth)), "Last": last}
    flowing = np.isfinite(readings.current_a) & (readings.current_a != 0) & np.isfinite(readings.voltage_v)
    if not flowing.any():
        return {"First": 0, "Last": last}
    volts = np.where(flowing, readings.voltage_v, np.nan)
    return {
        "First": 0,
        "Highest voltage": int(np.nanargmax(volts)),
        "Lowest voltage": int(np.nanargmin(volts)),
        "Last": last,
    }


def first_lines(path: Path) -> list[str]:
    """The first lines of a file as they stand in it; none where it is no text."""
    try:
        head = Text(open_source(path, ImportOptions())).head()
    except (LogbookError, OSError):
        return []
    return [line[:LONGEST_LINE] for line in head[:MOST_LINES]]


def finite(value: float) -> float | None:
    """A number that JSON can hold, or None."""
    return float(value) if np.isfinite(value) else None
