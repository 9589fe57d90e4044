"""Blocked: the protection board refused a charge because the pack was too cold.

Its fingerprint: the terminals leap to the charger's voltage while no current goes in, and the pack
is near or below its limit. The cells themselves cannot rise a quarter of a volt in a sample without
current. Common practice, no source.
"""

from __future__ import annotations

from typing import TYPE_CHECKING

import numpy as np
import pandas as pd

from logbook.analysis.anchors import LEAP_CELL_V
from logbook.units import MS_PER_S

if TYPE_CHECKING:
    from logbook.analysis.track import Track
    from logbook.schema.pack import Pack

COLUMNS = ("start_ms", "end_ms", "voltage_v", "temperature_c")
CHARGER_CELL_V = 3.38
NEAR_LIMIT_C = 3.0
LEAST_SAMPLES = 3
JOIN_S = 3600.0


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
    rows: list[tuple[int, float, float, float]] = []
    for first in np.flatnonzero(leap & ~np.append(True, track.gap_after[:-1])):
        stops = np.flatnonzero(~held[first:] | track.gap_after[first:])
        last = first + int(stops[0]) - (0 if held[first + int(stops[0])] else 1) if len(stops) else len(held) - 1
        if last - first + 1 < LEAST_SAMPLES:
            continue
        end_ms = float(readings.ts_ms[last] + track.held_s[last] * MS_PER_S)
        if rows and readings.ts_ms[first] - rows[-1][1] <= JOIN_S * MS_PER_S:
            rows[-1] = (rows[-1][0], end_ms, rows[-1][2], rows[-1][3])
            continue
        rows.append((int(readings.ts_ms[first]), end_ms, float(volts[first]), float(readings.temperature_c[first])))
    return pd.DataFrame(rows, columns=list(COLUMNS))
