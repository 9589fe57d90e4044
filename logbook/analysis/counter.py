"""Counter: the monitor's own count, read off its state of charge, beside the count of the samples.

Most monitors count charge between samples too, so over some hours their change of state of charge
times the typed-in capacity tells what point samples of switching loads missed. It says nothing of
the pack's capacity: the scale is the typed-in one.
"""

from __future__ import annotations

from typing import TYPE_CHECKING

import numpy as np
import pandas as pd

from logbook.analysis.runs import runs
from logbook.units import MS_PER_DAY, S_PER_HOUR

if TYPE_CHECKING:
    from numpy.typing import NDArray

    from logbook.analysis.track import Track
    from logbook.schema.pack import Pack

COLUMNS = (
    "start_ms",
    "end_ms",
    "soc_change_percent",
    "charge_ah",
    "discharge_ah",
    "switched_ah",
    "logged_s",
    "resolution_percent",
    "late_ah",
)
CLAMPED_PERCENT = 2.0
"""So near to 0 or 100 a counter may stand at its stop."""
JUMP_PERCENT = 2.5
LATE_S = 60.0
"""1 sd of how old the percentage is that a monitor shows (ours)."""
SLOW_C_RATE = 0.1
"""Where more flows, as beside a kettle, that makes the count at a step unsharp: others are looked for first (ours)."""
SHORTEST_S = 3 * S_PER_HOUR


def counter(track: Track, pack: Pack) -> pd.DataFrame:
    """List stretches within a day in which the reported state of charge counts freely."""
    readings = track.readings
    if len(readings) < 2 or np.isnan(readings.soc_percent).all():
        return pd.DataFrame(columns=list(COLUMNS))
    soc = readings.soc_percent
    step = np.append(np.diff(soc), 0.0)
    expected = np.nan_to_num(readings.current_a) * track.held_s / S_PER_HOUR / pack.rated_ah * 100
    slowly = np.abs(np.nan_to_num(readings.current_a)) <= SLOW_C_RATE * pack.rated_ah
    slowly[1:] &= slowly[:-1].copy()
    slowly[:-1] &= slowly[1:].copy()
    day = readings.ts_ms // MS_PER_DAY
    day_ends = np.append(day[1:] != day[:-1], True)
    with np.errstate(invalid="ignore"):
        free = (soc > CLAMPED_PERCENT) & (soc < 100 - CLAMPED_PERCENT) & (np.abs(step - expected) < JUMP_PERCENT)
    rows = []
    for first, last in runs(free, track.gap_after | day_ends):
        inside = soc[first : last + 1]
        resolution = 1.0 if np.all(inside == np.round(inside)) else 0.1
        change = np.abs(np.diff(inside))
        sharp = (change > 0) & ((change <= 1.5 * resolution) | (resolution < 1.0))
        ends = _ends(track, first + np.flatnonzero(sharp & slowly[first:last]))
        ends = ends or _ends(track, first + np.flatnonzero(sharp))
        if ends is None:
            continue
        begin, end = ends
        amps = np.nan_to_num(readings.current_a[[begin, end]])
        rows.append(
            (
                readings.ts_ms[begin],
                readings.ts_ms[end],
                _crossed(soc, begin, end),
                _crossed(track.charge_ah, begin, end),
                _crossed(track.discharge_ah, begin, end),
                _crossed(track.switched_ah, begin, end),
                _crossed(track.logged_s, begin, end),
                resolution,
                float(np.linalg.norm(amps)) * LATE_S / S_PER_HOUR,
            )
        )
    return pd.DataFrame(rows, columns=list(COLUMNS))


def _ends(track: Track, moves: NDArray[np.intp]) -> tuple[int, int] | None:
    """The first and last of these steps, where they lie far enough apart."""
    if len(moves) < 2 or track.logged_s[moves[-1]] - track.logged_s[moves[0]] < SHORTEST_S:
        return None
    return int(moves[0]), int(moves[-1])


def _crossed(values: NDArray[np.float64], begin: int, end: int) -> float:
    """Change between two moments at which the percentage stepped: there, and only there, it is known sharply."""
    return float(values[end] + values[end + 1] - values[begin] - values[begin + 1]) / 2
