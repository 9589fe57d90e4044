"""Ledger: one row for every UTC hour with readings: what went in and out, extremes, and time in harm's way."""

from __future__ import annotations

from typing import TYPE_CHECKING

import numpy as np
import pandas as pd

from logbook.analysis.cold import COLD_BANDS_C, band_ah
from logbook.analysis.openings import OPEN_CELL_V
from logbook.units import MS_PER_HOUR, S_PER_HOUR

if TYPE_CHECKING:
    from numpy.typing import NDArray

    from logbook.analysis.track import Track
    from logbook.schema.pack import Pack

COLUMNS = (
    "start_ms", "readings", "logged_s", "live_s", "charge_ah", "discharge_ah", "charge_wh", "discharge_wh",
    "min_voltage_v", "max_voltage_v", "min_temperature_c", "mean_temperature_c", "max_temperature_c",
    "max_charge_a", "max_discharge_a", "sum_low_ah", "sum_high_ah", "low_first",
    "hot_s", "full_warm_s", "nearly_empty_s", "rest_s", "rest_ah", "first_soc_percent", "last_soc_percent",
    "interval_s", "switched_ah", "sampling_var_ah2", "charge_s", *COLD_BANDS_C,
)  # fmt: skip
FULL_CELL_V = 3.335
NEARLY_EMPTY_CELL_V = 3.0
WARM_C = 30.0


def ledger(track: Track, pack: Pack) -> pd.DataFrame:
    """Sum and bound the readings hour by hour; columns as the store's `hour` table, NaN where not measured."""
    readings = track.readings
    if not len(readings):
        return pd.DataFrame({name: np.empty(0, np.int64 if name == "start_ms" else float) for name in COLUMNS})
    hour = readings.ts_ms // MS_PER_HOUR
    first = np.flatnonzero(np.append(True, hour[1:] != hour[:-1]))
    last = np.append(first[1:], len(hour)) - 1

    def total(values: NDArray[np.float64]) -> NDArray[np.float64]:
        return np.add.reduceat(values, first)

    held_s, volts, amps, temp_c = track.held_s, readings.voltage_v, readings.current_a, readings.temperature_c
    ah = np.nan_to_num(amps) * held_s / S_PER_HOUR
    wh = ah * np.nan_to_num(volts)
    after_ah = np.append(track.net_ah[1:], track.net_ah[-1] + ah[-1])
    # to the micro-amp-hour, so that where the running sums began cannot tell equal lows and highs apart
    within_ah = np.round(after_ah - np.repeat(track.net_ah[first], last - first + 1), 6)
    low_at, high_at = _extreme_places(within_ah, first, last)
    start_ah = track.net_ah[first]
    known_c = ~np.isnan(temp_c)
    seen_s = total(held_s * known_c)
    rest = np.abs(np.nan_to_num(amps)) <= 0.005 * pack.rated_ah
    cell_v = volts / pack.cells_in_series
    columns: dict[str, NDArray[np.float64]] = {
        "readings": (last - first + 1).astype(float),
        "logged_s": total(held_s),
        "live_s": total(np.where(np.nan_to_num(amps) != 0.0, held_s, 0.0)),
        "charge_ah": total(np.maximum(ah, 0.0)),
        "discharge_ah": total(np.maximum(-ah, 0.0)),
        "charge_wh": total(np.maximum(wh, 0.0)),
        "discharge_wh": total(np.maximum(-wh, 0.0)),
        "min_voltage_v": np.fmin.reduceat(volts, first),
        "max_voltage_v": np.fmax.reduceat(volts, first),
        "min_temperature_c": np.fmin.reduceat(temp_c, first),
        "mean_temperature_c": np.divide(
            total(np.nan_to_num(temp_c) * held_s), seen_s, out=np.full(len(first), np.nan), where=seen_s > 0
        ),
        "max_temperature_c": np.fmax.reduceat(temp_c, first),
        "max_charge_a": np.fmax(np.fmax.reduceat(amps, first), 0.0),
        "max_discharge_a": np.fmax(-np.fmin.reduceat(amps, first), 0.0),
        "sum_low_ah": after_ah[low_at] - start_ah,
        "sum_high_ah": after_ah[high_at] - start_ah,
        "low_first": (low_at <= high_at).astype(float),
        "hot_s": total(np.where(temp_c > pack.limits.charge_maximum_c, held_s, 0.0)),
        "full_warm_s": total(np.where((temp_c > WARM_C) & (cell_v >= FULL_CELL_V), held_s, 0.0)),
        "nearly_empty_s": total(np.where((cell_v < NEARLY_EMPTY_CELL_V) & (cell_v > OPEN_CELL_V), held_s, 0.0)),
        "rest_s": total(np.where(rest, held_s, 0.0)),
        "rest_ah": total(np.where(rest, ah, 0.0)),
        "first_soc_percent": readings.soc_percent[first],
        "last_soc_percent": readings.soc_percent[last],
        "interval_s": track.interval_s[first],
        "switched_ah": np.append(track.switched_ah[first[1:]], track.switched_ah[-1]) - track.switched_ah[first],
        "sampling_var_ah2": np.append(track.scatter_ah2[first[1:]], track.scatter_ah2[-1]) - track.scatter_ah2[first],
        "charge_s": total(np.where(np.nan_to_num(amps) > 0.0, held_s, 0.0)),
    }
    columns |= {name: total(values) for name, values in band_ah(track, pack).items()}
    return pd.DataFrame({"start_ms": hour[first] * MS_PER_HOUR, **columns})


def _extreme_places(
    values: NDArray[np.float64], first: NDArray[np.intp], last: NDArray[np.intp]
) -> tuple[NDArray[np.intp], NDArray[np.intp]]:
    """Index of the lowest and of the highest value in each stretch."""
    group = np.repeat(np.arange(len(first)), last - first + 1)
    order = np.lexsort((values, group))
    return order[first], order[last]
