"""Resets: jumps of the reported state of charge to 100 %, and whether the pack was full then.

A monitor takes its voltage and tail-current settings for a full pack; thin sun at a low charging
voltage looks the same to it. Common practice, no source.
"""

from __future__ import annotations

from typing import TYPE_CHECKING

import numpy as np
import pandas as pd

if TYPE_CHECKING:
    from logbook.analysis.track import Track
    from logbook.schema.pack import Pack

COLUMNS = ("start_ms", "from_percent", "voltage_v", "current_a", "cell_v")
LEAST_JUMP_PERCENT = 3.0
FULL_PERCENT = 99.0
SURELY_NOT_FULL_CELL_V = 3.40
"""A pack that takes less than its tail current at or below this is not full (13.6 V on four cells)."""


def resets(track: Track, pack: Pack) -> pd.DataFrame:
    """List every jump up to 100 % that the current of one sample cannot explain."""
    readings = track.readings
    soc = readings.soc_percent
    if len(readings) < 2 or np.isnan(soc).all():
        return pd.DataFrame(columns=list(COLUMNS))
    with np.errstate(invalid="ignore"):
        jump = (np.diff(soc) >= LEAST_JUMP_PERCENT) & (soc[1:] >= FULL_PERCENT) & ~track.gap_after[:-1]
    place = np.flatnonzero(jump) + 1
    return pd.DataFrame(
        {
            "start_ms": readings.ts_ms[place],
            "from_percent": soc[place - 1],
            "voltage_v": readings.voltage_v[place],
            "current_a": readings.current_a[place],
            "cell_v": readings.voltage_v[place] / pack.cells_in_series,
        }
    )


def false_ones(table: pd.DataFrame) -> pd.DataFrame:
    """The resets at a voltage that no full pack shows."""
    return table[table["cell_v"] <= SURELY_NOT_FULL_CELL_V] if len(table) else table
