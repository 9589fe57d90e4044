"""Standoff: a charger's voltage at terminals that the protection board keeps off the cells, and what shows it.

The voltage leaps up without a current, or against it; a current goes on without tapering, into a heater. None of it is
a full charge. Common practice, no source.
"""

from __future__ import annotations

from typing import TYPE_CHECKING

import numpy as np

from logbook.analysis.heating import RELEASE_C
from logbook.units import MS_PER_S

if TYPE_CHECKING:
    from numpy.typing import NDArray

    from logbook.analysis.track import Track
    from logbook.schema.pack import Pack

LEAP_CELL_V = 0.06
"""A rise of a quarter of a volt in four cells from one sample to the next, without current, is not the cells'."""
LEAPS_FROM_CELL_V, LEAPS_WITHIN_MS = 3.42, 150_000
WILD_LEAP_CELL_V = 0.12
"""No cell on the plateau rises by half a volt in four cells within two minutes (ours)."""
LEAST_FLAT, FLAT_S = 5, 600.0
FLAT_C_RATE, FLAT_CELL_V, FLAT_SHARE = 0.02, 0.01, 0.08
"""A current of 0.02 C or more that stays within so much for ten minutes while the voltage does (ours)."""


def leaps(track: Track, pack: Pack, begin: int = 0, end: int | None = None) -> NDArray[np.bool_]:
    """Samples at which the terminals leap to a voltage of their own, [end - begin].

    A rise from one sample to the next with no more than a tail current before and after is not the cells'; a charger
    stands there, and perhaps a heater behind it.
    """
    whole = slice(begin, len(track) if end is None else end)
    volts, amps = track.readings.voltage_v[whole], np.abs(np.nan_to_num(track.readings.current_a[whole]))
    if len(volts) < 2:
        return np.zeros(len(volts), np.bool_)
    small = amps <= pack.limits.tail_current_a
    with np.errstate(invalid="ignore"):
        leapt = (np.diff(volts) >= LEAP_CELL_V * pack.cells_in_series) & small[1:] & small[:-1]
        # from the upper knee a cell rises as fast by itself, and a coarse log sees leaps where a charge came and went
        leapt &= volts[:-1] < LEAPS_FROM_CELL_V * pack.cells_in_series
    leapt &= np.diff(track.readings.ts_ms[whole]) <= LEAPS_WITHIN_MS
    return np.append(False, leapt)


def stands_off(track: Track, pack: Pack, first: int, last: int) -> bool:
    """Whether a charger stands at terminals that the board keeps off the cells, and feeds something else: a heater."""
    readings = track.readings
    if against_ohm(track, pack, first, last) or never_tapers(track, pack, first, last):
        return True
    if first < 1 or track.gap_after[first - 1] or readings.ts_ms[first] - readings.ts_ms[first - 1] > LEAPS_WITHIN_MS:
        return False
    before_v, after_v = (float(volts) / pack.cells_in_series for volts in readings.voltage_v[first - 1 : first + 1])
    return after_v - before_v >= WILD_LEAP_CELL_V and before_v < LEAPS_FROM_CELL_V


def never_tapers(track: Track, pack: Pack, first: int, last: int) -> bool:
    """Whether a worthy current and the voltage above it both stand still: cells held at a voltage take less and less."""
    inside = slice(first, last + 1)
    volts, amps = track.readings.voltage_v[inside], track.readings.current_a[inside]
    known = np.isfinite(volts) & np.isfinite(amps)
    volts, amps = volts[known], amps[known]
    if len(amps) < LEAST_FLAT or track.readings.ts_ms[last] - track.readings.ts_ms[first] < FLAT_S * MS_PER_S:
        return False
    usual_a = float(np.median(amps))
    if usual_a < FLAT_C_RATE * pack.rated_ah:
        return False
    spread_v, spread_a = (float(np.subtract(*np.percentile(values, [90, 10]))) for values in (volts, amps))
    return spread_v <= FLAT_CELL_V * pack.cells_in_series and spread_a <= FLAT_SHARE * usual_a


def near_cold(track: Track, pack: Pack, first: int, last: int) -> bool:
    """Whether the pack was near or below the limit of charging, where boards keep the cells off."""
    temps_c = track.readings.temperature_c[first : last + 1]
    with np.errstate(invalid="ignore"):
        return bool((temps_c <= pack.limits.charge_minimum_c + RELEASE_C).any())


def against_ohm(track: Track, pack: Pack, first: int, last: int) -> bool:
    """Whether the voltage leaps up into the stretch while the current falls, or down out of it while the current rises.

    Cells do neither: more current into them is more voltage. The board kept them off, and the charger stood at the terminals.
    """
    readings = track.readings

    def contrary(place: int) -> bool:
        if place < 1 or place >= len(track) or track.gap_after[place - 1]:
            return False
        if readings.ts_ms[place] - readings.ts_ms[place - 1] > LEAPS_WITHIN_MS:
            return False
        rise_v = float(readings.voltage_v[place] - readings.voltage_v[place - 1])
        more_a = float(readings.current_a[place] - readings.current_a[place - 1])
        low_v = float(min(readings.voltage_v[place], readings.voltage_v[place - 1]))
        return (
            abs(rise_v) >= LEAP_CELL_V * pack.cells_in_series
            and rise_v * more_a < 0
            and abs(more_a) > pack.limits.tail_current_a
            and min(readings.current_a[place], readings.current_a[place - 1]) >= 0
            and low_v < LEAPS_FROM_CELL_V * pack.cells_in_series
        )

    return contrary(first) or contrary(last + 1)
