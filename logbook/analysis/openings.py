"""Openings: times at which the protection board had cut the pack off, and why, by their fingerprints.

Terminals at 0 to 2 V a cell with no current mean that the board is open, not that the cells are
there; a monitor inside the pack goes on to show the cells, but nothing flows any more. An opening after a low cell
proves empty; an opening under a surge does not.
Fingerprints are common practice, no source.
"""

from __future__ import annotations

from typing import TYPE_CHECKING

import numpy as np
import pandas as pd

from logbook.analysis.resolution import resolution
from logbook.analysis.runs import runs
from logbook.units import MS_PER_DAY, MS_PER_HOUR, S_PER_HOUR

if TYPE_CHECKING:
    from numpy.typing import NDArray

    from logbook.analysis.track import Track
    from logbook.schema.pack import Pack

OPEN_CELL_V = 2.0
"""Under this the terminals do not show the cells."""
CONTINUED = "continued"
LOOK_BACK_S = 180.0
"""How long before an opening its cause is looked for; a coarser log is asked for its last sample."""
RETRY_S = 600.0
CARRIES_C_RATE = 0.005
"""Less than this through a closed board is a sensor's zero, not a current."""
LOW_CELL_V = 3.1
"""A cell, corrected for its load, at or under this just before the opening was in the bottom knee."""
ENDED_CELL_V, LEAST_CEASED_S, FLICKER_STEPS = 2.9, 600.0, 1.05
"""A cell, corrected for its load, that is next to empty, and how long and still nothing must flow then for an open board."""
WANDERS_STEPS, WANDERS_A, RISES_V, LEAST_INSIDE_H = 2.05, 0.05, 0.05, 1.0
"""A zero stays within so many steps of its resolution, or so many amperes, and open terminals do not rise (ours)."""
RECOVERS_CELL_V, RECOVERED_CELL_V = 0.03, 3.2
"""An empty cell that is left alone rises by this within an hour, and no further than to that within hours (ours)."""
TOTAL_RESISTANCE_CELL_OHM_AH = 0.225
"""Ohmic and diffusion drop of a cell after a minute: 0.225 V at 1 C; from memory of cell sheets, ±50 %."""


def rest_voltage_cell_v(cell_v: float, current_a: float, pack: Pack) -> float:
    """Voltage of a cell less the drop of its load, V; good for a verdict, not for a measurement."""
    return cell_v - current_a * TOTAL_RESISTANCE_CELL_OHM_AH / pack.rated_ah


def openings(track: Track, pack: Pack) -> pd.DataFrame:
    """List each opening: when, why, and the last sight of the pack before it; cut at UTC midnight.

    A piece that goes on from the day before has the kind CONTINUED, so that no day rests on days far from it.
    Columns: start_ms, end_ms (first reading after, NaN where none), kind, before_v, before_cell_v (of the lowest cell where
    cells are told, else of the mean), before_a, before_c, zero_a (median reading while no current can flow), zero_step_a (its resolution), least_a (smallest
    current the sensor shows that day, a bound of its dead band), open_s, surge_seen (a current near the limit stood before).
    """
    readings = track.readings
    volts, amps = readings.voltage_v, readings.current_a
    with np.errstate(invalid="ignore"):
        is_open = (volts <= OPEN_CELL_V * pack.cells_in_series) & (np.abs(np.nan_to_num(amps)) <= 0.02 * pack.rated_ah)
    ceased = _ceased_empty(track, pack)
    is_open |= ceased
    step_a = resolution(readings.ts_ms, amps) if is_open.any() else np.empty(0)
    day = readings.ts_ms // MS_PER_DAY
    midnight = np.append(day[1:] != day[:-1], True) if len(day) else np.empty(0, np.bool_)
    rows = []
    before_last = None
    for first, last in runs(is_open, track.gap_after | midnight):
        goes_on = first > 0 and bool(is_open[first - 1]) and not track.gap_after[first - 1]
        stayed, before_last = _stayed_open(track, pack, before_last, first), last
        known_before = first > 0 and not track.gap_after[first - 1]
        before = slice(max(0, first - 3), first) if known_before else slice(0, 0)
        look_back_s = max(LOOK_BACK_S, 1.5 * float(track.interval_s[first]))
        recent = (readings.ts_ms[before] >= readings.ts_ms[first] - look_back_s * 1000) & ~is_open[before]
        seen_v, seen_a = volts[before][recent], amps[before][recent]
        seen_cell_v = _lowest_cell_v(track, before, pack)[recent]
        ended = last + 1 < len(track) and not track.gap_after[last]
        brief = ended and not is_open[last + 1] and _open_s(track, first, last) <= RETRY_S
        rows.append(
            {
                "start_ms": readings.ts_ms[first],
                "end_ms": float(readings.ts_ms[last + 1]) if ended else np.nan,
                "kind": CONTINUED if goes_on else "asleep" if stayed else _kind(seen_cell_v, seen_a, pack, brief=brief),
                "before_v": float(seen_v[-1]) if len(seen_v) else np.nan,
                "before_cell_v": float(seen_cell_v[-1]) if len(seen_cell_v) else np.nan,
                "before_a": float(seen_a[-1]) if len(seen_a) else np.nan,
                "before_c": float(readings.temperature_c[first]),
                "zero_a": _zero_a(
                    amps[first : last + 1],
                    volts[first : last + 1],
                    float(step_a[first]),
                    _open_s(track, first, last) / S_PER_HOUR,
                    from_inside=bool(ceased[first]),
                ),
                "zero_step_a": float(step_a[first]),
                "least_a": _least_a(readings.ts_ms, amps, first),
                "open_s": _open_s(track, first, last),
                "surge_seen": _surges(seen_a, pack),
            }
        )
    return pd.DataFrame(
        rows,
        columns=[
            "start_ms",
            "end_ms",
            "kind",
            "before_v",
            "before_cell_v",
            "before_a",
            "before_c",
            "zero_a",
            "zero_step_a",
            "least_a",
            "open_s",
            "surge_seen",
        ],
    )


def _ceased_empty(track: Track, pack: Pack) -> NDArray[np.bool_]:
    """Samples of a board that opened on an empty cell while the monitor goes on to show the cells; [n].

    A load ended with a cell at its end, the cells recover, and nothing at all flows, without a flicker, until a charge
    comes; each UTC day by itself. Where the monitor shows open terminals on that day, it needs no such guess.
    """
    readings = track.readings
    volts, amps = readings.voltage_v, readings.current_a
    found = np.zeros(len(track), np.bool_)
    if pack.chemistry != "lfp" or not len(track):
        return found
    carries_a = CARRIES_C_RATE * pack.rated_ah
    day = readings.ts_ms // MS_PER_DAY
    with np.errstate(invalid="ignore"):
        still = (np.abs(amps) <= carries_a) & (volts > OPEN_CELL_V * pack.cells_in_series)
        low = volts <= RECOVERED_CELL_V * pack.cells_in_series
        bare = (volts <= OPEN_CELL_V * pack.cells_in_series) & (np.abs(amps) <= carries_a)
    if not (still & low).any():
        return found
    bare_days = np.unique(day[bare])
    step_a = resolution(readings.ts_ms, amps)
    for first, last in runs(still & low, track.gap_after | np.append(day[1:] != day[:-1], True)):
        if not first or track.gap_after[first - 1] or not amps[first - 1] <= -carries_a or day[first] in bare_days:
            continue
        hour = slice(first, min(last + 1, int(np.searchsorted(readings.ts_ms, readings.ts_ms[first] + MS_PER_HOUR))))
        if np.nanmax(volts[hour]) - volts[first - 1] < RECOVERS_CELL_V * pack.cells_in_series:
            continue
        lowest_cell_v = float(_lowest_cell_v(track, slice(first - 1, first), pack)[0])
        if rest_voltage_cell_v(lowest_cell_v, float(amps[first - 1]), pack) > ENDED_CELL_V:
            continue
        goes_on = last + 1 < len(track) and day[last + 1] == day[last] and not track.gap_after[last]
        flickers = np.ptp(amps[first : last + 1]) > FLICKER_STEPS * step_a[first]
        charged = goes_on and amps[last + 1] > carries_a
        if (goes_on and not charged) or flickers or _open_s(track, first, last) < LEAST_CEASED_S:
            continue
        found[first : last + 1] = True
    return found


def _zero_a(
    amps: NDArray[np.float64], volts: NDArray[np.float64], step_a: float, hours: float, *, from_inside: bool
) -> float:
    """What the sensor shows of nothing, A; NaN where something may flow, or a monitor inside knows its board open.

    Cells that lie flat take a charge at such voltages too: then the current wanders, or the voltage rises.
    """
    seen = amps[np.isfinite(amps)]
    if not len(seen) or np.isnan(amps[0]):
        return np.nan
    zero_a = float(np.median(seen))
    wanders = np.subtract(*np.percentile(seen, [95, 5])) > max(WANDERS_STEPS * step_a, WANDERS_A)
    if from_inside:
        return np.nan if wanders or zero_a == 0.0 or hours < LEAST_INSIDE_H else zero_a
    rises = zero_a > 0 and float(np.nanmax(volts) - volts[0]) > RISES_V
    return np.nan if wanders or rises else zero_a


def _least_a(ts_ms: NDArray[np.int64], amps: NDArray[np.float64], place: int) -> float:
    day_ms = ts_ms[place] // MS_PER_DAY * MS_PER_DAY
    first, last = np.searchsorted(ts_ms, [day_ms, day_ms + MS_PER_DAY])
    shown = np.abs(amps[first:last])
    shown = shown[shown > 0]
    return float(shown.min()) if len(shown) else np.nan


def _open_s(track: Track, first: int, last: int) -> float:
    return float(track.logged_s[last] - track.logged_s[first] + track.held_s[last])


def _stayed_open(track: Track, pack: Pack, last_open: int | None, first: int) -> bool:
    """Whether nothing flowed since the opening before: a charger showed at the terminals of a board that was still open."""
    if last_open is None or track.gap_after[last_open:first].any():
        return False
    ts_ms, between = track.readings.ts_ms, track.readings.current_a[last_open + 1 : first]
    if ts_ms[first] - ts_ms[last_open] > MS_PER_DAY or not len(between):
        return False
    return bool(np.nanmax(np.append(np.abs(between), 0.0)) <= CARRIES_C_RATE * pack.rated_ah)


def _lowest_cell_v(track: Track, samples: slice, pack: Pack) -> NDArray[np.float64]:
    """Voltage of the lowest cell where the monitor tells it, else of the mean cell, V."""
    mean_v = track.readings.voltage_v[samples] / pack.cells_in_series
    if track.readings.cells_v is None:
        return mean_v
    cells_v = track.readings.cells_v[samples]
    lowest_v = np.fmin.reduce(cells_v, axis=1)
    return np.asarray(np.where(np.isnan(lowest_v) | (lowest_v <= 0), mean_v, lowest_v))


def _kind(seen_v: np.ndarray, seen_a: np.ndarray, pack: Pack, *, brief: bool) -> str:
    """A board that opens on healthy cells and closes by itself within minutes saw a surge between two samples."""
    if not len(seen_v) or np.isnan(seen_v).all():
        return "asleep"
    lowest_cell_v = min(
        rest_voltage_cell_v(cell_v, amps, pack) for cell_v, amps in zip(seen_v, np.nan_to_num(seen_a), strict=True)
    )
    if lowest_cell_v <= LOW_CELL_V:
        return "under_voltage"
    charging = np.nan_to_num(seen_a)[-1] > CARRIES_C_RATE * pack.rated_ah
    return "over_current" if (brief and not charging) or _surges(seen_a, pack) else "unknown"


def _surges(seen_a: np.ndarray, pack: Pack) -> bool:
    return bool(-np.nanmin(np.append(seen_a, 0.0)) >= 0.8 * pack.limits.continuous_current_a)
