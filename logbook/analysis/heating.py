"""Heating: a cold charge whose current warms the pack instead of charging its cells.

Packs with a heater send the charger's current into a pad of some tens of watts while the board
keeps the cells off, until they are a few degrees above the limit. A pad of 60 W warms twelve
kilograms of cells by some 15 °C an hour; the same current through the cells' own resistance
makes no warmth worth the name (5 A through 5 mΩ: an eighth of a watt). Common practice, no source.

A cabin heater warms a pack too while the alternator charges it at a steady current, and that is a
cold charge like any other. So a stretch is called heating only where the owner has said that the
pack heats itself (`heater_current_a`), or where a percentage that follows the current otherwise
stood still.
"""

from __future__ import annotations

from typing import TYPE_CHECKING

import numpy as np

from logbook.units import MS_PER_HOUR, S_PER_HOUR

if TYPE_CHECKING:
    from numpy.typing import NDArray

    from logbook.analysis.track import Track
    from logbook.schema.pack import Pack

LEAST_RISE_C, LEAST_C_PER_HOUR = 3.0, 4.0
MOST_C_RATE = 0.15
GOES_ON_MS = 2 * MS_PER_HOUR
STEADY = 0.25
"""Spread of a heater's current (quartiles over median); the sun's is wider."""
RELEASE_C = 8.0
"""Boards hand the charge over to the cells within this above the limit."""
RELEASE_TIMES = 1.6
RELEASE_C_RATE = 0.05
STORED_SHARE = 0.05
"""A percentage that rose by less than this share of what went in was not charged; a typed-in capacity far too
large slows it too, but not so much."""
FOLLOWS_SHARE = 0.2
MOST_OF_HEATER = 1.3


NO, PERHAPS, YES = 0, 1, 2


def heats(track: Track, pack: Pack, first: int, last: int) -> int:
    """Tell whether the current from sample `first` to `last` of a cold stretch went into a heater: NO, PERHAPS or YES.

    For YES all of this must hold: the pack warms as no charge warms it, at a steady modest current, and either
    its owner says that it has a heater of that size and the current steps up once it is warm, or the
    reported state of charge does not follow the current as it does later. PERHAPS where only the owner's word is missing.
    """
    readings = track.readings
    amps = readings.current_a[first : last + 1]
    temps_c = readings.temperature_c[first : last + 1]
    if last - first < 3 or np.isnan(temps_c).any() or np.isnan(amps).any():
        return NO
    typical_a = float(np.median(amps))
    warm = _warmed(track, pack, last, typical_a)
    hours = (readings.ts_ms[warm] - readings.ts_ms[first]) / MS_PER_HOUR
    rise_c = float(np.median(readings.temperature_c[warm - 2 : warm + 1]) - np.median(temps_c[:3]))
    if not rise_c >= LEAST_RISE_C or rise_c < LEAST_C_PER_HOUR * hours:
        return NO
    spread_a = float(np.subtract(*np.percentile(amps, [75, 25])))
    if typical_a > MOST_C_RATE * pack.rated_ah or spread_a > STEADY * typical_a:
        return NO
    released = _released(track, pack, warm, typical_a)
    declared = typical_a <= MOST_OF_HEATER * pack.limits.heater_current_a
    if (declared and released) or _not_stored(track, pack, first, last):
        return YES
    return PERHAPS if released else NO


def _warmed(track: Track, pack: Pack, last: int, typical_a: float) -> int:
    """Last sample to which the same current goes on past the limit: a heater runs until the pack is a few degrees above it."""
    readings = track.readings
    end = int(np.searchsorted(readings.ts_ms, readings.ts_ms[last] + GOES_ON_MS))
    on = slice(last, end)
    with np.errstate(invalid="ignore"):
        same = np.abs(readings.current_a[on] - typical_a) <= 2 * STEADY * typical_a
        same &= readings.temperature_c[on] <= pack.limits.charge_minimum_c + RELEASE_C
    same &= ~np.append(False, track.gap_after[on][:-1])
    stops = np.flatnonzero(~same[1:])
    return last + (int(stops[0]) if len(stops) else len(same) - 1)


def _released(track: Track, pack: Pack, last: int, typical_a: float) -> bool:
    """The current leaps up from one sample to the next while the pack is just warm enough."""
    readings = track.readings
    hour = slice(last, int(np.searchsorted(readings.ts_ms, readings.ts_ms[last] + MS_PER_HOUR)))
    pause = np.flatnonzero(track.gap_after[hour])
    end = last + int(pause[0]) + 1 if len(pause) else hour.stop
    amps, temps_c = readings.current_a[last:end], readings.temperature_c[last:end]
    if len(amps) < 2:
        return False
    with np.errstate(invalid="ignore"):
        warm = (temps_c[1:] >= pack.limits.charge_minimum_c - 1.0) & (
            temps_c[1:] <= pack.limits.charge_minimum_c + RELEASE_C
        )
        leap = amps[1:] - amps[:-1] >= max(RELEASE_C_RATE * pack.rated_ah, (RELEASE_TIMES - 1) * typical_a)
        steady_until = np.abs(amps[:-1] - typical_a) <= 2 * STEADY * typical_a
    leaps = np.flatnonzero(warm & leap)
    return bool(len(leaps) and steady_until[: leaps[0] + 1].all())


def _not_stored(track: Track, pack: Pack, first: int, last: int) -> bool:
    """The monitor's percentage stands still while charge flows, and follows the charge in the two hours after."""
    soc = track.readings.soc_percent[first : last + 1]
    went_in = _percent(track.readings.current_a, track.held_s, first, last, pack)
    if np.isnan(soc).any() or soc.max() >= 98.0:
        return False
    step = 1.0 if np.all(soc == np.round(soc)) else 0.1
    if went_in < 3 * step or soc[-1] - soc[0] > STORED_SHARE * went_in:
        return False
    end = int(np.searchsorted(track.readings.ts_ms, track.readings.ts_ms[last] + 2 * MS_PER_HOUR))
    pause = np.flatnonzero(track.gap_after[last:end])
    end = last + int(pause[0]) + 1 if len(pause) else end
    later = track.readings.soc_percent[last:end]
    went_in_later = _percent(track.readings.current_a, track.held_s, last, end - 1, pack)
    if not len(later) or np.isnan(later).any() or went_in_later < 3 * step:
        return False
    return bool(later[-1] - later[0] >= FOLLOWS_SHARE * went_in_later)


def _percent(amps: NDArray[np.float64], held_s: NDArray[np.float64], first: int, last: int, pack: Pack) -> float:
    return float(np.sum(amps[first : last + 1] * held_s[first : last + 1])) / S_PER_HOUR / pack.rated_ah * 100
