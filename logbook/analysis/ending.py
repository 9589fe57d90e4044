"""Ending: what a discharge leaves in a pack where it ends, in the cold, in haste, or behind a board that opens early.

All is in shares of capacity, counted from where a discharge at 0.2 C and 25 °C ends; how much of it holds for a pack is
for `balance` to find.
"""

from __future__ import annotations

from typing import TYPE_CHECKING

import numpy as np

from logbook.analysis import ocv
from logbook.analysis.openings import TOTAL_RESISTANCE_CELL_OHM_AH
from logbook.analysis.resistance import temperature_factor
from logbook.units import MS_PER_S, S_PER_HOUR

if TYPE_CHECKING:
    import pandas as pd
    from numpy.typing import NDArray

    from logbook.analysis.track import Track
    from logbook.schema.pack import Pack

GENTLE_SHARE = 0.3
"""Share of what the cold keeps back that it keeps back from the gentlest load too (ours)."""
UNMEASURED_C = 15.0
"""Taken for a pack without a thermometer: what the cold may have kept back makes its capacity that unsure (ours)."""
COLD_OWN = 0.35
"""1 sd by which one cold discharge differs from the pack's others, share of what the cold keeps back from its load (ours)."""
REFERENCE_C_RATE, REFERENCE_END_SOC = 0.2, 0.0015
"""The discharge that capacity is referred to, and what the table shows where it ends; capacity is counted from there."""
MOST_EARLY = 0.06
"""Of a voltage on the plateau nothing more can be read (ours)."""
BRISK_S = 900.0
"""Time in which the current of a discharge decides what is left where it ends: diffusion in a cell takes as long (ours)."""


def brisk_c(track: Track, found: pd.DataFrame, pack: Pack) -> NDArray[np.float64]:
    """By how many C each discharge ran faster at its end than the 0.2 C that capacity is referred to, [n]; 0 elsewhere.

    What is left in the particles' middles follows the mean of the last minutes, not the load that happened to end it.
    """
    place, kind, edge = (found[name].to_numpy(object) for name in ("place", "kind", "edge"))
    brisk = np.zeros(len(found))
    for row in np.flatnonzero(np.isin(kind, ("empty", "knee"))).tolist():
        if edge[row] == "leave" and row and kind[row - 1] == "empty":
            brisk[row] = brisk[row - 1]
            continue
        last = int(place[row])
        first = int(np.searchsorted(track.readings.ts_ms, track.readings.ts_ms[last] - BRISK_S * MS_PER_S))
        hours = float(track.logged_s[last] - track.logged_s[first]) / S_PER_HOUR
        mean_a = float(track.net_ah[first] - track.net_ah[last]) / hours if hours else REFERENCE_C_RATE * pack.rated_ah
        brisk[row] = max(mean_a / pack.rated_ah, 0.0) - REFERENCE_C_RATE
    return brisk


def early(track: Track, found: pd.DataFrame, openings: pd.DataFrame, pack: Pack) -> NDArray[np.float64]:
    """Charge that the cells last showed before the board opened, less what went out since, shares of rated [n]; 0 elsewhere.

    Either one cell was empty before the others, or the board opens well above the cut-off voltage.
    """
    place, kind = found["place"].to_numpy(np.int64), found["kind"].to_numpy(object)
    left = np.zeros(len(found))
    for opening in openings[openings["kind"] == "under_voltage"].itertuples():
        if np.isnan(opening.before_cell_v) or np.isnan(opening.before_a):
            continue
        start = int(np.searchsorted(track.readings.ts_ms, opening.start_ms))
        awake = start if np.isnan(opening.end_ms) else int(np.searchsorted(track.readings.ts_ms, opening.end_ms))
        seen = np.array([opening.before_cell_v * pack.cells_in_series])
        cell_v = resting_cell_v(seen, np.array([opening.before_a]), np.array([opening.before_c]), pack)
        went_out = max(float(track.net_ah[start - 1] - track.net_ah[start]), 0.0) / pack.rated_ah
        shown = float(ocv.soc_discharging(cell_v[0])) - REFERENCE_END_SOC - went_out
        left[(kind == "empty") & ((place == start) | (place == awake))] = min(max(shown, 0.0), MOST_EARLY)
    return left


def end_soc(end_v: float, current_a: float, temperature_c: float, pack: Pack) -> tuple[float, float, float]:
    """State of charge left where a discharge ended at `end_v`, its sigma, and what the cold keeps back by the table.

    More is left after a surge; how much of the table holds for a pack is for `balance` to find.
    """
    cell_v = float(resting_cell_v(np.array([end_v]), np.array([current_a]), np.array([temperature_c]), pack)[0])
    soc = float(np.interp(cell_v, ocv.CELL_V, ocv.SOC)) - REFERENCE_END_SOC
    own = COLD_OWN * _cold_kept(temperature_c) * _effect(current_a, pack)
    return soc, float(np.hypot(0.004 + 0.5 * max(soc, 0.0), own)), cold_shrink(current_a, temperature_c, pack)


def cold_shrink(current_a: float, temperature_c: float, pack: Pack) -> float:
    """Share of capacity a cold pack keeps back by the table; mostly kinetic, so less from gentle loads."""
    return _cold_kept(temperature_c) * (GENTLE_SHARE + (1.0 - GENTLE_SHARE) * min(1.0, _effect(current_a, pack)))


def _cold_kept(temperature_c: float) -> float:
    """Share of capacity a cold pack keeps back at 0.3 to 0.5 C.

    Ratios to 25 °C: 0.65 at −10 °C, 0.84 at 0 °C, 0.95 at 10 °C, from cell sheets and a 10 Ah cell test.
    """
    if np.isnan(temperature_c):
        temperature_c = UNMEASURED_C
    return 1.0 - float(
        np.interp(temperature_c, [-20.0, -10.0, 0.0, 10.0, 20.0, 25.0], [0.47, 0.65, 0.84, 0.95, 0.99, 1.0])
    )


def _effect(current_a: float, pack: Pack) -> float:
    """A load as share of the 0.4 C that the table is of."""
    return abs(float(np.nan_to_num(current_a))) / (0.4 * pack.rated_ah)


def resting_cell_v(volts: np.ndarray, amps: np.ndarray, temps_c: np.ndarray, pack: Pack) -> np.ndarray:
    """Voltage of a cell less the drop of its load, V; resistance follows Arrhenius, 25 °C where not measured."""
    factor = temperature_factor(np.clip(np.where(np.isnan(temps_c), 25.0, temps_c), -20.0, 45.0))
    return np.asarray(volts / pack.cells_in_series - amps * TOTAL_RESISTANCE_CELL_OHM_AH / pack.rated_ah * factor)
