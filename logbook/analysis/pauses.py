"""Pauses: gaps in the log that the monitor counted through, so that what flowed meanwhile is known.

What the counter shows before and after a pause bridges it, unless the pack may have been full in
between: then the monitor started afresh, or stood at its stop. Common practice, no source.
"""

from __future__ import annotations

from typing import TYPE_CHECKING

import numpy as np
import pandas as pd

from logbook.analysis.resolution import resolution
from logbook.units import MS_PER_S, S_PER_HOUR

if TYPE_CHECKING:
    from logbook.analysis.track import Track

COLUMNS = (
    "start_ms", "end_ms", "held_s", "held_ah", "soc_change_percent", "soc_step_percent", "counted_ah", "counted_step_ah",
)  # fmt: skip
LONGEST_S = 36 * S_PER_HOUR
"""Well inside the context that the digest of a day sees."""
STOP_PERCENT = 3.0
"""So near to 0 or 100 a count may stand at its stop."""
FASTEST_C_RATE = 0.25
"""No camper charges and discharges faster than this on average (common practice, no source)."""


def pauses(track: Track) -> pd.DataFrame:
    """List the gaps with a count on both sides; `held_ah` was already counted for the last sample before."""
    readings = track.readings
    place = np.flatnonzero(track.gap_after[:-1]) if len(track) else np.empty(0, np.intp)
    if not len(place):
        return pd.DataFrame(columns=list(COLUMNS))
    soc, counted = readings.soc_percent, readings.counted_ah
    before, after = soc[place], soc[place + 1]
    away_s = (readings.ts_ms[place + 1] - readings.ts_ms[place]) / MS_PER_S
    with np.errstate(invalid="ignore"):
        free = (np.minimum(before, after) > STOP_PERCENT) & (np.maximum(before, after) < 100 - STOP_PERCENT)
        by_full_percent = (100 - before) + (100 - after)
        free &= by_full_percent >= 100 * FASTEST_C_RATE * away_s / S_PER_HOUR
    counted_ah = np.full(len(place), np.nan) if counted is None else counted[place + 1] - counted[place]
    soc_step = resolution(readings.ts_ms, soc)[place] if free.any() else np.ones(len(place))
    frame = pd.DataFrame(
        {
            "start_ms": readings.ts_ms[place],
            "end_ms": readings.ts_ms[place + 1],
            "held_s": track.held_s[place],
            "held_ah": np.nan_to_num(readings.current_a[place]) * track.held_s[place] / S_PER_HOUR,
            "soc_change_percent": after - before,
            "soc_step_percent": soc_step,
            "counted_ah": counted_ah,
            "counted_step_ah": np.nan if counted is None else resolution(readings.ts_ms, counted)[place],
        }
    )
    return frame[free & (away_s <= LONGEST_S)].reset_index(drop=True)
