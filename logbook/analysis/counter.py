"""Counter: the monitor's own count, read off its state of charge, beside the count of the samples.

Most monitors count charge between samples too, so over some hours their change of state of charge
times the typed-in capacity tells what point samples of switching loads missed. It says nothing of
the pack's capacity: the scale is the typed-in one.
"""

from __future__ import annotations

from typing import TYPE_CHECKING, NamedTuple

import numpy as np
import pandas as pd

from logbook.analysis.runs import runs
from logbook.units import MS_PER_HOUR, S_PER_HOUR

if TYPE_CHECKING:
    from numpy.typing import NDArray

    from logbook.analysis.track import Track
    from logbook.schema.pack import Pack

COLUMNS = (
    "start_ms",
    "end_ms",
    "soc_change_percent",
    "charge_ah",
    "discharge_ah",
    "switched_ah",
    "logged_s",
    "resolution_percent",
    "begin_late_ah",
    "end_late_ah",
)
CLAMPED_PERCENT = 2.0
"""So near to 0 or 100 a counter may stand at its stop."""
JUMP_PERCENT = 2.5
LATE_S = 60.0
"""1 sd of how old the percentage is that a monitor shows (ours)."""
SLOW_C_RATE = 0.1
"""Where more flows, as beside a kettle, that makes the count at a step unsharp: others are looked for first (ours)."""
PART_MS, SHORTEST_S = 6 * MS_PER_HOUR, S_PER_HOUR
"""A stretch lasts from the first step in a quarter of a day to the first in the next, and no less than an hour (ours)."""


class Part(NamedTuple):
    """A quarter of a day, or less of it, in which the percentage counts freely."""

    first: int
    last: int
    begin: int
    """Samples before its first and its last step: of those beside small currents, where they lie far enough apart."""
    end: int
    calm_begin: bool
    calm_end: bool
    resolution: float

    def ends_at(self, following: Part | None, *, paused: bool) -> int:
        """Where the stretch that begins here ends: where the next begins, unless it ended more sharply before."""
        follows = following is not None and following.first == self.last + 1 and not paused
        if follows and following is not None and (following.calm_begin or not self.calm_end):
            return following.begin
        return self.end


def counter(track: Track, pack: Pack) -> pd.DataFrame:
    """List stretches in which the reported state of charge counts freely, where they can be one from the end of the last."""
    readings = track.readings
    if len(readings) < 2 or np.isnan(readings.soc_percent).all():
        return pd.DataFrame(columns=list(COLUMNS))
    soc = readings.soc_percent
    parts = _parts(track, pack)
    rows = []
    for part, following in zip(parts, [*parts[1:], None], strict=False):
        begin, end = part.begin, part.ends_at(following, paused=bool(track.gap_after[part.last]))
        if track.logged_s[end] - track.logged_s[begin] < SHORTEST_S:
            continue
        late_s = np.hypot(LATE_S, track.interval_s[[begin, end]] / np.sqrt(12))
        late_ah = np.abs(np.nan_to_num(readings.current_a[[begin, end]])) * late_s / S_PER_HOUR
        rows.append(
            (
                readings.ts_ms[begin],
                readings.ts_ms[end],
                _crossed(soc, begin, end),
                _crossed(track.charge_ah, begin, end),
                _crossed(track.discharge_ah, begin, end),
                _crossed(track.switched_ah, begin, end),
                _crossed(track.logged_s, begin, end),
                part.resolution,
                *late_ah.tolist(),
            )
        )
    return pd.DataFrame(rows, columns=list(COLUMNS))


def _parts(track: Track, pack: Pack) -> list[Part]:
    """Every part of a day without a pause, a stop or a jump, in which the percentage moves."""
    readings = track.readings
    soc, amps = readings.soc_percent, np.nan_to_num(readings.current_a)
    step = np.append(np.diff(soc), 0.0)
    expected = amps * track.held_s / S_PER_HOUR / pack.rated_ah * 100
    slowly = np.abs(amps) <= SLOW_C_RATE * pack.rated_ah
    slowly[1:] &= slowly[:-1].copy()
    slowly[:-1] &= slowly[1:].copy()
    quarter = readings.ts_ms // PART_MS
    quarter_ends = np.append(quarter[1:] != quarter[:-1], True)
    # between readings minutes apart a kettle moves the count by several percent that no sample shows
    could = pack.limits.continuous_current_a * track.held_s / S_PER_HOUR / pack.rated_ah * 100 + 1.0
    with np.errstate(invalid="ignore"):
        free = (soc > CLAMPED_PERCENT) & (soc < 100 - CLAMPED_PERCENT)
        free &= np.abs(step - expected) < np.maximum(JUMP_PERCENT, could)
    parts = []
    for first, last in runs(free, track.gap_after | quarter_ends):
        inside = soc[first : last + 1]
        resolution = 1.0 if np.all(inside == np.round(inside)) else 0.1
        change = np.abs(np.diff(inside))
        sharp = (change > 0) & ((change <= 1.5 * resolution) | (resolution < 1.0))
        moves = first + np.flatnonzero(sharp)
        if len(moves):
            begin, end = int(moves[0]), int(moves[-1])
            gentle = moves[slowly[moves]]
            if len(gentle) and track.logged_s[end] - track.logged_s[gentle[0]] >= SHORTEST_S:
                begin = int(gentle[0])
            if len(gentle) and track.logged_s[gentle[-1]] - track.logged_s[begin] >= SHORTEST_S:
                end = int(gentle[-1])
            parts.append(Part(first, last, begin, end, bool(slowly[begin]), bool(slowly[end]), resolution))
    return parts


def _crossed(values: NDArray[np.float64], begin: int, end: int) -> float:
    """Change between two moments at which the percentage stepped: there, and only there, it is known sharply."""
    return float(values[end] + values[end + 1] - values[begin] - values[begin + 1]) / 2
