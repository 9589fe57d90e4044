"""Monitor: whether the instrument itself can be believed."""

from __future__ import annotations

from typing import TYPE_CHECKING

import numpy as np

from logbook.analysis.capacity import QUANTILE
from logbook.analysis.cold import heater_suspected, perhaps_heater_ah
from logbook.analysis.delivered import scatter_per_ah
from logbook.analysis.quiet import fed_zero_s
from logbook.analysis.resets import false_ones
from logbook.analysis.resolution import current_step_a
from logbook.schema.estimate import Estimate
from logbook.schema.health import FalseFull, Monitor, ZeroChange
from logbook.units import MS_PER_HOUR, MS_PER_S, S_PER_HOUR

if TYPE_CHECKING:
    from collections.abc import Mapping

    import pandas as pd

    from logbook.analysis.balance import Balance
    from logbook.schema.pack import Pack

LEAST_LEARNED = 0.6
LARGEST_PAUSE_S = 1800.0
LONGEST_COUNT_S = 20 * 86_400.0
"""A count that ran on for longer checks nothing: what wanders has added up (ours)."""
OFTEN_ZERO, WORTH_TELLING_A = 0.02, 0.05
LEAST_COUNTED, MOST_COUNTED = -10.0, 110.0
"""A count that leaves the pack has gone wrong itself."""
WORTHLESS_PERCENT = 6.0
"""A count this unsure, 1 sd, checks nothing."""
HEATER_SHARE = 0.25
TOLD_APART = 0.3
"""Known to within so much the share that fed a heater is no longer mixed up with the offset (ours)."""
HEATED = (
    "Charge that went in while a frozen pack warmed quickly may have fed a heater of its own, and then the sensor's offset cannot be told; "
    "say what the heater takes (heater_current_a among the pack's limits)."
)
ROUNDING_SHARE = 0.2
"""1 sd of an offset from rounding, share of the step: small loads that stay the same are rounded the same way (ours)."""
DRIFT_SIGMA_A = 0.006
"""A zero that wanders and losses that follow the weather, 1 sd; ours, tested for coverage."""


def monitor(balance: Balance, tables: Mapping[str, pd.DataFrame], pack: Pack) -> Monitor:
    """Offset of the current, error of the reported state of charge, and whether that is a mere count."""
    offset = None
    heated = _heater_instead(balance, tables)
    past_a = balance.past_sensor_a
    if balance.learned(offset_a=1.0) >= LEAST_LEARNED and not heated and past_a is None:
        value, sigma = balance.sensor_offset
        sigma = float(np.hypot(1.4 * sigma, DRIFT_SIGMA_A))
        sigma = float(np.hypot(sigma, ROUNDING_SHARE * current_step_a(tables["hours"])))
        offset = Estimate(round(value, 3), round(value - QUANTILE * sigma, 3), round(value + QUANTILE * sigma, 3))
    assumes = None if balance.typed_share is None else balance.typed_share == 1.0
    error = _soc_error(balance, tables["hours"], pack)
    false_fulls = tuple(
        FalseFull(int(row.start_ms), float(row.from_percent), float(row.voltage_v))
        for row in false_ones(tables["resets"]).itertuples()
    )
    reason = _reason(offset, error, tables["hours"], assumes=assumes, past_a=past_a)
    return Monitor(
        offset,
        error,
        assumes,
        f"{HEATED} {reason or ''}".strip() if heated else reason,
        false_fulls,
        tuple(ZeroChange(change.at_ms, round(-change.by_a, 3)) for change in balance.zero_changes),
        _dead_band(balance, tables["hours"]),
        None if past_a is None else round(past_a, 2),
    )


def _dead_band(balance: Balance, hours: pd.DataFrame) -> float | None:
    """The current below which the sensor shows nothing, where it often does and that is worth a word."""
    logged_s = float(hours["logged_s"].sum()) if len(hours) else 0.0
    zero = 1.0 - float(hours["live_s"].sum()) / logged_s if logged_s else 0.0
    wide = balance.dead_band_a >= WORTH_TELLING_A
    return round(balance.dead_band_a, 2) if zero >= OFTEN_ZERO and wide else None


def _heater_instead(balance: Balance, tables: Mapping[str, pd.DataFrame]) -> bool:
    """Whether charge that may have fed the pack's own heater, or not, explains a good part of what looks like an offset."""
    if balance.sigma("heated") <= TOLD_APART and heater_suspected(tables["cold"]):
        return False
    live_h = float(tables["hours"]["live_s"].sum()) / S_PER_HOUR
    seeming_ah = abs(balance.value("offset_a")) * live_h
    return bool(perhaps_heater_ah(tables["cold"]) > HEATER_SHARE * seeming_ah > 0)


def _soc_error(balance: Balance, hours: pd.DataFrame, pack: Pack) -> Estimate | None:
    """Reported minus counted state of charge, percent, at the end of the last stretch logged on from a full charge."""
    anchors = balance.anchors
    if (
        anchors.empty
        or hours.empty
        or hours["last_soc_percent"].isna().all()
        or balance.sigma("capacity_ah") > 0.12 * balance.value("capacity_ah")
    ):
        return None
    net = np.cumsum((hours["charge_ah"] - hours["discharge_ah"]).to_numpy(float))
    logged, live = np.cumsum(hours["logged_s"].to_numpy(float)), np.cumsum(hours["live_s"].to_numpy(float))
    switched = np.cumsum(hours["switched_ah"].to_numpy(float))
    fed = np.cumsum(fed_zero_s(hours, pack))
    scatter = np.cumsum(scatter_per_ah(hours) * (hours["charge_ah"] + hours["discharge_ah"]).to_numpy(float))
    hour_ms = hours["start_ms"].to_numpy()
    tops = anchors[anchors["kind"] == "full"]
    for top in reversed(list(tops.itertuples())):
        begin = int(np.searchsorted(hour_ms, top.start_ms // MS_PER_HOUR * MS_PER_HOUR))
        elapsed_s = (hour_ms[begin:] + MS_PER_HOUR - top.start_ms) / MS_PER_S
        whole = np.cumsum(elapsed_s - (logged[begin:] - top.logged_s) > LARGEST_PAUSE_S) == 0
        whole &= elapsed_s <= LONGEST_COUNT_S
        places = np.arange(begin, len(hour_ms))[whole]
        places = places[~np.isnan(hours["last_soc_percent"].to_numpy(float)[places])]
        if len(places) < 6:
            continue
        last = int(places[-1])
        live_h, passed_h = (live[last] - top.live_s) / S_PER_HOUR, (logged[last] - top.logged_s) / S_PER_HOUR
        moved = net[last] - top.net_ah - balance.value("offset_a") * live_h - balance.value("loss_a") * passed_h
        moved += balance.value("miss") * (switched[last] - top.switched_ah)
        fed_h = (fed[last] - top.fed_zero_s) / S_PER_HOUR
        zero_h = passed_h - live_h - fed_h
        moved -= balance.value("hidden_a") * zero_h + balance.value("fed_a") * fed_h
        capacity_ah = balance.value("capacity_ah")
        counted = 100 * (top.soc + moved / capacity_ah)
        value = float(hours["last_soc_percent"].iloc[last] - counted)
        missed = switched[last] - top.switched_ah
        # offset and loss are known better together than apart
        _, drift_ah = balance.combined(
            {"offset_a": live_h, "loss_a": passed_h, "hidden_a": zero_h, "fed_a": fed_h, "miss": -missed}
        )
        scattered_ah2 = max(0.0, float(scatter[last] - top.scatter_ah2))
        doubt_ah = np.sqrt(drift_ah**2 + (moved / capacity_ah * balance.sigma("capacity_ah")) ** 2 + scattered_ah2)
        sigma = float(np.hypot(100 * doubt_ah / capacity_ah, 0.7))
        if sigma > WORTHLESS_PERCENT or not LEAST_COUNTED <= counted <= MOST_COUNTED:
            return None
        return Estimate(round(value, 1), round(value - QUANTILE * sigma, 1), round(value + QUANTILE * sigma, 1))
    return None


def _reason(
    offset: Estimate | None, error: Estimate | None, hours: pd.DataFrame, *, assumes: bool | None, past_a: float | None
) -> str | None:
    parts = []
    if past_a is not None:
        parts.append(
            f"Some {abs(past_a):.2f} A {'leave' if past_a > 0 else 'reach'} the pack uncounted on the average, more than a sensor's zero "
            "is ever off: something is wired past the sensor, and beside it the sensor's own offset cannot be told."
        )
    elif offset is None:
        parts.append(
            "The sensor's offset needs two full charges with the log running on between them; charge to full at least once a week."
        )
    if error is None:
        reported = len(hours) and hours["last_soc_percent"].notna().any()
        parts.append(
            "The reported state of charge cannot be checked without a stretch logged on from a proven full charge."
            if reported
            else "The log carries no state of charge."
        )
    if assumes:
        parts.append(
            "The reported percentage is a count against the typed-in capacity; it says nothing about what the pack still holds."
        )
    return " ".join(parts) or None
