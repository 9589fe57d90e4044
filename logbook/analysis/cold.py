"""Cold charging: charge that went in while the pack was below the temperature its sheet allows.

Cell sheets forbid charging LiFePO4 below 0 °C (for one, a 202 Ah cell's specification: 0 to 60 °C).
At −10 °C a tenth of C did not plate lithium, a third did, with serious loss (Wu et al., Ionics 2017,
from its abstract); others saw less ageing at low rates (Ruiz et al. 2018, JoVE 137:57501). So this
module reports exposure, graded by rate and temperature; it never claims damage.
"""

from __future__ import annotations

from typing import TYPE_CHECKING, Any

import numpy as np
import pandas as pd

from logbook.analysis.heating import PERHAPS, YES, heats
from logbook.analysis.resolution import resolution
from logbook.analysis.runs import joined, runs
from logbook.schema.health import ColdBand, ColdChargeEvent, ColdCharging
from logbook.units import MS_PER_DAY, MS_PER_HOUR, MS_PER_S, S_PER_HOUR

if TYPE_CHECKING:
    from collections.abc import Hashable

    from numpy.typing import NDArray

    from logbook.analysis.track import Track
    from logbook.schema.pack import Pack

COLD_BANDS_C = {
    "cold_ah_below_m10": (-np.inf, -10.0),
    "cold_ah_m10_m5": (-10.0, -5.0),
    "cold_ah_m5_0": (-5.0, 0.0),
    "cold_ah_0_5": (0.0, 5.0),
}
"""Charge that went in by temperature band, °C; the bands are common practice, no source."""
COLUMNS = (
    "start_ms", "end_ms", "samples", "charge_ah", "min_temperature_c", "max_current_a", "held_s", "heats", *COLD_BANDS_C,
)  # fmt: skip
JOIN_S = 1800.0
SMOOTH_S = 900
COARSE_STEP_C = 0.5
NEAR_STEP_MS = 3 * MS_PER_HOUR
"""So near to a change it tells where between two values the temperature stands."""
FLICKER_C = 5.0
"""No thermometer flickers by more than this, so readings above it are not looked at."""
LEAST_SAMPLES = 2
LEAST_S = 60.0
LEAST_CURRENT_C_RATE = 0.005
"""Below 0.005 C (0.5 A on 100 Ah) the sensor's own offset looks like charge."""
SEVERE_RATE, MARKED_RATE = 0.1, 0.02
"""C-rates: 0.1 C did not plate at −10 °C (Wu et al. 2017); under 0.02 C is a trickle (common practice, no source)."""
MOSTLY_BLIND = 0.2
NOT_STORED = (
    "What went in while it was cold is missing from the pack's charge balance, and it warmed as by a heater of its own, so it "
    "is taken for the heater's. If it has one, say what that takes (heater_current_a among the pack's limits)."
)
DEEP_COLD_C, FROST_C = -10.0, -5.0


def cold(track: Track, pack: Pack) -> pd.DataFrame:
    """List stretches of charging below the limit, cut at UTC midnight; `answer` puts them together.

    A thermometer that rounds to whole degrees shows the limit for half a degree to either side, and
    every one flickers. So charge counts where the mean over half an hour lies below the limit (the
    flicker between two steps tells where between them the truth is), and only readings there that
    are surely below by themselves prove an event.
    """
    readings = track.readings
    temp_c, amps = readings.temperature_c, readings.current_a
    if not len(readings) or np.isnan(temp_c).all():
        return pd.DataFrame(columns=list(COLUMNS))
    half_step_c = resolution(readings.ts_ms, temp_c) / 2
    limit_c = pack.limits.charge_minimum_c
    places, smooth_c = _charging(track, pack)
    below = np.zeros(len(readings), np.bool_)
    below[places] = smooth_c < limit_c
    with np.errstate(invalid="ignore"):
        surely = below & (temp_c <= limit_c - half_step_c + 1e-9)
    ah = np.nan_to_num(amps) * track.held_s / S_PER_HOUR
    bands = band_ah(track, pack)
    day = readings.ts_ms // MS_PER_DAY
    wall = track.gap_after | np.append(day[1:] != day[:-1], True)
    rows = []
    for first, last in joined(runs(below, wall), readings.ts_ms, wall, JOIN_S):
        inside = slice(first, last + 1)
        sure, counted = surely[inside], below[inside]
        rows.append(
            (
                readings.ts_ms[first],
                readings.ts_ms[last] + round(track.held_s[last] * MS_PER_S),
                int(sure.sum()),
                float(ah[inside][counted].sum()),
                float(np.nanmin(temp_c[inside])),
                float(amps[inside][counted].max()),
                float(track.held_s[inside][counted].sum()),
                heats(track, pack, first, last),
                *(float(values[inside][counted].sum()) for values in bands.values()),
            )
        )
    return pd.DataFrame(rows, columns=list(COLUMNS))


def band_ah(track: Track, pack: Pack) -> dict[str, NDArray[np.float64]]:
    """Charge of each sample by band of the same temperature that decides on events, Ah [n] for each of COLD_BANDS_C."""
    places, smooth_c = _charging(track, pack)
    ah = track.readings.current_a[places] * track.held_s[places] / S_PER_HOUR
    result = {}
    for name, (low_c, high_c) in COLD_BANDS_C.items():
        values = np.zeros(len(track))
        inside = (smooth_c >= low_c) & (smooth_c < high_c)
        values[places[inside]] = ah[inside]
        result[name] = values
    return result


def _charging(track: Track, pack: Pack) -> tuple[NDArray[np.intp], NDArray[np.float64]]:
    """Samples of charging that may be cold, and the mean temperature around each, °C."""
    warmest_c = max(pack.limits.charge_minimum_c, *(high_c for _, high_c in COLD_BANDS_C.values()))
    with np.errstate(invalid="ignore"):
        charging = track.readings.current_a > threshold_a(pack)
        places = np.flatnonzero(charging & (track.readings.temperature_c <= warmest_c + FLICKER_C))
    return places, _smoothed(track, places)


def _smoothed(track: Track, places: NDArray[np.intp]) -> NDArray[np.float64]:
    """Mean temperature within a quarter of an hour to either side of some samples, not across a gap, °C."""
    if not len(places):
        return np.empty(0)
    ts_ms, temp_c = track.readings.ts_ms, between_steps(track)
    known = ~np.isnan(temp_c)
    total = np.append(0.0, np.cumsum(np.where(known, temp_c, 0.0)))
    count = np.append(0, np.cumsum(known))
    walls = np.flatnonzero(track.gap_after) + 1
    stretch = np.searchsorted(walls, places, side="right")
    begins, ends = np.append(0, walls)[stretch], np.append(walls, len(ts_ms))[stretch]
    first = np.maximum(np.searchsorted(ts_ms, ts_ms[places] - SMOOTH_S * MS_PER_S, side="left"), begins)
    last = np.minimum(np.searchsorted(ts_ms, ts_ms[places] + SMOOTH_S * MS_PER_S, side="right"), ends)
    # to the millionth, so that where the sums began cannot tip a mean that lies on the limit
    return np.round((total[last] - total[first]) / (count[last] - count[first]), 6)


def between_steps(track: Track) -> NDArray[np.float64]:
    """Temperature along its steps, °C [n]: a thermometer of half or whole degrees is half way where it changes.

    Between two changes the temperature runs straight from one half to the next; where it turns back, it reaches
    what was shown in the middle. A finer thermometer is left as it is.
    """
    readings = track.readings
    shown_c = readings.temperature_c
    step_c = resolution(readings.ts_ms, shown_c)
    coarse = step_c >= COARSE_STEP_C
    if not coarse.any():
        return shown_c
    with np.errstate(invalid="ignore"):
        change = np.append(False, np.diff(shown_c) != 0.0) | np.append(True, track.gap_after[:-1])
    first = np.flatnonzero(change)
    last = np.append(first[1:], len(shown_c)) - 1
    value = shown_c[first]
    # a leap over more than one step is no rounding: what was shown stands on both sides of it
    leap = np.append(True, np.abs(np.diff(value)) > 1.5 * step_c[first[1:]])
    begins = leap | np.append(True, track.gap_after[:-1])[first]
    ends = np.append(begins[1:], True)
    before = np.where(begins, value, (np.append(np.nan, value[:-1]) + value) / 2)
    after = np.where(ends, value, (value + np.append(value[1:], np.nan)) / 2)
    times = readings.ts_ms.astype(float)
    lasted_ms = times[last] - times[first]
    # what a value shown for long began as says nothing of its middle, and a day must not rest on days far from it
    turns = ((before - value) * (after - value) > 0) | (lasted_ms > 2 * NEAR_STEP_MS)
    middle = np.where(turns, value, (before + after) / 2)
    half_ms = np.where(begins, 0.0, (times[first] - times[np.maximum(first - 1, 0)]) / 2)
    near_ms = np.minimum(NEAR_STEP_MS, lasted_ms / 2)
    knots = np.column_stack([times[first] - half_ms, times[first] + near_ms, times[last] - near_ms, times[last]])
    levels = np.column_stack([before, middle, middle, after])
    knots, levels = knots.ravel(), levels.ravel()
    fine = np.isfinite(levels)
    if not fine.any():
        return shown_c
    run_c = np.interp(times, knots[fine], levels[fine])
    return np.where(coarse & ~np.isnan(shown_c), run_c, shown_c)


def threshold_a(pack: Pack) -> float:
    """The least current that counts as charging, A."""
    return LEAST_CURRENT_C_RATE * pack.rated_ah


def answer(
    pieces: pd.DataFrame,
    pack: Pack,
    *,
    has_temperature: bool,
    hours: pd.DataFrame | None = None,
    not_stored: bool = False,
    offset_a: float = 0.0,
) -> ColdCharging:
    """Events with Ah, coldest, highest current and severity; says so where there is no thermometer.

    `not_stored` where the charge balance of a pack that may heat itself shows that it stored none of it; `offset_a` is
    what the sensor adds to every reading, and comes off what went in.
    """
    limit_c = pack.limits.charge_minimum_c
    if not has_temperature:
        reason = "There are no temperatures in the log, so nobody can say; export the temperature with the readings."
        return ColdCharging(limit_c, 0.0, (), reason)
    if hours is not None and len(hours) and not hours["logged_s"].any():
        reason = "There is no current in the log, so nobody can say; export the current with the readings."
        return ColdCharging(limit_c, 0.0, (), reason)
    pieces = all_fed_heater(pieces) if not_stored and len(pieces) else pieces
    counted = pieces if len(pieces) else pd.DataFrame(columns=list(COLUMNS), dtype=float)
    pieces = without_offset(pieces, offset_a)
    merged = _merged(pieces)
    heated = merged["heats"].to_numpy(bool)
    proved = ((merged["samples"] >= LEAST_SAMPLES) & (merged["held_s"] >= LEAST_S)).to_numpy(bool) & ~heated
    events = tuple(_event(row, pack) for row in merged[proved].to_dict("records"))
    return ColdCharging(
        limit_c,
        round(sum(event.charge_ah for event in events), 3),
        events,
        NOT_STORED if not_stored else _seldom_seen(hours),
        bands=_bands(hours, counted, merged[proved], offset_a),
        heater_ah=round(float(merged.loc[heated, "charge_ah"].sum()), 3),
        heater_times=int(heated.sum()),
        perhaps_heater_ah=round(perhaps_heater_ah(pieces), 3),
    )


def without_offset(pieces: pd.DataFrame, offset_a: float | NDArray[np.float64]) -> pd.DataFrame:
    """The pieces as a sensor without this offset, one for all or one each, would have counted them; none below nothing."""
    if pieces.empty or not np.any(offset_a):
        return pieces
    counted_ah = pieces["charge_ah"].to_numpy(float)
    true_ah = np.maximum(counted_ah - offset_a * pieces["held_s"].to_numpy(float) / S_PER_HOUR, 0.0)
    share = np.divide(true_ah, counted_ah, out=np.ones(len(pieces)), where=counted_ah > 0)
    return pieces.assign(
        charge_ah=true_ah,
        max_current_a=np.maximum(pieces["max_current_a"] - offset_a, 0.0),
        **{name: pieces[name] * share for name in COLD_BANDS_C},
    )


def _seldom_seen(hours: pd.DataFrame | None) -> str | None:
    """Says so where charge went in for the most part while no temperature stood in the log."""
    if hours is None or hours.empty:
        return None
    charge_ah = hours["charge_ah"].to_numpy(float)
    blind = float(charge_ah[hours["min_temperature_c"].isna()].sum()) / max(float(charge_ah.sum()), 1e-9)
    if blind < MOSTLY_BLIND:
        return None
    return (
        f"{100 * blind:.0f} % of the charge went in while no temperature stood in the log, and of that nobody can say."
    )


def perhaps_heater_ah(pieces: pd.DataFrame) -> float:
    """Charge that may have warmed the pack, were it one that heats itself, Ah."""
    return float(pieces.loc[pieces["heats"] == PERHAPS, "charge_ah"].sum()) if len(pieces) else 0.0


def heater_suspected(pieces: pd.DataFrame) -> bool:
    """Whether the pack warmed as by a heater of its own and was charged in earnest as soon as it was warm."""
    return bool(len(pieces)) and bool((pieces["heats"] == PERHAPS).any())


def all_fed_heater(pieces: pd.DataFrame) -> pd.DataFrame:
    """The pieces of a pack whose charge balance shows that none of its cold charge was stored."""
    return pieces.assign(heats=YES)


def _bands(
    hours: pd.DataFrame | None, counted: pd.DataFrame, proved: pd.DataFrame, offset_a: float
) -> tuple[ColdBand, ...]:
    """Charge by band, less what no reading proves to be cold; below the limit they add up to the events.

    `counted` are the pieces as counted, `proved` the events without the offset.
    """
    if hours is None or hours.empty:
        return ()
    charge_ah = hours["charge_ah"].to_numpy(float)
    false_ah = offset_a * hours["charge_s"].to_numpy(float) / S_PER_HOUR
    share = 1.0 - np.divide(false_ah, charge_ah, out=np.zeros(len(hours)), where=charge_ah > 0)

    def end(limit_c: float) -> float | None:
        return None if np.isinf(limit_c) else limit_c

    def band_charge_ah(name: str) -> float:
        in_band_ah = hours[name].to_numpy(float)
        above_ah = max(float(in_band_ah.sum() - counted[name].sum()), 0.0)
        true_share = float(np.average(share, weights=in_band_ah)) if in_band_ah.sum() > 0 else 1.0
        return round(above_ah * max(true_share, 0.0) + float(proved[name].sum()), 2)

    return tuple(
        ColdBand(end(low_c), end(high_c), band_charge_ah(name)) for name, (low_c, high_c) in COLD_BANDS_C.items()
    )


def _merged(pieces: pd.DataFrame) -> pd.DataFrame:
    """Put together stretches that midnight cut, and those less than half an hour apart across it; `heats` where all do."""
    if not len(pieces):
        return pd.DataFrame(columns=list(COLUMNS), dtype=float)
    start_ms, end_ms = pieces["start_ms"].to_numpy(np.int64), pieces["end_ms"].to_numpy(np.int64)
    first = np.flatnonzero(np.append(True, start_ms[1:] - end_ms[:-1] > JOIN_S * MS_PER_S))
    last = np.append(first[1:], len(pieces)) - 1

    def column(name: str) -> NDArray[np.float64]:
        return pieces[name].to_numpy(float)

    sums = ("samples", "charge_ah", "held_s", *COLD_BANDS_C)
    return pd.DataFrame(
        {
            "start_ms": start_ms[first],
            "end_ms": end_ms[last],
            "min_temperature_c": np.minimum.reduceat(column("min_temperature_c"), first),
            "max_current_a": np.maximum.reduceat(column("max_current_a"), first),
            "heats": np.minimum.reduceat(column("heats") == YES, first),
            **{name: np.add.reduceat(column(name), first) for name in sums},
        }
    )


def _event(merged: dict[Hashable, Any], pack: Pack) -> ColdChargeEvent:
    coldest_c, highest_a = float(merged["min_temperature_c"]), float(merged["max_current_a"])
    return ColdChargeEvent(
        start_ms=int(merged["start_ms"]),
        end_ms=int(merged["end_ms"]),
        duration_s=round(float(merged["held_s"]), 1),
        charge_ah=round(float(merged["charge_ah"]), 3),
        min_temperature_c=round(coldest_c, 2),
        max_current_a=round(highest_a, 3),
        severity=severity(coldest_c, highest_a / pack.rated_ah),
    )


def severity(coldest_c: float, c_rate: float) -> str:
    """Grade by temperature band and C-rate together: `slight`, `marked` or `severe`."""
    by_rate = 2 if c_rate > SEVERE_RATE else 1 if c_rate > MARKED_RATE else 0
    by_cold = 2 if coldest_c <= DEEP_COLD_C else 1 if coldest_c <= FROST_C else 0
    return ("slight", "marked", "marked", "severe", "severe")[by_rate + by_cold]
