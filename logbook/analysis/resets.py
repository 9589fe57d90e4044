"""Resets: jumps of the reported state of charge to 100 %, and whether the pack was full then.

A monitor takes its voltage and tail-current settings for a full pack; thin sun at a low charging
voltage looks the same to it, and so does a charger at the terminals of a board that keeps its cells off.
Common practice, no source.
"""

from __future__ import annotations

from typing import TYPE_CHECKING

import numpy as np
import pandas as pd

from logbook.analysis.standoff import leaps
from logbook.units import S_PER_HOUR

if TYPE_CHECKING:
    from numpy.typing import NDArray

    from logbook.analysis.track import Track
    from logbook.schema.pack import Pack

COLUMNS = ("start_ms", "from_percent", "voltage_v", "current_a", "cell_v", "leapt")
LEAST_JUMP_PERCENT = 3.0
FULL_PERCENT = 99.0
LEAPT_MS = 30 * 60_000
SURELY_NOT_FULL_CELL_V = 3.40
"""A pack that takes less than its tail current at or below this is not full (13.6 V on four cells)."""


def resets(track: Track, pack: Pack) -> pd.DataFrame:
    """List every jump up to 100 % that the current of one sample cannot explain."""
    readings = track.readings
    soc = readings.soc_percent
    if len(readings) < 2 or np.isnan(soc).all():
        return pd.DataFrame(columns=list(COLUMNS))
    with np.errstate(invalid="ignore"):
        flowed_ah = np.fmax(readings.current_a[1:], readings.current_a[:-1]) * track.held_s[:-1] / S_PER_HOUR
        flowed = np.fmax(np.nan_to_num(flowed_ah), 0.0) / pack.rated_ah * 100
        jump = (np.diff(soc) - flowed >= LEAST_JUMP_PERCENT) & (soc[1:] >= FULL_PERCENT) & ~track.gap_after[:-1]
    place = np.flatnonzero(jump) + 1
    return pd.DataFrame(
        {
            "start_ms": readings.ts_ms[place],
            "from_percent": soc[place - 1],
            "voltage_v": readings.voltage_v[place],
            "current_a": readings.current_a[place],
            "cell_v": readings.voltage_v[place] / pack.cells_in_series,
            "leapt": _leapt(track, pack, place).astype(float),
        }
    )


def _leapt(track: Track, pack: Pack, place: NDArray[np.intp]) -> NDArray[np.bool_]:
    """Whether the voltage leapt to where it stands shortly before, while nothing flowed that could have charged the cells."""
    leaps_ms = track.readings.ts_ms[leaps(track, pack)]
    at_ms = track.readings.ts_ms[place]
    first, last = np.searchsorted(leaps_ms, at_ms - LEAPT_MS), np.searchsorted(leaps_ms, at_ms, side="right")
    return np.asarray(last > first)


def false_ones(table: pd.DataFrame) -> pd.DataFrame:
    """The resets at a voltage that no full pack shows, or that is not the cells'."""
    return table[(table["cell_v"] <= SURELY_NOT_FULL_CELL_V) | (table["leapt"] > 0)] if len(table) else table
