"""Tally: the monitor's own Ah counter along the readings, where it says more than point samples do.

A counter sees what switches between two samples. It is set anew at full, stands at its stop, or
freezes with the radio; there the samples count instead. Common practice, no source.
"""

from __future__ import annotations

from dataclasses import dataclass
from typing import TYPE_CHECKING

import numpy as np
import pandas as pd

from logbook.analysis.resolution import resolution
from logbook.analysis.track import running
from logbook.units import MS_PER_DAY, MS_PER_HOUR, S_PER_HOUR

if TYPE_CHECKING:
    from numpy.typing import NDArray

    from logbook.analysis.track import Track

COLUMNS = ("start_ms", "counted_ah", "in_ah", "out_ah", "counted_s", "step_ah")
BRIEF_S = 30.0
"""Within half a minute no load comes and goes that both samples miss and that matters."""
SLACK_AH = 0.1
STUCK_SAMPLES = 3
COUNTED_SHARE = 0.98
"""Part of a logged time for which the counter must have spoken to stand for it."""
COARSE_S = 120.0
"""From readings this far apart on a counter's changes say more than the samples do."""


@dataclass(frozen=True, eq=False)
class Tally:
    """Running sums [n] at the start of each sample, as a `Track` has them."""

    counted_ah: NDArray[np.float64]
    """By the counter where it counts, by the samples elsewhere."""
    counted_s: NDArray[np.float64]
    """Logged time for which the counter spoke."""
    step_ah: NDArray[np.float64]
    """Resolution of the counter on the sample's UTC day."""


def tally(track: Track) -> Tally | None:
    """Take the counter's change from each sample to the next where it can be true; None where there is no counter."""
    counted = track.readings.counted_ah
    if counted is None or not len(track) or np.isnan(counted).all():
        return None
    step_ah = resolution(track.readings.ts_ms, counted)
    amps = np.abs(np.nan_to_num(track.readings.current_a))
    flow_ah = np.nan_to_num(track.readings.current_a) * track.held_s / S_PER_HOUR
    change_ah = np.append(np.diff(counted), np.nan)
    slack_ah = (amps + np.append(amps[1:], 0.0)) * track.held_s / S_PER_HOUR + SLACK_AH + 1.5 * step_ah
    hidden_ah = np.where(track.held_s > BRIEF_S, _highest_a(track, amps) * track.held_s / S_PER_HOUR, 0.0)
    with np.errstate(invalid="ignore"):
        # upward only as far as the samples go: a leap up is a counter set to full
        fits = (change_ah - flow_ah <= slack_ah) & (change_ah - flow_ah >= -slack_ah - hidden_ah) & ~track.gap_after
    fits &= ~_stuck(track, change_ah, flow_ah, step_ah)
    return Tally(
        counted_ah=running(np.where(fits, change_ah, flow_ah)),
        counted_s=running(np.where(fits, track.held_s, 0.0)),
        step_ah=step_ah,
    )


def hourly(track: Track, tallied: Tally | None) -> pd.DataFrame:
    """One row for every UTC hour in which the counter spoke."""
    if tallied is None:
        return pd.DataFrame(columns=list(COLUMNS))
    hour = track.readings.ts_ms // MS_PER_HOUR
    first = np.flatnonzero(np.append(True, hour[1:] != hour[:-1]))
    # the last sample's own hold belongs to no counter: it has no reading after it
    moved_ah = np.diff(np.append(tallied.counted_ah, _end_ah(track, tallied)))
    counted_s = np.append(tallied.counted_s[first[1:]], tallied.counted_s[-1]) - tallied.counted_s[first]
    frame = pd.DataFrame(
        {
            "start_ms": hour[first] * MS_PER_HOUR,
            "counted_ah": np.add.reduceat(moved_ah, first),
            "in_ah": np.add.reduceat(np.maximum(moved_ah, 0.0), first),
            "out_ah": np.add.reduceat(np.maximum(-moved_ah, 0.0), first),
            "counted_s": counted_s,
            "step_ah": tallied.step_ah[first],
        }
    )
    return frame[counted_s > 0].reset_index(drop=True)


def stands_for(hours: pd.DataFrame, tallied: pd.DataFrame) -> pd.DataFrame:
    """`charge_ah` and `discharge_ah` of each hour, by the counter where readings are coarse and it spoke throughout."""
    flows = hours[["charge_ah", "discharge_ah"]].to_numpy(float).copy()
    by_counter = np.zeros(len(hours), np.bool_)
    if len(tallied):
        place = np.searchsorted(hours["start_ms"].to_numpy(), tallied["start_ms"].to_numpy(np.int64))
        logged_s = hours["logged_s"].to_numpy(float)[place]
        coarse = hours["interval_s"].to_numpy(float)[place] >= COARSE_S
        whole = coarse & (tallied["counted_s"].to_numpy(float) >= COUNTED_SHARE * logged_s)
        by_counter[place[whole]] = True
        flows[place[whole]] = tallied[["in_ah", "out_ah"]].to_numpy(float)[whole]
    return pd.DataFrame({"charge_ah": flows[:, 0], "discharge_ah": flows[:, 1], "by_counter": by_counter})


def _end_ah(track: Track, tallied: Tally) -> float:
    last_ah = float(np.nan_to_num(track.readings.current_a[-1]) * track.held_s[-1]) / S_PER_HOUR
    return float(tallied.counted_ah[-1]) + last_ah


def _highest_a(track: Track, amps: NDArray[np.float64]) -> NDArray[np.float64]:
    """The largest current of each sample's UTC day."""
    day = track.readings.ts_ms // MS_PER_DAY
    first = np.flatnonzero(np.append(True, day[1:] != day[:-1]))
    return np.repeat(np.maximum.reduceat(amps, first), np.diff(np.append(first, len(day))))


def _stuck(
    track: Track, change_ah: NDArray[np.float64], flow_ah: NDArray[np.float64], step_ah: NDArray[np.float64]
) -> NDArray[np.bool_]:
    """Stretches of a day in which charge flows and the counter stands still."""
    day = track.readings.ts_ms // MS_PER_DAY
    still = change_ah == 0.0
    begins = np.append(True, ~(still[1:] & still[:-1]) | (day[1:] != day[:-1]) | track.gap_after[:-1])
    first = np.flatnonzero(begins)
    length = np.diff(np.append(first, len(day)))
    moved_ah = np.abs(np.add.reduceat(flow_ah, first))
    stands = still[first] & (length >= STUCK_SAMPLES) & (moved_ah > SLACK_AH + 3 * step_ah[first])
    return np.repeat(stands, length)
