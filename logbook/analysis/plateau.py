"""Plateau: the voltage to which a pack falls once some percent have gone out of it, the mark for how near full it was.

How far a pack falls from its top to its own plateau tells more than the voltage itself: plateaus of LiFePO4 cells lie
25 mV apart, and a voltmeter is right to 5 mV a cell, but both are in the top and in the plateau alike. Four public
cells fall so far from the same state of charge to within half a percent where they fall by 50 mV or more.
"""

from __future__ import annotations

from typing import TYPE_CHECKING

import numpy as np

from logbook.analysis.ending import resting_cell_v
from logbook.units import MS_PER_DAY

if TYPE_CHECKING:
    import pandas as pd
    from numpy.typing import NDArray

    from logbook.analysis.track import Track
    from logbook.schema.pack import Pack

FALL_V = np.array([0.016, 0.020, 0.025, 0.030, 0.035, 0.040, 0.050, 0.060, 0.070, 0.080, 0.100, 0.120, 0.150])
"""From a top at rest to the plateau of a discharge, V a cell."""
HELD_SOC = np.array([0.80, 0.80, 0.836, 0.887, 0.935, 0.977, 0.986, 0.989, 0.991, 0.993, 0.996, 0.997, 0.998])
HELD_SIGMA = np.array([0.12, 0.12, 0.100, 0.100, 0.090, 0.020, 0.013, 0.012, 0.012, 0.012, 0.012, 0.012, 0.012])
RESTED_SOC = np.array([0.88, 0.89, 0.978, 0.982, 0.985, 0.987, 0.990, 0.992, 0.993, 0.995, 0.996, 0.997, 0.998])
RESTED_SIGMA = np.array([0.10, 0.10, 0.040, 0.027, 0.018, 0.012, 0.011, 0.010, 0.010, 0.010, 0.010, 0.010, 0.010])
"""State of charge from the fall, for a top on the branch after a charge and for one that rested, which lies between the
branches: means of the cell of Jahn et al. 2024, doi 10.1038/s44172-024-00221-4, of the US26650 with its hysteresis
(Naumann, thesis TUM 2018), and of the two others of `ocv` with the half gap of the first. 1 sd for how far they lie
apart, for the branch, and for 4 mV in the fall; no less than 1 %, for packs are of more than four kinds of cell and a
charger may just have gone (ours). A pack that hardly falls was on the plateau, whatever a voltmeter says."""
GONE_SHARE = (0.06, 0.12)
"""So much of its rating has gone out of a pack on the plateau; the step in the middle of the curve is still far."""
PUT_BACK_SHARE = 0.015
"""After more charge than this the plateau is that of neither branch (ours)."""
GENTLE_C_RATE = 0.15
LEAST_SAMPLES = 5
LEAST_SEEN, SPREAD_CELL_V, SURELY_TOP_CELL_V = 3, 0.010, 3.40
ANYWHERE = (0.85, 0.12)
"""State of charge, and its sigma, of a top that may lie anywhere above the step in the middle of the curve (ours)."""
KINDS = {
    "held": (HELD_SOC, HELD_SIGMA),
    "nearly_full": (HELD_SOC, HELD_SIGMA),
    "rested_full": (RESTED_SOC, RESTED_SIGMA),
}


def plateau_cell_v(track: Track, pack: Pack, places: NDArray[np.int64]) -> NDArray[np.float64]:
    """Voltage of a cell on the plateau of the discharge that follows each of these samples [n], V; NaN where none is seen."""
    readings = track.readings
    gaps = np.flatnonzero(track.gap_after)
    seen = np.full(len(places), np.nan)
    for row, place in enumerate(places.tolist()):
        pause = np.searchsorted(gaps, place)
        until = int(gaps[pause]) + 1 if pause < len(gaps) else len(track)
        day = int(np.searchsorted(readings.ts_ms, readings.ts_ms[place] + MS_PER_DAY))
        after = slice(place, min(until, day))
        gone = (track.net_ah[place] - track.net_ah[after]) / pack.rated_ah
        put_back = (track.charge_ah[after] - track.charge_ah[place]) / pack.rated_ah
        amps = readings.current_a[after]
        with np.errstate(invalid="ignore"):
            there = (gone >= GONE_SHARE[0]) & (gone <= GONE_SHARE[1]) & (put_back <= PUT_BACK_SHARE)
            there &= (amps < 0) & (amps >= -GENTLE_C_RATE * pack.rated_ah)
        cell_v = resting_cell_v(readings.voltage_v[after], amps, readings.temperature_c[after], pack)[there]
        cell_v = cell_v[np.isfinite(cell_v)]
        if len(cell_v) >= LEAST_SAMPLES:
            seen[row] = np.median(cell_v)
    return seen


def _varies(plateaus_v: NDArray[np.float64]) -> bool:
    """Whether what was seen is no plateau: that of a pack is the same within millivolts, the step below it is not."""
    return len(plateaus_v) >= LEAST_SEEN and float(np.subtract(*np.percentile(plateaus_v, [75, 25]))) > SPREAD_CELL_V


def by_fall(anchors: pd.DataFrame) -> pd.DataFrame:
    """The anchors, those near full read against the plateau of the pack where one was seen."""
    plateau_v = anchors["plateau_cell_v"].median()
    if np.isnan(plateau_v):
        return anchors
    anchors = anchors.copy()
    if _varies(anchors["plateau_cell_v"].dropna().to_numpy(float)):
        low = anchors["kind"].isin(KINDS) & (anchors["top_cell_v"] < SURELY_TOP_CELL_V)
        anchors.loc[low, ["soc", "sigma"]] = ANYWHERE
        return anchors
    for kind, (socs, sigmas) in KINDS.items():
        fall_v = anchors["top_cell_v"].to_numpy(float) - plateau_v
        sigma = np.hypot(np.interp(fall_v, FALL_V, sigmas), anchors["unsure"].to_numpy(float))
        read = (anchors["kind"] == kind) & np.isfinite(fall_v)
        anchors.loc[read, "soc"] = np.interp(fall_v, FALL_V, socs)[read]
        anchors.loc[read, "sigma"] = sigma[read]
    return anchors
