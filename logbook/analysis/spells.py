"""Spells: stretches of charging, discharging, rest, or an open protection board, as an owner would tell the day.

A switching fridge or a passing cloud does not start a new spell: interludes under ten minutes
belong to what surrounds them. Spells end at gaps, and at UTC midnight so that days stand alone.
"""

from __future__ import annotations

from typing import TYPE_CHECKING

import numpy as np
import pandas as pd

from logbook.units import MS_PER_DAY, MS_PER_S, S_PER_HOUR

if TYPE_CHECKING:
    from numpy.typing import NDArray

    from logbook.analysis.track import Track
    from logbook.schema.pack import Pack

KINDS = ("rest", "charge", "discharge", "open")
COLUMNS = ("start_ms", "end_ms", "kind", "net_ah", "mean_temperature_c")
REST_C_RATE = 0.005
"""Rest is under 0.5 % of C (common practice, no source)."""
INTERLUDE_S = 600.0


def spells(track: Track, pack: Pack, openings: pd.DataFrame) -> pd.DataFrame:
    """List the spells; `kind` is one of KINDS."""
    readings = track.readings
    if not len(readings):
        return pd.DataFrame(columns=list(COLUMNS))
    kind = _kinds(track, pack, openings)
    day = readings.ts_ms // MS_PER_DAY
    wall = track.gap_after | np.append(day[1:] != day[:-1], True)
    first, last, kind = _smoothed(kind, wall, track)
    ah = np.nan_to_num(readings.current_a) * track.held_s / S_PER_HOUR
    known = np.where(np.isnan(readings.temperature_c), 0.0, track.held_s)
    warmth = np.add.reduceat(np.nan_to_num(readings.temperature_c) * known, first)
    seen = np.add.reduceat(known, first)
    return pd.DataFrame(
        {
            "start_ms": readings.ts_ms[first],
            "end_ms": readings.ts_ms[last] + np.round(track.held_s[last] * MS_PER_S).astype(np.int64),
            "kind": np.array(KINDS)[kind],
            "net_ah": np.add.reduceat(ah, first),
            "mean_temperature_c": np.divide(warmth, seen, out=np.full(len(first), np.nan), where=seen > 0),
        }
    )


def _kinds(track: Track, pack: Pack, openings: pd.DataFrame) -> NDArray[np.int64]:
    amps = np.nan_to_num(track.readings.current_a)
    threshold_a = REST_C_RATE * pack.rated_ah
    kind = np.where(amps > threshold_a, 1, np.where(amps < -threshold_a, 2, 0))
    ts_ms = track.readings.ts_ms
    for opening in openings.itertuples():
        first = int(np.searchsorted(ts_ms, opening.start_ms))
        end_ms = opening.end_ms if not np.isnan(opening.end_ms) else opening.start_ms + opening.open_s * MS_PER_S
        kind[first : int(np.searchsorted(ts_ms, end_ms))] = 3
    return kind


def _smoothed(
    kind: NDArray[np.int64], wall: NDArray[np.bool_], track: Track
) -> tuple[NDArray[np.intp], NDArray[np.intp], NDArray[np.int64]]:
    """Give interludes to their predecessor within the same stretch, then join equal neighbours."""
    change = np.append(True, (kind[1:] != kind[:-1]) | wall[:-1])
    first = np.flatnonzero(change)
    last = np.append(first[1:], len(kind)) - 1
    length_s = track.logged_s[last] - track.logged_s[first] + track.held_s[last]
    run_kind = kind[first]
    opens_stretch = np.append(True, wall[first[1:] - 1])
    brief = (length_s < INTERLUDE_S) & (run_kind != 3) & ~opens_stretch
    source = np.maximum.accumulate(np.where(brief, 0, np.arange(len(first))))
    after_open = run_kind[source] == 3
    run_kind = np.where(brief & ~after_open, run_kind[source], run_kind)
    keep = np.append(True, (run_kind[1:] != run_kind[:-1]) | opens_stretch[1:])
    first = first[keep]
    return first, np.append(first[1:], len(kind)) - 1, run_kind[keep]
