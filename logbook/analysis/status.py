"""Status: protections the monitor's own words tell of, and whether the readings beside them can be true too.

A word comes from inside the board, so it knows what point samples miss: a trip between two samples, the cause, a cut-off
behind a sensor that still sees the cells. But it may also be an alarm, a memory of the last event, or stale. So a word
counts only from where it appears until current flows the way it says is cut off; and where current, voltage or
temperature speak against it at once, they stand. Words that charge or discharge say no more than the current does.
Common practice, no source.
"""

from __future__ import annotations

from typing import TYPE_CHECKING

import numpy as np
import pandas as pd

from logbook.analysis.openings import CARRIES_C_RATE, OPEN_CELL_V, rest_voltage_cell_v
from logbook.analysis.runs import runs
from logbook.analysis.sights import lowest_cell_v
from logbook.schema.status import (
    CAUSES,
    KIND_IMBALANCE,
    KIND_OVER_VOLTAGE,
    KIND_PROTECTION,
    KIND_TOO_COLD,
    KIND_TOO_HOT,
    KIND_UNDER_VOLTAGE,
)
from logbook.units import MS_PER_DAY, MS_PER_S

if TYPE_CHECKING:
    from numpy.typing import NDArray

    from logbook.analysis.track import Track
    from logbook.schema.pack import Pack

COLUMNS = ("start_ms", "end_ms", "cause", "goes_on", "stands", "ended", "ceased", "against")
CUTS_CHARGE = (KIND_OVER_VOLTAGE, KIND_TOO_COLD, KIND_TOO_HOT, KIND_IMBALANCE)
"""After these current may still flow out; after a low cell it may still flow in; after the others not at all."""
AROUND = 3
"""Samples before and after the word appears in which its cause is looked for."""
NOT_LOW_CELL_V, NOT_LOW_MEAN_CELL_V = 3.2, 3.3
"""A lowest cell, or without cell voltages the mean one, corrected for its load: from here on it is far from empty, one
weak cell among four allowed for."""
NOT_HIGH_CELL_V, NOT_HIGH_MEAN_CELL_V = 3.45, 3.36
"""The same of a highest cell that no charger has near its limit."""
NOT_COLD_C, NOT_HOT_C = 8.0, 35.0
"""So far above the pack's limit it is not too cold; under this no board is too hot. Its probe may sit elsewhere."""


def said(track: Track, pack: Pack) -> pd.DataFrame:
    """List each stretch in which a word told of a protection, cut at gaps and at UTC midnight.

    Columns: start_ms, end_ms (end of what it holds for), cause (of `schema.status.CAUSES`), goes_on (the same word
    stood in the reading before), stands (nothing flowed against it to its last reading), ended (another word follows),
    ceased (a current stopped as it appeared), against (what speaks against it: `current`, `voltage`, `temperature`, or "").
    """
    readings = track.readings
    kinds = readings.status_kind
    if kinds is None or not (kinds >= KIND_PROTECTION).any():
        return pd.DataFrame(columns=list(COLUMNS))
    day = readings.ts_ms // MS_PER_DAY
    change = np.append((kinds[1:] != kinds[:-1]) | (day[1:] != day[:-1]), True)
    trickle_a = CARRIES_C_RATE * pack.rated_ah
    amps = np.nan_to_num(readings.current_a)
    rows: list[tuple[int, int, str, bool, bool, bool, bool, str]] = []
    for first, last in runs(kinds >= KIND_PROTECTION, track.gap_after | change):
        kind = int(kinds[first])
        near_ms = readings.ts_ms[first] - readings.ts_ms[max(0, first - 1)]
        goes_on = first > 0 and kinds[first - 1] == kind and bool(near_ms <= MS_PER_DAY)
        # the word may stand in the very reading in which the current was still to be cut off
        stop = _flows_on(_contrary(kind, amps, trickle_a), first if goes_on else first + 1, last)
        until_ms = readings.ts_ms[last] + round(track.held_s[last] * MS_PER_S) if stop is None else readings.ts_ms[stop]
        flowed = not goes_on and (stop == first + 1 or (first == last and _flows_past(track, kind, trickle_a, first)))
        after_a = np.abs(amps[min(first + 1, last) : last + 1])
        before_a = np.abs(amps[max(0, first - 1) : first + 1])
        rows.append(
            (
                int(readings.ts_ms[first]),
                int(until_ms),
                CAUSES[kind],
                goes_on,
                stop is None,
                not bool(track.gap_after[last]),
                bool(before_a.max() > trickle_a and (after_a <= trickle_a).all()),
                "current" if flowed else "" if goes_on else _against(track, pack, kind, first, last),
            )
        )
    return pd.DataFrame(rows, columns=list(COLUMNS))


def _contrary(kind: int, amps: NDArray[np.float64], trickle_a: float) -> NDArray[np.bool_]:
    """Current that could not flow, were it as the word says."""
    if kind == KIND_UNDER_VOLTAGE:
        return amps < -trickle_a
    return amps > trickle_a if kind in CUTS_CHARGE else np.abs(amps) > trickle_a


def _flows_past(track: Track, kind: int, trickle_a: float, place: int) -> bool:
    """Whether such a current flows in the one reading that has the word and in the next: nothing was cut off."""
    if place + 1 >= len(track) or track.gap_after[place]:
        return False
    amps = np.nan_to_num(track.readings.current_a[place : place + 2])
    return bool(_contrary(kind, amps, trickle_a).all())


def _flows_on(contrary: NDArray[np.bool_], first: int, last: int) -> int | None:
    """The first of two readings on end with such a current, or a last one alone; None where there are none."""
    places = np.flatnonzero(contrary[first : last + 1])
    lasting = places[(np.append(np.diff(places), 0) == 1) | (places == last - first)]
    return first + int(lasting[0]) if len(lasting) else None


def _against(track: Track, pack: Pack, kind: int, first: int, last: int) -> str:
    """What of the readings around the first of the word rules its cause out; what was not measured rules out nothing."""
    pauses = np.flatnonzero(track.gap_after[max(0, first - AROUND) : first])
    begin = max(0, first - AROUND) + (int(pauses[-1]) + 1 if len(pauses) else 0)
    around = slice(begin, min(last, first + AROUND) + 1)
    readings = track.readings
    warmth = readings.temperature_c[around]
    warmth = warmth[~np.isnan(warmth)]
    if kind == KIND_TOO_COLD:
        return "temperature" if len(warmth) and warmth.min() > pack.limits.charge_minimum_c + NOT_COLD_C else ""
    if kind == KIND_TOO_HOT:
        return "temperature" if len(warmth) and warmth.max() < NOT_HOT_C else ""
    if kind not in (KIND_UNDER_VOLTAGE, KIND_OVER_VOLTAGE) or pack.chemistry != "lfp":
        return ""
    return "voltage" if _rules_out(track, pack, around, low=kind == KIND_UNDER_VOLTAGE) else ""


def _rules_out(track: Track, pack: Pack, around: slice, *, low: bool) -> bool:
    """Whether the cells were nowhere near the limit; an open board does not show them."""
    readings = track.readings
    amps = np.nan_to_num(readings.current_a[around])
    with np.errstate(invalid="ignore"):
        shown = readings.voltage_v[around] > OPEN_CELL_V * pack.cells_in_series
    mean_v = np.array(
        [
            rest_voltage_cell_v(volts, a, pack)
            for volts, a in zip(readings.voltage_v[around] / pack.cells_in_series, amps, strict=True)
        ]
    )[shown]
    cell_v = lowest_cell_v(track, around) if low else _highest_cell_v(track, around)
    cell_v = cell_v[cell_v > 0]
    if len(cell_v):
        return bool(cell_v.min() > NOT_LOW_CELL_V if low else cell_v.max() < NOT_HIGH_CELL_V)
    if not len(mean_v):
        return False
    highest_v = readings.voltage_v[around][shown].max() / pack.cells_in_series
    return bool(mean_v.min() > NOT_LOW_MEAN_CELL_V if low else highest_v < NOT_HIGH_MEAN_CELL_V)


def _highest_cell_v(track: Track, samples: slice) -> NDArray[np.float64]:
    cells_v = track.readings.cells_v
    if cells_v is None:
        return np.empty(0)
    return np.asarray(np.fmax.reduce(cells_v[samples], axis=1))
