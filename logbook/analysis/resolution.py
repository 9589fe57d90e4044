"""Resolution: the step in which an instrument shows its values, judged by the UTC day."""

from __future__ import annotations

from typing import TYPE_CHECKING

import numpy as np

from logbook.units import MS_PER_DAY

if TYPE_CHECKING:
    import pandas as pd
    from numpy.typing import NDArray

STEPS = (1.0, 0.5, 0.1)
FINE = 0.01
LEAST_SHOWN = 20


def resolution(ts_ms: NDArray[np.int64], values: NDArray[np.float64]) -> NDArray[np.float64]:
    """Step of the values on each sample's UTC day: 1, 0.5, 0.1, or 0.01 for anything finer; [n]."""
    day = ts_ms // MS_PER_DAY
    starts = np.flatnonzero(np.append(True, day[1:] != day[:-1]))
    result = np.empty(len(ts_ms))
    for first, last in zip(starts, np.append(starts[1:], len(ts_ms)), strict=True):
        known = values[first:last]
        known = known[~np.isnan(known)]
        result[first:last] = next((step for step in STEPS if _on_grid(known, step)), FINE)
    return result


def current_step_a(hours: pd.DataFrame) -> float:
    """The step in which the current is shown, by the extremes of every hour; 0 where it is finer than a tenth."""
    shown = hours[["max_charge_a", "max_discharge_a"]].to_numpy(float).ravel()
    shown = shown[np.isfinite(shown) & (shown > 0)]
    if len(shown) < LEAST_SHOWN:
        return 0.0
    return next((step for step in (1.0, 0.1) if np.abs(shown / step - np.round(shown / step)).max() < 0.01), 0.0)


def _on_grid(values: NDArray[np.float64], step: float) -> bool:
    return bool(np.all(np.abs(values / step - np.round(values / step)) < 0.02))
