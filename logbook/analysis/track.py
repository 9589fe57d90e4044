"""Track: readings with the time each stands for, so that charge can be counted and gaps stay gaps.

A sample holds until the next one ("hold last": right for point samples and for logs written on
change alike; the trapezoid differs from it by dt·(I_n − I_0)/2 only). Across a gap it holds for
one typical interval and no longer: nothing is ever counted over a gap.
"""

from __future__ import annotations

from dataclasses import dataclass
from typing import TYPE_CHECKING

import numpy as np

from logbook.analysis.silence import silence_s
from logbook.units import MS_PER_DAY, MS_PER_S, S_PER_HOUR

if TYPE_CHECKING:
    from numpy.typing import NDArray

    from logbook.schema.reading import Readings

SHORTEST_GAP_S = 120.0
LONGEST_HOLD_S = 3600.0
SWITCH_A = 1.0
"""A smaller step is sun or noise, not a load that switches."""
GAP_INTERVALS = 3.0
"""A gap is over three times the day's 90th percentile of intervals, and over two minutes."""


@dataclass(frozen=True, eq=False)
class Track:
    """Readings [n] with held time and running sums; sums stand at the start of each sample."""

    readings: Readings
    held_s: NDArray[np.float64]
    gap_after: NDArray[np.bool_]
    interval_s: NDArray[np.float64]
    """The typical interval of the sample's UTC day."""
    net_ah: NDArray[np.float64]
    charge_ah: NDArray[np.float64]
    discharge_ah: NDArray[np.float64]
    logged_s: NDArray[np.float64]
    live_s: NDArray[np.float64]
    """Logged time with a reading other than exactly zero, in which a sensor offset counts."""
    switched_ah: NDArray[np.float64]
    """Half of Σ|ΔI|·Δt over steps above 1 A or so: what loads switching between samples could hide."""
    scatter_ah2: NDArray[np.float64]
    """Variance of the count from steps between samples."""

    def __len__(self) -> int:
        return len(self.held_s)


def track(readings: Readings) -> Track:
    """Count charge and time along the readings; a missing current counts as not logged."""
    if not len(readings):
        nothing = np.empty(0)
        return Track(readings, nothing, np.empty(0, np.bool_), *(nothing for _ in range(8)))
    step_s = np.diff(readings.ts_ms) / MS_PER_S
    interval_s = _typical_interval_s(readings.ts_ms, step_s)
    limit_s = np.clip(GAP_INTERVALS * interval_s, SHORTEST_GAP_S, LONGEST_HOLD_S)
    limit_s = np.maximum(limit_s, silence_s(readings, LONGEST_HOLD_S))
    gap_after = np.append(step_s > limit_s[:-1], True)
    held_s = np.append(step_s, 0.0)
    held_s = np.where(gap_after, np.minimum(interval_s, LONGEST_HOLD_S), held_s)
    known = ~np.isnan(readings.current_a)
    held_s = np.where(known, held_s, 0.0)
    current_a = np.where(known, readings.current_a, 0.0)
    ah = current_a * held_s / S_PER_HOUR
    step_a = np.where(gap_after, 0.0, np.append(np.diff(current_a), 0.0))
    scatter = _ignorance(step_a) * (step_a * held_s / S_PER_HOUR) ** 2
    return Track(
        readings=readings,
        held_s=held_s,
        gap_after=gap_after,
        interval_s=interval_s,
        net_ah=running(ah),
        charge_ah=running(np.maximum(ah, 0.0)),
        discharge_ah=running(np.maximum(-ah, 0.0)),
        logged_s=running(held_s),
        live_s=running(np.where(current_a != 0.0, held_s, 0.0)),
        switched_ah=running(np.where(np.abs(step_a) > SWITCH_A, np.abs(step_a) * held_s / (2 * S_PER_HOUR), 0.0)),
        scatter_ah2=running(scatter),
    )


def _ignorance(step_a: NDArray[np.float64]) -> NDArray[np.float64]:
    """Variance of the count for a step between two samples, in (ΔI·Δt)².

    A load that stays on switched at some moment between them: 1/12. One that both came and went within
    a sample may have been on for any part of it, or been missed the times before: 1/2 for each of its steps,
    by the variance p·(1 − p) of seeing a load that is on for a share p of the time.
    """
    before, after = np.append(0.0, step_a[:-1]), np.append(step_a[1:], 0.0)
    returned = np.zeros(len(step_a), np.bool_)
    for other_a in (before, after):
        returned |= (other_a * step_a < 0) & (np.abs(other_a) >= 0.5 * np.abs(step_a))
    return np.where(returned & (np.abs(step_a) > SWITCH_A), 1 / 2, 1 / 12)


def running(increments: NDArray[np.float64]) -> NDArray[np.float64]:
    """Sum of all increments before each sample, [n] in their unit."""
    total = np.cumsum(increments)
    return total - increments


def _typical_interval_s(ts_ms: NDArray[np.int64], step_s: NDArray[np.float64]) -> NDArray[np.float64]:
    """90th percentile of the steps that start in each sample's UTC day, steps over an hour left out.

    By day, so that the answer for a day does not depend on what else is looked at.
    """
    day = ts_ms // MS_PER_DAY
    starts = np.flatnonzero(np.append(True, day[1:] != day[:-1]))
    result = np.empty(len(day))
    for first, last in zip(starts, np.append(starts[1:], len(day)), strict=True):
        inside = step_s[first : last - 1]
        inside = inside[inside <= LONGEST_HOLD_S]
        result[first:last] = _upper(inside) if len(inside) else SHORTEST_GAP_S / GAP_INTERVALS
    return result


def _upper(steps_s: NDArray[np.float64]) -> float:
    """90th percentile as one of the steps themselves."""
    rank = int(0.9 * (len(steps_s) - 1))
    return float(np.partition(steps_s, rank)[rank])
