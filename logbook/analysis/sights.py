"""Sights: the last minutes before each act of the protection board, kept as its evidence."""

from __future__ import annotations

from typing import TYPE_CHECKING

import numpy as np
import pandas as pd

from logbook.units import MS_PER_S

if TYPE_CHECKING:
    from numpy.typing import NDArray

    from logbook.analysis.track import Track

COLUMNS = ("start_ms", "ago_s", "voltage_v", "current_a", "temperature_c", "soc_percent", "lowest_cell_v")
LOOK_BACK_S = 600.0
MOST = 12
"""Samples kept of each, the latest."""


def sights(track: Track, event_ms: list[int]) -> pd.DataFrame:
    """List the readings of the ten minutes up to each event, back to the nearest pause.

    `start_ms` is the event's time, for a row belongs to the day of its event; `ago_s` is how long before it.
    """
    pieces = [_before(track, at_ms) for at_ms in sorted(set(event_ms))]
    return pd.concat(pieces, ignore_index=True) if pieces else pd.DataFrame(columns=list(COLUMNS))


def _before(track: Track, at_ms: int) -> pd.DataFrame:
    readings = track.readings
    place = int(np.searchsorted(readings.ts_ms, at_ms))
    earliest = int(np.searchsorted(readings.ts_ms, at_ms - LOOK_BACK_S * MS_PER_S))
    pause = np.flatnonzero(track.gap_after[earliest:place])
    seen = slice(max(earliest + int(pause[-1]) + 1 if len(pause) else earliest, place - MOST + 1), place + 1)
    return pd.DataFrame(
        {
            "start_ms": at_ms,
            "ago_s": (at_ms - readings.ts_ms[seen]) / MS_PER_S,
            "voltage_v": readings.voltage_v[seen],
            "current_a": readings.current_a[seen],
            "temperature_c": readings.temperature_c[seen],
            "soc_percent": readings.soc_percent[seen],
            "lowest_cell_v": lowest_cell_v(track, seen),
        }
    )


def lowest_cell_v(track: Track, samples: slice) -> NDArray[np.float64]:
    """Voltage of the lowest cell, NaN where the monitor does not tell, V."""
    cells_v = track.readings.cells_v
    if cells_v is None:
        return np.full(len(track.readings.ts_ms[samples]), np.nan)
    return np.asarray(np.fmin.reduce(cells_v[samples], axis=1))
