"""Blocked: the protection board refused a charge because the pack was too cold.

Two fingerprints, both of a pack near or below its limit. The terminals leap to the charger's
voltage while no current goes in: cells cannot rise a quarter of a volt in a sample without
current. Or a charge ends from one sample to the next, then nothing at all flows for half an hour
although loads were on before, and it begins again at once: the charger feeds the loads behind the
board, where a charge that merely ended would leave them to the pack. It was not the cold where charge had gone in
at that temperature for long, or where a cell was in its upper knee. Common practice, no source.
"""

from __future__ import annotations

from typing import TYPE_CHECKING

import numpy as np
import pandas as pd

from logbook.analysis.cold import LEAST_CURRENT_C_RATE
from logbook.analysis.openings import OPEN_CELL_V
from logbook.analysis.resolution import resolution
from logbook.analysis.runs import runs
from logbook.analysis.standoff import LEAP_CELL_V
from logbook.units import MS_PER_DAY, MS_PER_S, S_PER_HOUR

if TYPE_CHECKING:
    from collections.abc import Iterator

    from numpy.typing import NDArray

    from logbook.analysis.track import Track
    from logbook.schema.pack import Pack

COLUMNS = ("start_ms", "end_ms", "voltage_v", "temperature_c")
CHARGER_CELL_V = 3.38
NEAR_LIMIT_C = 3.0
TOP_KNEE_CELL_V, FULL_RESTS_CELL_V = 3.42, 3.36
NEXT_S = 150.0
LEAST_SAMPLES = 3
JOIN_S = 3600.0
BEFORE_S, LONG_S, WELL_BELOW_C = 7200.0, 1800.0, 1.0
STILL_S = 1800.0
TAPERS_WITHIN_S, TAPERED_SHARE = 900.0, 0.5
"""A charge that fell by half within a quarter of an hour before it ended was ending by itself (ours)."""
LOADS_S = 12 * S_PER_HOUR
STILL_C_RATE = 0.0025
"""Within this of zero, and without a flicker, nothing flows; the rest is the sensor's own zero."""


def blocked(track: Track, pack: Pack) -> pd.DataFrame:
    """List stretches in which a charger stood at the terminals of a cold pack and nothing went in."""
    readings = track.readings
    if len(readings) < LEAST_SAMPLES or np.isnan(readings.temperature_c).all():
        return pd.DataFrame(columns=list(COLUMNS))
    volts, amps = readings.voltage_v, readings.current_a
    trickle_a = 0.005 * pack.rated_ah
    with np.errstate(invalid="ignore"):
        held = (volts >= CHARGER_CELL_V * pack.cells_in_series) & (np.abs(amps) <= trickle_a)
        held &= readings.temperature_c <= pack.limits.charge_minimum_c + NEAR_LIMIT_C
        leap = np.append(False, np.diff(volts) >= LEAP_CELL_V * pack.cells_in_series) & held
        # what stands open already shows no cells, so their voltage does not leap
        leap &= np.append(False, volts[:-1] > OPEN_CELL_V * pack.cells_in_series)
        # a full cell opens the board in any weather; and a coarse log sees leaps where a charge fades
        leap &= np.append(False, volts[:-1] < FULL_RESTS_CELL_V * pack.cells_in_series)
        leap &= np.append(np.inf, np.diff(readings.ts_ms) / MS_PER_S) <= NEXT_S
    leaps: list[int] = np.flatnonzero(leap & ~np.append(True, track.gap_after[:-1])).tolist()
    stretches = sorted([*((first, _last(held, track, first)) for first in leaps), *_ceased(track, pack)])
    rows: list[tuple[int, float, float, float]] = []
    for first, last in stretches:
        if last - first + 1 < LEAST_SAMPLES or _charged_as_cold(track, pack, first):
            continue
        end_ms = float(readings.ts_ms[last] + track.held_s[last] * MS_PER_S)
        if rows and readings.ts_ms[first] - rows[-1][1] <= JOIN_S * MS_PER_S:
            rows[-1] = (rows[-1][0], max(end_ms, rows[-1][1]), rows[-1][2], rows[-1][3])
            continue
        rows.append((int(readings.ts_ms[first]), end_ms, float(volts[first]), float(readings.temperature_c[first])))
    return pd.DataFrame(rows, columns=list(COLUMNS))


def _charged_as_cold(track: Track, pack: Pack, first: int) -> bool:
    """Whether charge had gone in for half an hour at this temperature or a lower one, well below the limit."""
    readings = track.readings
    begin = int(np.searchsorted(readings.ts_ms, readings.ts_ms[first] - BEFORE_S * MS_PER_S))
    temp_c = float(readings.temperature_c[first])
    if temp_c > pack.limits.charge_minimum_c - WELL_BELOW_C:
        return False
    with np.errstate(invalid="ignore"):
        as_cold = readings.temperature_c[begin:first] <= temp_c
        charging = readings.current_a[begin:first] >= LEAST_CURRENT_C_RATE * pack.rated_ah
    return float(track.held_s[begin:first][as_cold & charging].sum()) >= LONG_S


def _last(held: NDArray[np.bool_], track: Track, first: int) -> int:
    stops = np.flatnonzero(~held[first:] | track.gap_after[first:])
    if not len(stops):
        return len(held) - 1
    stop = first + int(stops[0])
    return stop if held[stop] else stop - 1


def _ceased(track: Track, pack: Pack) -> Iterator[tuple[int, int]]:
    """Yield stretches in the cold in which a charge was cut short and then nothing flowed, cut at UTC midnight."""
    readings = track.readings
    amps, day = readings.current_a, readings.ts_ms // MS_PER_DAY
    with np.errstate(invalid="ignore"):
        cold = readings.temperature_c <= pack.limits.charge_minimum_c + 0.5
        closed = readings.voltage_v > OPEN_CELL_V * pack.cells_in_series
        still = (np.abs(amps) <= STILL_C_RATE * pack.rated_ah) & cold & closed
    if not still.any():
        return
    step_a = resolution(readings.ts_ms, amps)
    trickle_a, top_v = LEAST_CURRENT_C_RATE * pack.rated_ah, TOP_KNEE_CELL_V * pack.cells_in_series
    for first, last in runs(still, track.gap_after | np.append(day[1:] != day[:-1], True)):
        if first == 0 or track.gap_after[first - 1] or last + 1 >= len(amps) or track.gap_after[last]:
            continue
        if readings.ts_ms[last] - readings.ts_ms[first] < STILL_S * MS_PER_S:
            continue
        flickers = np.ptp(amps[first : last + 1]) > 2.05 * step_a[first]
        charged = np.nanmax(np.append(amps[max(0, first - 2) : first], -np.inf)) >= trickle_a
        before = int(np.searchsorted(readings.ts_ms, readings.ts_ms[first] - TAPERS_WITHIN_S * MS_PER_S))
        tapered = amps[first - 1] < TAPERED_SHARE * np.nanmax(np.append(amps[before:first], 0.0))
        rested = (
            np.nanmedian(np.append(readings.voltage_v[first : last + 1], np.nan))
            >= FULL_RESTS_CELL_V * pack.cells_in_series
        )
        again = abs(amps[last + 1] - amps[last]) >= trickle_a / 2
        earlier = int(np.searchsorted(readings.ts_ms, readings.ts_ms[first] - LOADS_S * MS_PER_S))
        loaded = np.nanmin(np.append(amps[earlier:first], np.inf)) <= -STILL_C_RATE * pack.rated_ah
        full = np.nanmax(np.append(readings.voltage_v[max(0, first - 2) : first + 1], -np.inf)) >= top_v
        if charged and again and loaded and not (flickers or full or (tapered and rested)):
            yield first, last
