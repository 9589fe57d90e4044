"""Basis: how much of the time each answer saw, how finely, and what that cannot bear."""

from __future__ import annotations

from dataclasses import replace
from typing import TYPE_CHECKING

import numpy as np

from logbook.analysis.delivered import scatter_per_ah
from logbook.analysis.quiet import quiet_hours
from logbook.analysis.tally import stands_for
from logbook.schema.health import Basis
from logbook.units import MS_PER_HOUR, S_PER_HOUR

if TYPE_CHECKING:
    from collections.abc import Mapping

    import pandas as pd
    from numpy.typing import NDArray

    from logbook.schema.health import Health
    from logbook.schema.pack import Pack

COARSE_S = 300.0
"""From readings this far apart on, loads of minutes come and go between them."""
FINE_S = 60.0
WORTH_SAYING = 0.02
"""Share of the throughput by which the count may be off before it is said."""


def with_basis(health: Health, tables: Mapping[str, pd.DataFrame], pack: Pack) -> Health:
    """The same answers, each with the share of time and the interval it rests on, and a note where those are thin."""
    hours = tables["hours"]
    if hours.empty:
        return health
    count = len(hours)
    total_h = health.readings.logged_hours + health.readings.unlogged_hours
    every = np.ones(count, np.bool_)
    measured = np.zeros(count, np.bool_)
    start_ms = hours["start_ms"].to_numpy(np.int64)
    for entry in health.capacity.observations:
        if entry.used:
            measured |= (start_ms > entry.start_ms - MS_PER_HOUR) & (start_ms <= entry.end_ms)
    warmth = hours["min_temperature_c"].notna().to_numpy()
    parked = np.isin(start_ms, quiet_hours(hours, pack)["start_ms"].to_numpy())

    def basis(which: NDArray[np.bool_], note: str | None = None) -> Basis:
        seen_h = float(hours["logged_s"].to_numpy(float)[which].sum()) / S_PER_HOUR
        interval_s = float(np.median(hours["interval_s"].to_numpy(float)[which])) if which.any() else None
        return Basis(round(min(1.0, seen_h / total_h), 4) if total_h else 0.0, interval_s, note)

    return replace(
        health,
        capacity=replace(health.capacity, basis=basis(measured)),
        cycles=replace(health.cycles, basis=basis(every, _count_note(hours, tables["tally"]))),
        cold_charging=replace(
            health.cold_charging, basis=basis(warmth, _cold_note(hours[warmth], health.cold_charging.perhaps_heater_ah))
        ),
        idle=replace(health.idle, basis=basis(parked)),
    )


def _count_note(hours: pd.DataFrame, tallied: pd.DataFrame) -> str | None:
    """How far off the counted Ah may be, where the readings are too far apart for the loads."""
    hours = hours[~stands_for(hours, tallied)["by_counter"].to_numpy(bool)]
    throughput_ah = (hours["charge_ah"] + hours["discharge_ah"]).to_numpy(float)
    total_ah = float(throughput_ah.sum())
    if total_ah <= 0:
        return None
    share = 2 * float(np.sqrt(np.sum(scatter_per_ah(hours) * throughput_ah))) / total_ah
    interval_s = float(np.median(hours["interval_s"]))
    if share < WORTH_SAYING and interval_s < COARSE_S:
        return None
    finer = "Log every minute or finer" if interval_s > FINE_S else "Log more often if it can"
    return (
        f"Readings {_apart(interval_s)} apart see only part of what switches between them; the amp-hours may be off by "
        f"{max(1.0, 100 * share):.0f} %. {finer}, or export the monitor's own Ah counter."
    )


def _cold_note(hours: pd.DataFrame, perhaps_heater_ah: float) -> str | None:
    if hours.empty:
        return None
    if perhaps_heater_ah > 0:
        return (
            f"{perhaps_heater_ah:.1f} Ah of it went in while the pack warmed quickly at a steady current. If it has a heater of its own, "
            "say what that takes (heater_current_a among the pack's limits) and it is no longer counted; else it is a cold charge."
        )
    interval_s = float(np.median(hours["interval_s"]))
    if interval_s < COARSE_S:
        return None
    return f"With readings {_apart(interval_s)} apart a charge shorter than {_apart(2 * interval_s)} can pass unseen."


def _apart(seconds: float) -> str:
    return f"{seconds / 60:.0f} min" if seconds >= 90 else f"{seconds:.0f} s"
