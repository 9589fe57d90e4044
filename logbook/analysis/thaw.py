"""Thaw: charge that went in while the thermometer had passed the limit and the cells, which follow by hours, perhaps had not.

A thermometer in the air of the box or on a terminal leads the cells by the pack's time constant
m·c/(h·A): 11 kg of 1.0 kJ/(kg K) behind 0.3 m² at 5 to 15 W/(m² K) give 0.7 to 2 h (computed); packs in
boxes are seen to take 1.5 to 6 h (common practice, no source). So this is a possibility with a range, never
an event: it is counted beside what the thermometer itself proves.
"""

from __future__ import annotations

from typing import TYPE_CHECKING

import numpy as np

from logbook.analysis.cold import COLD_BANDS_C, threshold_a
from logbook.schema.estimate import Estimate
from logbook.units import MS_PER_HOUR

if TYPE_CHECKING:
    import pandas as pd
    from numpy.typing import NDArray

    from logbook.schema.pack import Pack

MEMORY_H = 24
"""Hours that the cells remember; before them, and before a pause in the log, cells and thermometer are taken as equal."""
SHARES = (1 / 3, 2 / 3, 1.0)
"""Low, middle and high end of the lag, share of the pack's `thermometer_lag_h`."""
LEAST_AH = 0.05


def perhaps_frozen(hours: pd.DataFrame, pack: Pack) -> Estimate | None:
    """Charge above the limit by the thermometer into cells perhaps below it, Ah in all; None where the lag is 0 or nothing came of it."""
    if hours.empty or pack.limits.thermometer_lag_h <= 0:
        return None
    low, middle, high = sorted(_frozen_ah(hours, pack, share * pack.limits.thermometer_lag_h) for share in SHARES)
    return Estimate(round(middle, 2), round(low, 2), round(high, 2)) if high >= LEAST_AH else None


def _frozen_ah(hours: pd.DataFrame, pack: Pack, lag_h: float) -> float:
    limit_c = pack.limits.charge_minimum_c
    below = [name for name, (_, high_c) in COLD_BANDS_C.items() if high_c <= limit_c]
    above_ah = (hours["charge_ah"] - hours[below].sum(axis=1)).to_numpy(float).clip(min=0.0)
    charged = hours["max_charge_a"].to_numpy(float) > threshold_a(pack)
    with np.errstate(invalid="ignore"):
        frozen = cells_c(hours, lag_h) < limit_c
    return float(above_ah[charged & frozen].sum())


def cells_c(hours: pd.DataFrame, lag_h: float) -> NDArray[np.float64]:
    """Temperature of cells that follow the thermometer by a first-order lag, °C [hours], from hourly means."""
    shown_c = hours["mean_temperature_c"].to_numpy(float)
    hour = hours["start_ms"].to_numpy(np.int64) // MS_PER_HOUR
    broken = np.append(True, (np.diff(hour) > 1) | np.isnan(shown_c[:-1]))
    begun = np.maximum.accumulate(np.where(broken, np.arange(len(hour)), 0))
    keeps = float(np.exp(-1.0 / lag_h))
    total = np.zeros(len(hour))
    for back in range(MEMORY_H):
        total += (1.0 - keeps) * keeps**back * shown_c[np.maximum(np.arange(len(hour)) - back, begun)]
    return np.asarray(total + keeps**MEMORY_H * shown_c[np.maximum(np.arange(len(hour)) - MEMORY_H, begun)])
