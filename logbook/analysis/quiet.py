"""Quiet: hours in which a vehicle stands parked, with a small and steady draw and nothing coming in."""

from __future__ import annotations

from typing import TYPE_CHECKING

import numpy as np

from logbook.units import MS_PER_HOUR, S_PER_HOUR

if TYPE_CHECKING:
    import pandas as pd
    from numpy.typing import NDArray

    from logbook.schema.pack import Pack

QUIET_CHARGE_C_RATE, QUIET_DISCHARGE_C_RATE = 0.002, 0.02
QUIET_SWITCHED_AH = 0.02
"""Loads of more than 1 A that come and go move more than this in an hour (ours)."""
UNSTEADY_A, UNSTEADY_SHARE = 0.1, 0.3
"""By how much the hours of a parked day may differ, 1 sd (ours)."""
LEAST_QUIET_HOURS = 24
MARK = "quiet_h"
CHARGER_HOLDS_CELL_V = 3.36
"""Most LiFePO4 cells sink below this within a day or two of rest; one that stays above it a charger may hold there, and
feed the loads past the battery (common practice, no source)."""
MAY_BE_OPEN_CELL_V = 3.15
"""A LiFePO4 pack that rests below this may be one whose board has opened while its monitor goes on to show the cells."""
SINKS_WITHIN_H, SINKS_CELL_V = 72, 0.003
"""A pack that rests for days sinks by more than this in the middle half of them (ours)."""
FED_S = 60.0
"""A minute of charge in an hour: the sun or a charger is at work (ours)."""
ROUNDED_ALIKE_H = 6.0
"""Hours over which a steady load is rounded the same way, so that the error adds up (ours)."""


def quiet_hours(hours: pd.DataFrame, pack: Pack) -> pd.DataFrame:
    """The rows of quiet hours."""
    return hours[lasting_h(hours, pack) > 0]


def marked(hours: pd.DataFrame, pack: Pack) -> pd.DataFrame:
    """The same hours with what `lasting_h` says of each kept beside it, which many answers ask for."""
    plain = hours.drop(columns=MARK, errors="ignore")
    return plain.assign(**{MARK: lasting_h(plain, pack)})


def last_alike(quiet: pd.DataFrame) -> pd.DataFrame:
    """The latest of these quiet hours: back to the stretch whose draw differs from what it was when last parked."""
    if quiet.empty:
        return quiet
    new_run = np.append(True, np.diff(quiet["start_ms"]) > MS_PER_HOUR)
    run = np.cumsum(new_run) - 1
    drawn_ah = (quiet["discharge_ah"] - quiet["charge_ah"]).to_numpy(float)
    level_a = np.bincount(run, weights=drawn_ah) / np.bincount(run)
    apart_a = np.abs(level_a - level_a[-1])
    unlike = np.flatnonzero(apart_a > np.maximum(UNSTEADY_A / 2, UNSTEADY_SHARE * abs(level_a[-1])))
    first = int(unlike[-1]) + 1 if len(unlike) else 0
    return quiet[run >= first]


def lasting_h(hours: pd.DataFrame, pack: Pack) -> NDArray[np.float64]:
    """For each hour how many quiet ones it belongs to, 0 where it is not quiet; [hours].

    Quiet are at least a day on end without charge, fully logged, board closed, with a small and steady draw and no
    charger that may hold the voltage. Somebody who lives aboard shows in loads that switch and in evenings unlike
    nights, however small the pack's share.
    """
    if MARK in hours:
        return hours[MARK].to_numpy(float)
    if hours.empty:
        return np.empty(0)
    calm = (
        (hours["logged_s"] >= 0.95 * S_PER_HOUR)
        & (hours["charge_ah"] <= QUIET_CHARGE_C_RATE * pack.rated_ah)
        & (hours["max_discharge_a"] <= QUIET_DISCHARGE_C_RATE * pack.rated_ah)
        & (hours["switched_ah"] <= QUIET_SWITCHED_AH)
        & (hours["min_voltage_v"] > _surely_closed_v(pack))
    ).to_numpy()
    start_ms = hours["start_ms"].to_numpy()
    new_run = np.append(True, (np.diff(start_ms) > MS_PER_HOUR) | ~calm[1:] | ~calm[:-1])
    run = np.cumsum(new_run)
    drawn_ah = (hours["discharge_ah"] - hours["charge_ah"]).to_numpy(float)
    length = np.bincount(run, minlength=run[-1] + 1)
    level = np.bincount(run, weights=drawn_ah) / np.maximum(length, 1)
    apart = np.sqrt(np.maximum(np.bincount(run, weights=(drawn_ah - level[run]) ** 2) / np.maximum(length, 1), 0.0))
    steady = apart <= np.maximum(UNSTEADY_A, UNSTEADY_SHARE * np.abs(level))
    lasting = (length >= LEAST_QUIET_HOURS) & steady
    quiet = calm & lasting[run] & ~_held(hours, pack, new_run)
    return np.asarray(np.where(quiet, length[run], 0.0), float)


def _surely_closed_v(pack: Pack) -> float:
    """Voltage above which the board is closed, V: lower down it may have cut the loads off."""
    lfp_v = MAY_BE_OPEN_CELL_V * pack.cells_in_series
    return lfp_v if pack.chemistry == "lfp" else 0.8 * pack.limits.cutoff_voltage_v


def _held(hours: pd.DataFrame, pack: Pack, new_run: NDArray[np.bool_]) -> NDArray[np.bool_]:
    """Hours at which a charger may stand, but for days on end in which the pack sinks, as one at rest does; [hours]."""
    cell_v = hours["min_voltage_v"].to_numpy(float) / pack.cells_in_series
    high = charger_may_hold(hours, pack)
    first = np.flatnonzero(new_run | np.append(True, high[1:] != high[:-1]))
    length = np.diff(np.append(first, len(cell_v)))
    sank_v = cell_v[first + length // 4] - cell_v[first + (3 * length) // 4]
    sinks = (length >= SINKS_WITHIN_H) & (sank_v >= SINKS_CELL_V)
    return np.asarray(high & ~np.repeat(sinks, length))


def charger_may_hold(hours: pd.DataFrame, pack: Pack) -> NDArray[np.bool_]:
    """Hours at a voltage at which a charger may stand and feed what the vehicle draws; [hours]."""
    if pack.chemistry != "lfp":
        return np.zeros(len(hours), np.bool_)
    return (hours["min_voltage_v"] >= CHARGER_HOLDS_CELL_V * pack.cells_in_series).to_numpy(bool)


def fed_zero_s(hours: pd.DataFrame, pack: Pack) -> NDArray[np.float64]:
    """Seconds of each hour in which the sensor shows exactly nothing while something may feed the loads; [hours].

    Such a zero is a balance of both, and not what the vehicle draws where nothing comes in.
    """
    at_work = (hours["charge_s"] >= FED_S).to_numpy(bool)
    fed = at_work | (charger_may_hold(hours, pack) & (lasting_h(hours, pack) == 0))
    return np.where(fed, (hours["logged_s"] - hours["live_s"]).to_numpy(float), 0.0)


def alike_h(hours: pd.DataFrame, pack: Pack) -> NDArray[np.float64]:
    """For each hour over how many its current is rounded the same way: some, and as long as a parked draw lasts; [hours]."""
    return np.maximum(ROUNDED_ALIKE_H, lasting_h(hours, pack))
