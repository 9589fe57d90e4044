"""Idle: what a parked pack loses unseen, and what its vehicle draws through the sensor.

The unseen loss is the missing charge between proven states over long times (the refill method of
storage tests): cells and board together, for a sensor on the terminals cannot tell them apart.
"""

from __future__ import annotations

from typing import TYPE_CHECKING

import numpy as np

from logbook.analysis.capacity import QUANTILE
from logbook.analysis.quiet import LEAST_QUIET_HOURS, last_alike, quiet_hours
from logbook.analysis.resolution import current_step_a
from logbook.analysis.spans import LOSS_DOUBT_C_RATE
from logbook.schema.estimate import Estimate
from logbook.schema.health import Idle
from logbook.units import DAYS_PER_MONTH, S_PER_HOUR, iso_from_ms

if TYPE_CHECKING:
    import pandas as pd

    from logbook.analysis.balance import Balance
    from logbook.schema.pack import Pack

LEAST_LEARNED = 0.6
LEAST_PARKED_H = 120.0
"""What goes unseen in a few days is too little to tell from what the samples of a used pack miss (ours)."""
NEVER_LIVE = 0.01
LONG_H, THROWN_OUT = 240.0, 0.3
DISAGREES = (
    "The longest parked stretch lost far more than the rest of the log explains, so no single figure holds: something drew "
    "below what the sensor shows, or the pack lay flat. Isolate the pack for a month, log on, and charge to full before and after."
)
PAST = "Something is wired past the sensor, so what the vehicle draws through it and what the pack loses by itself cannot be told apart."
TOGETHER = (
    "While the pack only stands, its loss and the sensor's offset look the same, so they are known together only (the days from full "
    "to a fifth). To part them, log some days of use between full charges, or read what the monitor shows with everything disconnected."
)
DEAD_BAND_A = 0.1
"""A sensor that shows exactly nothing may hide up to this (common practice, no source)."""
LEAST_HIDDEN_A, SURELY = 0.02, 3.0
MOST_DRAIN_DOUBT = 0.3
LOSS_MODEL_SIGMA = 0.1
"""Self-discharge follows temperature, and a parked season is not the year: a tenth of it, ours."""


def idle(balance: Balance, hours: pd.DataFrame, pack: Pack) -> Idle:
    """Unseen loss in percent of rated in 30 days, and standby current in A out of the pack."""
    per_month = 24 * DAYS_PER_MONTH / pack.rated_ah * 100
    hides = _hides(balance, pack)
    unseen = {"loss_a": 1.0, "hidden_a": 1.0 - _live_share(quiet_hours(hours, pack))}
    loss_a, sigma_a = balance.combined(unseen)
    loss = None
    disagrees = _parked_disagrees(balance)
    parked = len(quiet_hours(hours, pack)) >= LEAST_PARKED_H
    if parked and balance.learned(**unseen) >= LEAST_LEARNED and loss_a > 0 and not disagrees and not hides:
        sigma_a = float(np.hypot(sigma_a, LOSS_MODEL_SIGMA * loss_a))
        low, high = max(0.0, loss_a - QUANTILE * sigma_a), loss_a + QUANTILE * sigma_a
        loss = Estimate(round(loss_a * per_month, 2), round(low * per_month, 2), round(high * per_month, 2))
    past = balance.past_sensor_a is not None
    loss = None if past else loss
    standby = None if past else _standby(balance, hours, pack)
    if past:
        reason: str | None = PAST
    elif disagrees:
        reason = DISAGREES
    elif parked and loss is None and not hides:
        reason = TOGETHER
    else:
        reason = _reason(loss, standby, _hidden(balance) if hides else None)
    reason = " ".join(part for part in (reason, _changed(quiet_hours(hours, pack))) if part) or None
    return Idle(loss, standby, reason, None if disagrees else _days_to_fifth(balance, hours, pack))


def _changed(quiet: pd.DataFrame) -> str | None:
    """Says so where the vehicle draws otherwise than it did when it was parked before."""
    latest = last_alike(quiet)
    before = quiet[quiet["start_ms"] < latest["start_ms"].min()]
    if before.empty:
        return None
    since, was_a, is_a = iso_from_ms(int(latest["start_ms"].min()))[:10], _shown(before)[0], _shown(latest)[0]
    return f"This is of the parked days since {since}, when the sensor showed {is_a:.2f} A; before, it showed {was_a:.2f} A."


def _parked_disagrees(balance: Balance) -> bool:
    """Whether the long stretches, which alone show a loss, were thrown out for being unlike the short ones."""
    spans = balance.spans
    if spans.empty:
        return False
    long = spans[spans["hours"] >= LONG_H]
    if long.empty:
        return False
    out = (long["weight"] < THROWN_OUT) | long["refuted"]
    return bool(long.loc[out, "hours"].sum() > 0.5 * long["hours"].sum())


def _days_to_fifth(balance: Balance, hours: pd.DataFrame, pack: Pack) -> Estimate | None:
    """Days from full to 20 % for the pack as last parked; what it loses and what it draws may be known only together."""
    quiet = last_alike(quiet_hours(hours, pack))
    if quiet.empty or balance.sigma("capacity_ah") > 0.12 * pack.rated_ah:
        return None
    shown_a, spread_a = _shown(quiet)
    live = _live_share(quiet)
    more_a, sigma_a = balance.combined({"offset_a": live, "loss_a": 1.0, "hidden_a": 1.0 - live})
    drain_a = shown_a + more_a
    sigma_a = float(np.linalg.norm([sigma_a, spread_a, live * _rounding_a(hours), LOSS_MODEL_SIGMA * drain_a]))
    if drain_a <= 0 or sigma_a > MOST_DRAIN_DOUBT * drain_a:
        return None
    usable_ah = 0.8 * balance.value("capacity_ah")

    def days(drain: float) -> float:
        return round(usable_ah / drain / 24, 1)

    low_a, high_a = drain_a - QUANTILE * sigma_a, drain_a + QUANTILE * sigma_a
    return Estimate(days(drain_a), days(high_a), days(low_a))


def _shown(quiet: pd.DataFrame) -> tuple[float, float]:
    """What the sensor shows going out in quiet hours, A, and how unsure its level is from one parked day to another."""
    drawn = ((quiet["discharge_ah"] - quiet["charge_ah"]) / quiet["logged_s"]).to_numpy(float) * S_PER_HOUR
    value = float(np.median(drawn))
    spread = float(np.percentile(np.abs(drawn - value), 68)) / np.sqrt(max(1.0, len(drawn) / LEAST_QUIET_HOURS))
    return value, spread


def _rounding_a(hours: pd.DataFrame) -> float:
    """1 sd of a steady draw that is always rounded the same way, A."""
    return float(current_step_a(hours) / np.sqrt(12))


def _live_share(quiet: pd.DataFrame) -> float:
    """Share of quiet hours in which the sensor shows anything but exactly nothing; all of it where there are none."""
    return float(np.median(quiet["live_s"] / quiet["logged_s"])) if len(quiet) else 1.0


def _hides(balance: Balance, pack: Pack) -> bool:
    """Whether far more goes unseen than cells and board lose: then a load hides behind a shown zero."""
    unseen_a, sigma_a = balance.combined({"loss_a": 1.0, "hidden_a": 1.0})
    too_much = unseen_a - SURELY * sigma_a > LOSS_DOUBT_C_RATE * pack.rated_ah
    return too_much or balance.value("hidden_a") >= max(LEAST_HIDDEN_A, SURELY * balance.sigma("hidden_a"))


def _hidden(balance: Balance) -> str:
    if not LEAST_HIDDEN_A <= balance.value("hidden_a") <= balance.dead_band_a:
        return (
            "Far more goes unseen while it is parked than cells and board lose together: something draws past the sensor or "
            "below what it shows, or a cell loses charge by itself. Isolate the pack for a month and see whether it goes on."
        )
    return (
        f"Some {balance.value('hidden_a'):.2f} A flow out while the sensor, which shows nothing below "
        f"{balance.dead_band_a:.2g} A, reads zero: more than cells and board lose. Look for what stays on, with a finer "
        "clamp meter. What the cells themselves lose cannot be told beside it."
    )


def _standby(balance: Balance, hours: pd.DataFrame, pack: Pack) -> Estimate | None:
    """What the vehicle drew through the sensor when last parked, shown or behind a shown zero."""
    quiet = last_alike(quiet_hours(hours, pack))
    if quiet.empty:
        return None
    live = _live_share(quiet)
    hides = _hides(balance, pack)
    if live < NEVER_LIVE and not hides:
        return Estimate(0.0, 0.0, round(max(DEAD_BAND_A, balance.dead_band_a), 3))
    shown_a, spread_a = _shown(quiet)
    more_a, sigma_a = balance.combined({"offset_a": live, "hidden_a": (1.0 - live) * hides})
    # near the edge of the dead band a steady draw is shown only when noise lifts it over
    edge_a = 0.0 if hides else balance.dead_band_a * min(live, 1.0 - live)
    sigma_a = float(np.linalg.norm([sigma_a, spread_a, edge_a, live * _rounding_a(hours)]))
    value = shown_a + more_a
    low, high = value - QUANTILE * sigma_a, value + QUANTILE * sigma_a
    if not hides:
        behind_a = balance.value("hidden_a") + QUANTILE * balance.sigma("hidden_a")
        high += (1.0 - live) * min(max(behind_a, 0.0), balance.dead_band_a)
    return Estimate(round(value, 3), round(low, 3), round(high, 3))


def _reason(loss: Estimate | None, standby: Estimate | None, hidden: str | None) -> str | None:
    parts = [hidden] if hidden else []
    if loss is None and not hidden:
        parts.append(
            "What the pack loses unseen needs a long parked stretch that is logged throughout between two full charges; "
            "leave the monitor logging over a month of storage and charge to full before and after."
        )
    if standby is None:
        parts.append("What the parked vehicle draws needs a logged day on end without charging or use.")
    elif standby.value == 0 and standby.low == 0 and not hidden:
        parts.append("The sensor shows exactly zero while parked, so a small draw may hide in its dead band.")
    return " ".join(parts) or None
