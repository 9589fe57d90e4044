"""Dead band: the current below which an instrument shows exactly nothing, and what may flow in it unseen."""

from __future__ import annotations

from typing import TYPE_CHECKING

import numpy as np
import pandas as pd

from logbook.units import MS_PER_DAY

if TYPE_CHECKING:
    from logbook.analysis.track import Track

COLUMNS = ("start_ms", "least_a")
QUANTILE_OF_DAYS = 0.05
"""Some days cross zero slowly enough to show how little it can show; a steady load all day does not (ours)."""
FINEST_A = 0.01


def dead_band(track: Track) -> pd.DataFrame:
    """Smallest current other than zero on each UTC day, A; a day of nothing but zeros has no row."""
    amps = np.abs(np.nan_to_num(track.readings.current_a))
    shown = np.flatnonzero(amps > 0)
    if not len(shown):
        return pd.DataFrame({"start_ms": np.empty(0, np.int64), "least_a": np.empty(0)})
    day = track.readings.ts_ms[shown] // MS_PER_DAY
    first = np.flatnonzero(np.append(True, day[1:] != day[:-1]))
    least_a = np.minimum.reduceat(amps[shown], first)
    return pd.DataFrame({"start_ms": day[first] * MS_PER_DAY, "least_a": least_a}, columns=list(COLUMNS))


def width_a(days: pd.DataFrame) -> float:
    """The largest current that may hide behind a shown zero, A; the finest step of common sensors where none is known."""
    if days.empty:
        return FINEST_A
    return max(FINEST_A, float(np.quantile(days["least_a"].to_numpy(float), QUANTILE_OF_DAYS)))
