"""Capacity: does the pack still deliver its rated amp-hours, how surely, and on what evidence.

The figure is the usable charge from full to the cut-off at 25 °C and 0.2 C, as of the last reading,
the conditions in which IEC 61960 and IEC 62620 state rated capacity (from memory of the standards).
Where full and empty were never both proven, the answer is what the pack has delivered at the least.
"""

from __future__ import annotations

from statistics import NormalDist
from typing import TYPE_CHECKING

import numpy as np

from logbook.analysis.delivered import delivered
from logbook.analysis.recount import WAYS
from logbook.analysis.resolution import current_step_a
from logbook.analysis.unknown import LEFT, bias_ah, left_ah
from logbook.analysis.wording import amp_hours
from logbook.schema.estimate import LEVEL, Estimate
from logbook.schema.health import Capacity, CapacityObservation
from logbook.units import DAYS_PER_YEAR, MS_PER_DAY, iso_from_ms

if TYPE_CHECKING:
    import pandas as pd

    from logbook.analysis.balance import Balance
    from logbook.schema.pack import Pack

QUANTILE = NormalDist().inv_cdf(0.5 + LEVEL / 2)
ODD_SIGMAS = 2.0
"""A last run so far below the others' answer is more than chance in one of forty (ours)."""
GAIN_SIGMA = 0.005
"""1 sd of a sensor's scale, which no log can show; they are sold as right to 0.5 to 1 % (common practice, no source)."""
DRIFT_SIGMA_A = 0.006
"""A zero that wanders, 1 sd (ours)."""
LEAST_SWING = 0.6
"""Below this swing a span bounds capacity but does not measure it (common practice, no source)."""
UNDETERMINED_WIDTH = 0.2
NO_ESTIMATE_SIGMA = 0.12
"""A standard deviation beyond this share of rated is no estimate at all."""
MEETS_RATING, END_OF_LIFE = 0.95, 0.80
COLD_C = 10.0
DISAGREES = "left out: it disagrees with all the others"
METHODS = {
    "full": "full",
    "nearly_full": "nearly full",
    "held": "held near full",
    "rested_full": "rested near full",
    "empty": "empty",
    "knee": "bottom knee",
}


def capacity(balance: Balance, tables_hours: pd.DataFrame, pack: Pack) -> Capacity:
    """State capacity with its interval, verdict and every observation it rests on."""
    observations = _observations(balance, pack)
    at_least_ah = _at_least_ah(balance, tables_hours, pack)
    used = [entry for entry in observations if entry.used]
    mean_ah = balance.value("capacity_ah")
    sigma_ah = float(np.hypot(balance.sigma("capacity_ah"), GAIN_SIGMA * mean_ah))
    if not used or sigma_ah > NO_ESTIMATE_SIGMA * pack.rated_ah:
        return Capacity(
            None, None, "undetermined", _missing(balance, tables_hours, at_least_ah, pack), observations, at_least_ah
        )
    estimate = Estimate(
        round(mean_ah, 4), round(mean_ah - QUANTILE * sigma_ah, 4), round(mean_ah + QUANTILE * sigma_ah, 4)
    )
    odd = _odd_last(observations, estimate)
    if odd:
        estimate = Estimate(estimate.value, min(estimate.low, odd.low), estimate.high)
    health = estimate.scaled(1 / pack.rated_ah)
    verdict = _verdict(health)
    if odd and verdict != _verdict(Estimate(odd.ah, odd.ah, odd.ah).scaled(1 / pack.rated_ah)):
        verdict = "undetermined"
    if at_least_ah is not None and at_least_ah > estimate.high:
        at_least_ah = None  # a count that went on past what the pack holds has drifted
    return Capacity(
        estimate,
        health,
        verdict,
        " ".join(filter(None, (_past(balance), _reason(verdict, health, used, at_least_ah, pack, odd)))) or None,
        observations,
        at_least_ah,
    )


def _past(balance: Balance) -> str | None:
    if balance.past_sensor_a is None:
        return None
    way = "leaves" if balance.past_sensor_a > 0 else "reaches"
    return (
        f"Charge {way} the pack past the sensor, and when it does so nobody can say, so the interval is wide. "
        "A run in the dark from full to the cut-off with only counted loads on would settle it."
    )


def _odd_last(observations: tuple[CapacityObservation, ...], estimate: Estimate) -> CapacityObservation | None:
    """The latest measurement, where it lies below all that the others allow: an oddity, or a loss since the others."""
    if not observations:
        return None
    last = max(observations, key=lambda entry: entry.end_ms)
    sigma_ah = float(np.hypot(last.high - last.low, estimate.high - estimate.low)) / 2 / QUANTILE
    return last if last.ah < estimate.low and estimate.value - last.ah > ODD_SIGMAS * sigma_ah else None


def _verdict(health: Estimate) -> str:
    if health.width > UNDETERMINED_WIDTH:
        return "undetermined"
    if health.value >= MEETS_RATING:
        return "meets_rating"
    return "end_of_life" if health.value < END_OF_LIFE else "reduced"


def _observations(balance: Balance, pack: Pack) -> tuple[CapacityObservation, ...]:
    """Each span that swings far enough, referred to its own charge balance."""
    spans = balance.spans
    if spans.empty:
        return ()
    spans = spans[np.abs(spans["soc_change"]) >= LEAST_SWING]
    kinds = balance.anchors["kind"].to_numpy(object)
    starts = balance.anchors["start_ms"].to_numpy()
    temps = balance.anchors["temperature_c"].to_numpy(float)
    rows = []
    first, last = spans["first"].to_numpy(int), spans["last"].to_numpy(int)
    biases = {kind: bias_ah(balance.anchors, first, last, kind, pack) for kind in METHODS}
    left = np.sum([balance.value(name) * left_ah(balance.anchors, first, last, name, pack) for name in LEFT], axis=0)
    for place, span in enumerate(spans.itertuples()):
        change = span.soc_change
        bias = left[place] + sum(balance.value(f"bias_{kind}") * biases[kind][place] for kind in METHODS)
        drift_ah = balance.value("loss_a") * span.hours + balance.value("offset_a") * span.live_hours
        drift_ah += balance.value("hidden_a") * span.zero_hours + balance.value("fed_a") * span.fed_hours
        drift_ah += balance.value("inefficiency") * span.charge_ah + balance.value("heated") * span.cold_ah
        missed_ah = balance.value("miss") * span.switched_ah
        missed_ah += sum(balance.value(name) * getattr(span, name) for name in WAYS)
        ah = (span.net_ah - drift_ah + missed_ah - bias) / change
        drift_sigma = float(
            np.hypot(balance.sigma("loss_a") * 0.3 * span.hours, balance.sigma("miss") * span.switched_ah)
        )
        sigma = float(np.sqrt(span.sigma_ah**2 + drift_sigma**2 + (GAIN_SIGMA * pack.rated_ah) ** 2)) / abs(change)
        low_end = span.last if change < 0 else span.first
        temperature_c = None if np.isnan(temps[low_end]) else round(float(temps[low_end]), 1)
        rows.append(
            CapacityObservation(
                start_ms=int(starts[span.first]),
                end_ms=int(starts[span.last]),
                ah=round(float(ah), 4),
                low=round(float(ah - QUANTILE * sigma), 4),
                high=round(float(ah + QUANTILE * sigma), 4),
                method=f"{METHODS[kinds[span.first]]} to {METHODS[kinds[span.last]]}",
                temperature_c=temperature_c,
                used=bool(span.weight >= 0.25 and not span.refuted),
                note=_note(span.weight, temperature_c, refuted=span.refuted),
            )
        )
    return tuple(rows)


def _note(weight: float, temperature_c: float | None, *, refuted: bool) -> str | None:
    if refuted:
        return "left out: the pack has delivered more since, so it was not empty"
    if weight < 0.25:
        return DISAGREES
    if temperature_c is not None and temperature_c < COLD_C:
        return f"cold ({temperature_c:.0f} °C at the empty end): counts for less"
    return "counts for less: it lies off the others" if weight < 0.6 else None


def _at_least_ah(balance: Balance, hours: pd.DataFrame, pack: Pack) -> float | None:
    """The most that went out after a full charge without a pause in the log, less what may be wrong with it or gone since."""
    rows = delivered(balance.anchors, hours, pack, to_empty=True)
    since_ms = max([step.at_ms for step in balance.steps] + [balance.doubted_ms or 0]) or None
    if since_ms is not None:
        rows = rows[rows["start_ms"] >= since_ms]
    if rows.empty:
        return None
    live_h, missed = rows["live_hours"].to_numpy(float), rows["switched_ah"].to_numpy(float)
    out_ah = rows["out_ah"].to_numpy(float)
    years_ago = (balance.now_ms - rows["end_ms"].to_numpy(float)) / (MS_PER_DAY * DAYS_PER_YEAR)
    known = out_ah + balance.value("offset_a") * live_h - balance.value("miss") * missed
    known -= max(0.0, balance.value("rate_ah_per_year")) * np.maximum(years_ago, 0.0)
    doubt = np.sqrt(
        (balance.sigma("offset_a") * live_h) ** 2
        + (balance.sigma("miss") * missed) ** 2
        + (balance.sigma("rate_ah_per_year") * years_ago) ** 2
        + (GAIN_SIGMA * out_ah) ** 2
        + (DRIFT_SIGMA_A * live_h) ** 2
        + (current_step_a(hours) / np.sqrt(12)) ** 2 * rows["alike_h2"].to_numpy(float)
        + rows["scatter_ah2"].to_numpy(float)
    )
    # the largest of many deliveries is taken, so each must hold for all of them
    surely = NormalDist().inv_cdf(1 - (1 - LEVEL) / 2 / len(rows))
    best = float(np.max(known - surely * doubt))
    return None if best < 0.05 * pack.rated_ah else round(best, 3)


def _amperes(current_a: float) -> str:
    """Whole amperes for a house battery, one figure that is not zero for a small cell."""
    return f"{current_a:.0f} A" if current_a >= 2 else f"{current_a:.1g} A"


def _missing(balance: Balance, hours: pd.DataFrame, at_least_ah: float | None, pack: Pack) -> str:
    if len(hours) and not hours["logged_s"].any():
        return "The readings carry no current, and without it nothing can be counted. Export the current with them."
    if len(hours) and hours["min_voltage_v"].isna().all():
        return (
            "The readings carry no voltage, and without it neither full nor empty can be proved. Export it with them."
        )
    kinds = set(balance.anchors["kind"]) if len(balance.anchors) else set()
    bound = f" It has delivered at least {at_least_ah:.{0 if at_least_ah >= 20 else 1}f} Ah." if at_least_ah else ""
    test = (
        f"charge until {pack.limits.full_voltage_v:.1f} V with the current tapered to {_amperes(pack.limits.tail_current_a)}, "
        f"then run one steady load of about {_amperes(0.2 * pack.rated_ah)} down to the cut-off in a mild room, logging all the way"
    )
    if not kinds & {"full", "nearly_full", "held", "rested_full"}:
        return f"Nothing in the log proves that the pack was full.{bound} To find out, {test}."
    if not kinds & {"empty", "knee"}:
        return f"The pack was never run near empty while logged, so nobody can say where its end is.{bound} To find out, {test}."
    return f"No logged stretch reaches from full to empty without a pause.{bound} To find out, {test}."


def _reason(
    verdict: str,
    health: Estimate,
    used: list[CapacityObservation],
    at_least_ah: float | None,
    pack: Pack,
    odd: CapacityObservation | None,
) -> str | None:
    if odd:
        return (
            f"The last run, of {iso_from_ms(odd.end_ms)[:10]}, gave only about {amp_hours(odd.ah)}, far less than all before it: "
            "the pack has lost capacity since, or that run was odd. "
            f"One more run from full to the cut-off at about {_amperes(0.2 * pack.rated_ah)} tells."
        )
    if verdict == "undetermined":
        bound = f" It has delivered at least {at_least_ah:.{0 if at_least_ah >= 20 else 1}f} Ah." if at_least_ah else ""
        return f"The interval is too wide for a verdict.{bound} One run from full to the cut-off at about {_amperes(0.2 * pack.rated_ah)} would narrow it."
    straddled = [line for line in (MEETS_RATING, END_OF_LIFE) if health.low < line < health.high]
    latest = iso_from_ms(max(entry.end_ms for entry in used))[:10]
    parts = []
    if straddled:
        parts.append(
            f"The line at {100 * straddled[0]:.0f} % of rated lies inside the interval, so the verdict may tip either way."
        )
    if len(used) == 1:
        parts.append(f"It rests on one measurement, of {latest}; a second would confirm it.")
    if all(entry.method.startswith(METHODS["rested_full"]) for entry in used):
        parts.append(
            "The log does not show a charge to full before them: it began at a voltage that only a nearly full pack has."
        )
    if all(entry.temperature_c is not None and entry.temperature_c < COLD_C for entry in used):
        parts.append("All measurements were cold ones; a run in mild weather would settle it.")
    return " ".join(parts) or None
