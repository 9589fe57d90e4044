"""Anchors: moments at which the true state of charge is known from physics, and how well.

full          at the full voltage with the current tapered to the tail, held: proven
nearly_full   at a lower constant voltage, tapered further and held for long
held          at a voltage below that of full, held until next to nothing flows
rested_full   the log begins with a rested voltage above the plateau
empty         the board opened after a low cell, or the cut-off voltage was reached: proven
knee          in the bottom knee at low load, where voltage tells the state of charge

Near full the voltage is read against the pack's own plateau where one follows (see `plateau`).

The step in the middle of the LiFePO4 curve, 3.31 to 3.34 V at 70 to 80 % of charge, is no anchor: a voltmeter that is
right to 0.5 %, 17 mV a cell, places it to 6 % of charge, and what went out since full is a quarter of the pack, so a
capacity from it would be unsure by a quarter. A pack that was never run lower has its bound from below instead.

Other chemistries than LiFePO4 have only full and empty, by the pack's own limits.
Never: the monitor says 100 %, the inverter stopped. Definitions are common practice (see Limits);
states of charge follow the table in `ocv`, the widths are ours and are tested for coverage.
"""

from __future__ import annotations

from typing import TYPE_CHECKING, NamedTuple

import numpy as np
import pandas as pd

from logbook.analysis import ocv
from logbook.analysis.ending import COLD_OWN, REFERENCE_END_SOC, brisk_c, cold_shrink, early, end_soc, resting_cell_v
from logbook.analysis.hold import SETTLED_S, held_soc, holds, is_held
from logbook.analysis.plateau import plateau_cell_v
from logbook.analysis.runs import joined, runs
from logbook.analysis.standoff import LEAP_CELL_V, against_ohm, leaps, near_cold, never_tapers, stands_off
from logbook.units import MS_PER_HOUR, S_PER_HOUR

if TYPE_CHECKING:
    from numpy.typing import NDArray

    from logbook.analysis.tally import Tally
    from logbook.analysis.track import Track
    from logbook.schema.pack import Pack

COLUMNS = (
    "start_ms", "kind", "edge", "soc", "sigma", "voltage_v", "current_a", "temperature_c", "shift_ah",
    "hour_net_ah", "hour_charge_ah", "hour_discharge_ah", "hour_logged_s", "hour_live_s", "hour_switched_ah", "hour_scatter_ah2",
    "hour_counted_ah", "hour_counted_s", "cold", "brisk", "early", "top_cell_v", "plateau_cell_v", "unsure",
)  # fmt: skip
HALF_DAY_MS = 12 * MS_PER_HOUR
INTERRUPTION_S = 600.0
"""A load that dips the voltage for less than this does not end the full state."""
GENTLE_C_RATE = 0.1
AGREE_CELL_V = 0.03
"""A rested pack shows the same voltage in its first samples; an open board or a charger does not."""
TAPERED_C_RATE = 0.35
NEARLY_FULL_CELL_V = 3.4
NEARLY_FULL_HOLD_S = 900.0
HELD_HIGH_CELL_V, HELD_HIGH_SOC, HELD_HIGH_SIGMA = (
    [3.40, 3.43, 3.46, 3.50],
    [0.982, 0.989, 0.993, 0.996],
    [0.013, 0.009, 0.007, 0.006],
)
"""Constant voltage, tapered to half the tail, and the state of charge it brings, below the 1 of 3.6 V and that tail: the
public cells of `hold` say 0.989 for 3.40 V after a charge and 0.996 for 3.42 V at rest; less what the current hides (ours)."""
KNEE_CELL_V = 3.12
RECOVERS_S, PLATEAU_CELL_V = 900.0, 3.2
"""A pack that is empty rests below 3.2 V a cell for longer than a quarter of an hour (see `ocv`)."""
KNEE_JOIN_S = 7200.0
CALM_S = 1800.0
RESTED_CELL_V = np.array([3.335, 3.345, 3.354, 3.357, 3.365, 3.375, 3.390, 3.420, 3.450])
RESTED_SOC = np.array([0.857, 0.903, 0.930, 0.952, 0.978, 0.985, 0.989, 0.996, 0.999])
RESTED_SIGMA = np.array([0.110, 0.095, 0.075, 0.060, 0.030, 0.017, 0.012, 0.006, 0.004])
"""Rested voltage near the top, between the branches: means of four public cells, that of Jahn et al. 2024, doi
10.1038/s44172-024-00221-4, and the three of `ocv`. In the first, 0.80 after a charge rests as high as 0.97 after a
discharge. What one owner's habit leaves is much the same each time, so most of the error is common to a pack's rested
anchors (see `balance`)."""


class Row(NamedTuple):
    """One anchor at a sample."""

    place: int
    kind: str
    edge: str
    soc: float
    sigma: float
    shift_ah: float
    cold: float = 0.0
    """What the cold keeps back by the table."""
    top_cell_v: float = float("nan")
    """Voltage of a cell that rests near the top, where the state of charge is read off it."""
    unsure: float = 0.0
    """The part of sigma that comes of when it was, not of the voltage."""


def anchors(track: Track, pack: Pack, openings: pd.DataFrame, tallied: Tally | None = None) -> pd.DataFrame:
    """Find every anchor; sums within the hour place it exactly on the ledger."""
    if not len(track):
        return pd.DataFrame(columns=list(COLUMNS))
    rows = [*_full(track, pack), *_rested_full(track, pack), *_empty(track, pack, openings)]
    rows += _knee(track, pack, openings)
    if pack.chemistry != "lfp":
        rows = [row for row in rows if row[1] in ("full", "empty")]
    found = pd.DataFrame(rows, columns=list(Row._fields))
    found = found.sort_values(["place", "edge"], ascending=[True, True], ignore_index=True)
    return _placed(track, found, tallied, pack, openings)


def _placed(
    track: Track, found: pd.DataFrame, tallied: Tally | None, pack: Pack, openings: pd.DataFrame
) -> pd.DataFrame:
    """Add time, sight and in-hour sums to the places found."""
    readings = track.readings
    place = found["place"].to_numpy(np.int64)
    hour_ms = readings.ts_ms[place] // MS_PER_HOUR * MS_PER_HOUR
    origin = np.searchsorted(readings.ts_ms, hour_ms)
    sums = {
        "hour_net_ah": track.net_ah, "hour_charge_ah": track.charge_ah, "hour_discharge_ah": track.discharge_ah,
        "hour_logged_s": track.logged_s, "hour_live_s": track.live_s, "hour_switched_ah": track.switched_ah, "hour_scatter_ah2": track.scatter_ah2,
    }  # fmt: skip
    counted_ah = tallied.counted_ah if tallied else track.net_ah
    counted_s = tallied.counted_s if tallied else np.zeros(len(track))
    # a counter that spoke up to the very sample knows where between the last two the end fell
    knows = counted_s[place] > counted_s[np.maximum(place - 1, 0)]
    plateau_v = np.full(len(found), np.nan)
    tops = np.isfinite(found["top_cell_v"].to_numpy(float))
    plateau_v[tops] = plateau_cell_v(track, pack, place[tops])
    frame = found.drop(columns="place").assign(
        start_ms=readings.ts_ms[place],
        voltage_v=readings.voltage_v[place],
        current_a=readings.current_a[place],
        temperature_c=readings.temperature_c[place],
        **{name: total[place] - total[origin] for name, total in sums.items()},
        hour_counted_ah=counted_ah[place]
        - counted_ah[origin]
        + np.where(knows, 0.0, found["shift_ah"].to_numpy(float)),
        hour_counted_s=counted_s[place] - counted_s[origin],
        brisk=brisk_c(track, found, pack),
        early=early(track, found, openings, pack),
        plateau_cell_v=plateau_v,
    )
    return frame[list(COLUMNS)]


def _full(track: Track, pack: Pack) -> list[Row]:
    """Full by voltage and tail, placed where the absorption ended; what went in after the tail was reached counts."""
    readings, limits = track.readings, pack.limits
    volts, amps = readings.voltage_v, readings.current_a
    with np.errstate(invalid="ignore"):
        full = (volts >= limits.full_voltage_v) & (np.abs(amps) <= limits.tail_current_a)
        nearly = (
            (volts >= NEARLY_FULL_CELL_V * pack.cells_in_series) & (amps >= 0) & (amps <= limits.tail_current_a / 2)
        )
    rows: list[Row] = []
    taken: list[tuple[int, int]] = []
    for first, last in joined(runs(full, track.gap_after), readings.ts_ms, track.gap_after, INTERRUPTION_S):
        if _held_s(track, first, last) < limits.full_hold_s or not _came_from_charge(track, pack, first, last):
            continue
        taken.append((first, last))
        rows += _edges(track, last, "full", _full_soc(amps[first : last + 1], pack), 0.005, pack)
    for first, last in joined(runs(nearly, track.gap_after), readings.ts_ms, track.gap_after, INTERRUPTION_S):
        if _held_s(track, first, last) < NEARLY_FULL_HOLD_S or not _came_from_charge(track, pack, first, last):
            continue
        if any(start <= last and first <= end + _samples(track, end, S_PER_HOUR * 12) for start, end in taken):
            continue
        soc, sigma = _nearly_full(track, first, last, pack)
        late = slice(max(first, last - 2), last + 1)
        rest_cell_v = resting_cell_v(volts[late], amps[late], readings.temperature_c[late], pack)
        rows += _edges(track, last, "nearly_full", soc, sigma, pack, float(np.nanmedian(rest_cell_v)))
    rows += _tapered(track, pack, taken)
    return rows + _held(track, pack, {row[0] for row in rows})


def _nearly_full(track: Track, first: int, last: int, pack: Pack) -> tuple[float, float]:
    """State of charge, and its sigma, to which a constant voltage below that of full brings the cells."""
    cell_v = float(np.nanmedian(track.readings.voltage_v[first : last + 1])) / pack.cells_in_series
    return tuple(float(np.interp(cell_v, HELD_HIGH_CELL_V, column)) for column in (HELD_HIGH_SOC, HELD_HIGH_SIGMA))  # type: ignore[return-value]


def _held(track: Track, pack: Pack, tops: set[int]) -> list[Row]:
    """A voltage below that of full, held until next to nothing flows, with no better top within half a day."""
    readings = track.readings
    rest_cell_v = resting_cell_v(readings.voltage_v, readings.current_a, readings.temperature_c, pack)
    mask = holds(track, pack, rest_cell_v)
    if not mask.any():
        return []
    tops_ms = readings.ts_ms[sorted(tops)]
    rows: list[Row] = []
    for first, last in joined(runs(mask, track.gap_after), readings.ts_ms, track.gap_after, INTERRUPTION_S):
        near_ms = HALF_DAY_MS
        begin, end = np.searchsorted(tops_ms, [readings.ts_ms[first] - near_ms, readings.ts_ms[last] + near_ms])
        if begin < end or not is_held(track, pack, first, last) or not _came_from_charge(track, pack, first, last):
            continue
        late = np.arange(first, last + 1)[mask[first : last + 1]][-max(3, _samples(track, last, SETTLED_S)) :]
        cell_v = float(np.median(rest_cell_v[late]))
        rows += _edges(track, last, "held", *held_soc(cell_v), pack, cell_v)
    return rows


def _tapered(track: Track, pack: Pack, taken: list[tuple[int, int]]) -> list[Row]:
    """Charging ended above the full voltage before the current fell to the tail: short of full by a known little."""
    readings, limits = track.readings, pack.limits
    volts, amps = readings.voltage_v, readings.current_a
    with np.errstate(invalid="ignore"):
        high = (
            (volts >= limits.full_voltage_v) & (amps > limits.tail_current_a) & (amps <= TAPERED_C_RATE * pack.rated_ah)
        )
        high &= resting_cell_v(volts, amps, readings.temperature_c, pack) >= NEARLY_FULL_CELL_V
    rows: list[Row] = []
    for first, last in joined(runs(high, track.gap_after), readings.ts_ms, track.gap_after, INTERRUPTION_S):
        near = _samples(track, last, INTERRUPTION_S)
        if any(start <= last + near and first - near <= end for start, end in taken):
            continue
        if stands_off(track, pack, first, last):
            continue
        c_rate = float(amps[last]) / pack.rated_ah
        rows += _edges(track, last, "nearly_full", 1.0 - 0.06 * c_rate, 0.006 + 0.02 * c_rate, pack)
    return rows


def _edges(
    track: Track, last: int, kind: str, soc: float, sigma: float, pack: Pack, top_cell_v: float = float("nan")
) -> list[Row]:
    """A full state as it is entered and as it is left; it ended somewhere between its last sample and the next."""
    if track.gap_after[last] or last + 1 >= len(track):
        return [Row(last, kind, "both", soc, sigma, _half_ah(track, last), top_cell_v=top_cell_v)]
    hours = float(track.held_s[last]) / S_PER_HOUR
    held_a, next_a = (float(amps) for amps in np.nan_to_num(track.readings.current_a[last : last + 2]))
    unsure = abs(next_a - held_a) * hours / np.sqrt(12) / pack.rated_ah
    # half of the interval by the line from sample to sample, and half for the time from the sample to its end
    return [
        Row(last, kind, "enter", soc, sigma, held_a * hours, top_cell_v=top_cell_v),
        Row(last, kind, "leave", soc, float(np.hypot(sigma, unsure)), held_a * hours, 0.0, top_cell_v, unsure),
    ]


def _half_ah(track: Track, place: int) -> float:
    """What stands between the ledger, which holds each sample until the next, and a line from sample to sample, Ah.

    A load that comes on between two samples is held half an interval too late and one that goes half too long; by
    the line either is right on the average, and the two ledgers differ by half an interval of their ends alone.
    """
    return float(np.nan_to_num(track.readings.current_a[place]) * track.held_s[place]) / S_PER_HOUR / 2


def _full_soc(amps: NDArray[np.float64], pack: Pack) -> float:
    """State of charge where an absorption ended: 1 at the tail current that defines full, a little more beyond it."""
    taking = amps[amps > 0]
    lowest_c_rate = float(taking.min()) / pack.rated_ah if len(taking) else 0.0
    return 1.0 + 0.03 * (pack.limits.tail_current_a / pack.rated_ah - lowest_c_rate)


def _held_s(track: Track, first: int, last: int) -> float:
    return float(track.readings.ts_ms[last] - track.readings.ts_ms[first]) / 1000 + float(track.held_s[last])


def _samples(track: Track, place: int, seconds: float) -> int:
    """How many samples `seconds` span at this place."""
    return int(seconds / max(track.interval_s[place], 1.0))


def _came_from_charge(track: Track, pack: Pack, first: int, last: int) -> bool:
    """Current tapered into the full state, rather than a charger's voltage on terminals the board had cut off.

    The board opens on one high cell, or blocks a charge in the cold: the current is gone at once
    while the voltage leaps up.
    """
    readings = track.readings
    trickle_a = 0.005 * pack.rated_ah
    known_before = first > 0 and not track.gap_after[first - 1]
    if leaps(track, pack, max(0, first - 2), first + 1).any() or against_ohm(track, pack, first, last):
        return False
    if never_tapers(track, pack, first, last) and near_cold(track, pack, first, last):
        return False
    if known_before:
        leap_v = readings.voltage_v[first] - readings.voltage_v[first - 1]
        if leap_v >= LEAP_CELL_V * pack.cells_in_series and abs(readings.current_a[first]) <= trickle_a:
            return False
        if readings.current_a[first - 1] > pack.limits.tail_current_a:
            return True
    return bool(np.nanmax(readings.current_a[first : last + 1]) >= trickle_a)


def _rested_full(track: Track, pack: Pack) -> list[Row]:
    """A log that begins, or begins again, with a rested voltage above the plateau."""
    readings = track.readings
    begins = np.flatnonzero(np.append(True, track.gap_after[:-1]))
    rows: list[Row] = []
    for place in begins.tolist():
        pause = np.flatnonzero(track.gap_after[place : place + 3])
        head = slice(place, place + (int(pause[0]) + 1 if len(pause) else 3))
        amps, volts = readings.current_a[head], readings.voltage_v[head]
        if np.isnan(volts).all() or np.isnan(amps).all() or np.nanmax(amps) > 0.005 * pack.rated_ah:
            continue
        loaded = bool(np.nanmax(np.abs(amps)) > GENTLE_C_RATE * pack.rated_ah)
        agree = np.ptp(volts[~np.isnan(volts)]) <= AGREE_CELL_V * pack.cells_in_series
        if not (loaded or agree):
            continue
        # under a real load the drop has not built up yet, so the voltage stands uncorrected
        seen_v = (
            volts[:1] / pack.cells_in_series
            if loaded
            else resting_cell_v(volts, amps, readings.temperature_c[head], pack)
        )
        cell_v = float(np.nanmedian(seen_v))
        cold_c = float(np.nanmin(np.append(readings.temperature_c[head], np.inf)))
        charger_shows = cell_v >= NEARLY_FULL_CELL_V and cold_c < pack.limits.charge_minimum_c + 5.0
        if cell_v < RESTED_CELL_V[0] or charger_shows:
            continue
        soc = float(np.interp(cell_v, RESTED_CELL_V, RESTED_SOC))
        sigma = float(np.interp(cell_v, RESTED_CELL_V, RESTED_SIGMA))
        if loaded:
            soc, sigma = min(soc, 0.99), float(np.hypot(sigma, 0.012))
        top_cell_v = float("nan") if loaded else cell_v
        rows.append(Row(place, "rested_full", "leave", soc, sigma, _half_ah(track, place), top_cell_v=top_cell_v))
    return rows


def _empty(track: Track, pack: Pack, openings: pd.DataFrame) -> list[Row]:
    """The board opened after a low cell; the cut-off fell somewhere between the last two samples."""
    readings = track.readings
    low = openings[openings["kind"] == "under_voltage"]
    rows: list[Row] = []
    for opening in low.itertuples():
        place = int(np.searchsorted(readings.ts_ms, opening.start_ms))
        step_ah = float(track.net_ah[place] - track.net_ah[place - 1])
        soc, sigma, cold = end_soc(pack.limits.cutoff_voltage_v, opening.before_a, opening.before_c, pack)
        sigma = float(np.hypot(sigma, abs(step_ah) / np.sqrt(12) / pack.rated_ah))
        rows.append(Row(place, "empty", "enter", soc, sigma, 0.0, cold))
        if not np.isnan(opening.end_ms):
            awake = int(np.searchsorted(readings.ts_ms, opening.end_ms))
            rows.append(Row(awake, "empty", "leave", soc, sigma, 0.0, cold))
    return rows


def _knee(track: Track, pack: Pack, openings: pd.DataFrame) -> list[Row]:
    """The lowest point of an excursion into the bottom knee that no opening ended."""
    readings = track.readings
    volts, amps = readings.voltage_v, readings.current_a
    cell_v = resting_cell_v(volts, amps, readings.temperature_c, pack)
    with np.errstate(invalid="ignore"):
        gentle = (amps <= 0.01 * pack.rated_ah) & (amps >= -0.2 * pack.rated_ah) & _calm(track, pack)
        at_cutoff = (volts <= 1.01 * pack.limits.cutoff_voltage_v) & (amps < 0)
        sees_cells = volts > 2.2 * pack.cells_in_series
        low = sees_cells & (cell_v <= KNEE_CELL_V) & (gentle | at_cutoff)
    rows: list[Row] = []
    for first, last in joined(runs(low, track.gap_after), readings.ts_ms, track.gap_after, KNEE_JOIN_S):
        inside = np.arange(first, last + 1)[low[first : last + 1]]
        place = int(inside[np.argmin(cell_v[inside])])
        if _opening_near(openings, int(readings.ts_ms[first]), int(readings.ts_ms[last])):
            continue
        reached = volts[place] <= 1.01 * pack.limits.cutoff_voltage_v
        if not reached and len(inside) < 2:
            continue  # a lone low sample is a pack that recovers from a load between two samples
        if reached:
            place = int(inside[np.flatnonzero(volts[inside] <= 1.01 * pack.limits.cutoff_voltage_v)[0]])
            if _recovers(track, pack, place, cell_v):
                continue
            soc, sigma, cold = end_soc(float(volts[place]), amps[place], readings.temperature_c[place], pack)
            rows.append(Row(place, "empty", "both", soc, sigma, _half_ah(track, place), cold))
        else:
            soc = float(ocv.soc_discharging(cell_v[place])) - REFERENCE_END_SOC
            sigma = float(
                np.hypot(
                    1.3 * ocv.soc_sigma(cell_v[place]),
                    COLD_OWN * cold_shrink(amps[place], readings.temperature_c[place], pack),
                )
            )
            rows.append(Row(place, "knee", "both", soc, sigma, _half_ah(track, place)))
    return rows


def _calm(track: Track, pack: Pack) -> NDArray[np.bool_]:
    """No heavy current in the half hour before: after one the voltage still recovers and looks empty."""
    heavy = np.abs(np.nan_to_num(track.readings.current_a)) > 0.2 * pack.rated_ah
    place = np.arange(len(track))
    latest = np.maximum.accumulate(np.where(heavy, place, -1))
    since_ms = track.readings.ts_ms - track.readings.ts_ms[np.maximum(latest, 0)]
    return np.asarray((latest < 0) | (since_ms > CALM_S * 1000))


def _recovers(track: Track, pack: Pack, place: int, cell_v: NDArray[np.float64]) -> bool:
    """Whether the cells are back on the plateau soon after: what pulled them down was a cable's drop, or the load's own."""
    readings = track.readings
    until = int(np.searchsorted(readings.ts_ms, readings.ts_ms[place] + RECOVERS_S * 1000, side="right"))
    after = slice(place + 1, until)
    calm = np.abs(np.nan_to_num(readings.current_a[after])) <= GENTLE_C_RATE * pack.rated_ah
    seen_v = cell_v[after][calm & np.isfinite(cell_v[after])]
    return bool(len(seen_v)) and float(np.median(seen_v)) > PLATEAU_CELL_V


def _opening_near(openings: pd.DataFrame, first_ms: int, last_ms: int) -> bool:
    """An opening inside the excursion, or up to six hours after it, says more than the knee."""
    if openings.empty:
        return False
    start, end = openings["start_ms"], openings["end_ms"].fillna(openings["start_ms"])
    return bool(
        ((start >= first_ms - 6 * MS_PER_HOUR) & (start <= last_ms + 6 * MS_PER_HOUR)).any()
        or ((end >= first_ms - 6 * MS_PER_HOUR) & (end <= last_ms + 6 * MS_PER_HOUR)).any()
    )
