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
ROUNDED_ALIKE_H = 6.0
"""Hours over which a steady load is rounded the same way, so that the error adds up (ours)."""


def quiet_hours(hours: pd.DataFrame, pack: Pack) -> pd.DataFrame:
    """The rows of quiet hours."""
    return hours[lasting_h(hours, pack) > 0]


def lasting_h(hours: pd.DataFrame, pack: Pack) -> NDArray[np.float64]:
    """For each hour how many quiet ones it belongs to, 0 where it is not quiet; [hours].

    Quiet are at least a day on end without charge, fully logged, board closed, with a small and steady draw. Somebody
    who lives aboard shows in loads that switch and in evenings unlike nights, however small the pack's share.
    """
    if hours.empty:
        return np.empty(0)
    calm = (
        (hours["logged_s"] >= 0.95 * S_PER_HOUR)
        & (hours["charge_ah"] <= QUIET_CHARGE_C_RATE * pack.rated_ah)
        & (hours["max_discharge_a"] <= QUIET_DISCHARGE_C_RATE * pack.rated_ah)
        & (hours["switched_ah"] <= QUIET_SWITCHED_AH)
        & (hours["min_voltage_v"] > 0.8 * pack.limits.cutoff_voltage_v)
    ).to_numpy()
    start_ms = hours["start_ms"].to_numpy()
    new_run = np.append(True, (np.diff(start_ms) > MS_PER_HOUR) | ~calm[1:] | ~calm[:-1])
    run = np.cumsum(new_run)
    drawn_ah = (hours["discharge_ah"] - hours["charge_ah"]).to_numpy(float)
    length = np.bincount(run, minlength=run[-1] + 1)
    level = np.bincount(run, weights=drawn_ah) / np.maximum(length, 1)
    apart = np.sqrt(np.maximum(np.bincount(run, weights=(drawn_ah - level[run]) ** 2) / np.maximum(length, 1), 0.0))
    steady = apart <= np.maximum(UNSTEADY_A, UNSTEADY_SHARE * np.abs(level))
    return np.asarray(np.where(calm & (length >= LEAST_QUIET_HOURS)[run] & steady[run], length[run], 0.0), float)


def alike_h(hours: pd.DataFrame, pack: Pack) -> NDArray[np.float64]:
    """For each hour over how many its current is rounded the same way: some, and as long as a parked draw lasts; [hours]."""
    return np.maximum(ROUNDED_ALIKE_H, lasting_h(hours, pack))
