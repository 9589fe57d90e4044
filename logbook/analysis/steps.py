"""Steps: pairs of samples a few seconds apart between which a load came or went; they show resistance."""

from __future__ import annotations

from typing import TYPE_CHECKING

import numpy as np
import pandas as pd

from logbook.units import MS_PER_DAY, MS_PER_S

if TYPE_CHECKING:
    from logbook.analysis.track import Track
    from logbook.schema.pack import Pack

COLUMNS = ("start_ms", "gap_s", "step_a", "step_v", "before_a", "temperature_c", "soc_percent", "voltage_v")
LONGEST_S = 10.0
LEAST_C_RATE = 0.1
MOST_A_DAY = 40


def steps(track: Track, pack: Pack) -> pd.DataFrame:
    """List the largest steps of each day with at most ten seconds between their samples."""
    readings = track.readings
    if len(readings) < 2:
        return pd.DataFrame(columns=list(COLUMNS))
    gap_s = np.diff(readings.ts_ms) / MS_PER_S
    step_a, step_v = np.diff(readings.current_a), np.diff(readings.voltage_v)
    with np.errstate(invalid="ignore"):
        useful = (gap_s <= LONGEST_S) & (np.abs(step_a) >= LEAST_C_RATE * pack.rated_ah) & ~np.isnan(step_v)
        useful &= np.minimum(readings.voltage_v[1:], readings.voltage_v[:-1]) > pack.limits.cutoff_voltage_v
    place = np.flatnonzero(useful)
    frame = pd.DataFrame(
        {
            "start_ms": readings.ts_ms[place],
            "gap_s": gap_s[place],
            "step_a": step_a[place],
            "step_v": step_v[place],
            "before_a": readings.current_a[place],
            "temperature_c": readings.temperature_c[place],
            "soc_percent": readings.soc_percent[place],
            "voltage_v": readings.voltage_v[place],
        }
    )
    day = frame["start_ms"] // MS_PER_DAY
    rank = frame["step_a"].abs().groupby(day).rank(ascending=False, method="first")
    return frame[rank <= MOST_A_DAY].reset_index(drop=True)
