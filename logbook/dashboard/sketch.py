"""Sketch: a few readings and sums that show what one understanding of a file would mean; never stored."""

from __future__ import annotations

from typing import TYPE_CHECKING, Any

import numpy as np

if TYPE_CHECKING:
    from logbook.schema.reading import Readings

LONGEST_HOLD_S = 300.0
"""In a preview a current is held for five minutes at most, so that gaps do not count."""


def sketch(readings: Readings) -> dict[str, Any]:
    """A few readings that show what an interpretation means, and the charge it would make; JSON-ready."""
    if not len(readings):
        return {"count": 0, "rows": [], "charge_ah": 0.0, "discharge_ah": 0.0}
    places: dict[str, int] = {"First": 0, "Last": len(readings) - 1}
    flowing = np.isfinite(readings.current_a) & (readings.current_a != 0) & np.isfinite(readings.voltage_v)
    if flowing.any():
        volts = np.where(flowing, readings.voltage_v, np.nan)
        places = {
            "First": 0,
            "Highest voltage": int(np.nanargmax(volts)),
            "Lowest voltage": int(np.nanargmin(volts)),
            "Last": len(readings) - 1,
        }
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
            }
            for words, place in places.items()
        ],
        "charge_ah": float(flow_ah[flow_ah > 0].sum()),
        "discharge_ah": float(-flow_ah[flow_ah < 0].sum()),
    }


def finite(value: float) -> float | None:
    """A number that JSON can hold, or None."""
    return float(value) if np.isfinite(value) else None
