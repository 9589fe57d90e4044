"""Judge: holds one health answer against the truth of its case; every figure is NaN where there was nothing to judge."""

from __future__ import annotations

from dataclasses import dataclass
from typing import TYPE_CHECKING

import numpy as np

if TYPE_CHECKING:
    from logbook.schema.estimate import Estimate
    from logbook.schema.health import ColdChargeEvent, Health
    from tests.simulator import ColdSpan, Truth

NAN = float("nan")
SLACK_MS = 30 * 60 * 1000
"""Spans of cold charging less than this apart are one."""
COLD_SAMPLES = 3
COLD_ENOUGH_C = -1.0


@dataclass(frozen=True)
class Judged:
    """One estimate against its truth, in the aim's unit."""

    error: float = NAN
    held: float = NAN
    """1 where the interval holds the truth, 0 where not."""
    width: float = NAN

    @staticmethod
    def of(estimate: Estimate | None, truth: float, unit: float) -> Judged:
        """Error, cover and width of an estimate, all in `unit`; nothing where it was declined."""
        if estimate is None or not np.isfinite(truth):
            return Judged()
        return Judged(
            error=(estimate.value - truth) / unit,
            held=float(estimate.low <= truth <= estimate.high),
            width=(estimate.high - estimate.low) / unit,
        )


@dataclass(frozen=True)
class Score:
    """How one answer did."""

    name: str
    kind: str
    empties: int
    deep: bool
    """Run to a proven empty at least twice in the logged time."""
    capacity: Judged
    """Percent of rated."""
    verdict: str
    true_verdict: str
    confident: bool
    """The whole interval lies on one side of the limits."""
    margin_percent: float
    """How far the true capacity lies from the nearest limit of a verdict, percent of rated."""
    bound_percent: float
    """The lower bound given less the truth, percent of rated."""
    offset: Judged
    """Amperes."""
    losses_found: int
    losses_true: int
    loss_days: float
    loss: Judged
    """Percent of rated."""
    fade: Judged
    """Percent of rated a year, against the gradual part."""
    cold_due: int
    cold_found: int
    cold_told: int
    cold_invented: int
    cold_ah_error: float
    """Sum over the matched events against the truth, share."""
    cycles_error: float
    """Share."""
    idle: Judged
    """Share of the truth."""
    resistance: Judged
    """Share of the truth."""
    seconds: float


def true_verdict(share: float) -> str:
    """The contract's words for a share of rated."""
    if share >= 0.95:
        return "meets_rating"
    return "reduced" if share >= 0.8 else "end_of_life"


def judge(health: Health, truth: Truth, rated_ah: float, seconds: float) -> Score:
    """Every figure of the aims for one case."""
    share = truth.capacity_ah_end / rated_ah
    percent = rated_ah / 100.0
    estimate = health.capacity.ah
    bound = health.capacity.at_least_ah
    losses = health.fade.sudden_losses
    lost = truth.sudden_loss
    nearest = min(losses, key=lambda loss: abs(loss.time_ms - lost.time_ms)) if losses and lost else None
    gradual_ah = truth.capacity_ah_start - truth.capacity_ah_end - (lost.ah if lost else 0.0)
    # Without a thermometer in the log nothing is due; an event told all the same would count as invented.
    spans = () if truth.kind == "no_temperature" else truth.cold_charging
    due, found, told, invented, ah_error = _cold(health.cold_charging.events, spans)
    cycles = truth.equivalent_full_cycles_logged
    unseen, milliohm = truth.unseen_loss_percent_per_month, truth.pack_resistance_milliohm_25c
    return Score(
        name=f"{truth.kind} {truth.seed}" if truth.seed >= 0 else truth.kind,
        kind=truth.kind,
        empties=truth.proven_empties_logged,
        deep=truth.proven_empties_logged >= 2,
        capacity=Judged.of(estimate, truth.capacity_ah_end, percent),
        verdict=health.capacity.verdict,
        true_verdict=true_verdict(share),
        confident=estimate is not None
        and true_verdict(estimate.low / rated_ah) == true_verdict(estimate.high / rated_ah),
        margin_percent=100.0 * min(abs(share - 0.95), abs(share - 0.8)),
        bound_percent=NAN if bound is None else (bound - truth.capacity_ah_start) / percent,
        offset=Judged.of(health.monitor.current_offset_a, truth.current_offset_a, 1.0),
        losses_found=len(losses),
        losses_true=int(lost is not None),
        loss_days=NAN if nearest is None or not lost.time_ms else (nearest.time_ms - lost.time_ms) / 86_400_000,
        loss=Judged.of(nearest.ah_lost, lost.ah, percent) if nearest and lost else Judged(),
        fade=Judged.of(health.fade.percent_of_rated_per_year, gradual_ah / percent * 365.25 / max(truth.days, 1), 1.0),
        cold_due=due,
        cold_found=found,
        cold_told=told,
        cold_invented=invented,
        cold_ah_error=ah_error,
        cycles_error=(health.cycles.equivalent_full_cycles - cycles) / cycles if cycles else NAN,
        idle=Judged.of(health.idle.self_discharge_percent_per_month, unseen, unseen),
        resistance=Judged.of(health.resistance.milliohm_25c, milliohm, milliohm),
        seconds=seconds,
    )


def _cold(events: tuple[ColdChargeEvent, ...], spans: tuple[ColdSpan, ...]) -> tuple[int, int, int, int, float]:
    """(due, found, told, invented, error of the Ah); due are spans with enough samples and frost to be sure."""
    due = [span for span in spans if span.logged_samples >= COLD_SAMPLES and span.min_temperature_c <= COLD_ENOUGH_C]
    found = [span for span in due if any(_meet(event, span, 0) for event in events)]
    invented = [event for event in events if not any(_meet(event, span, SLACK_MS) for span in spans)]
    # Ah are compared over the events that meet a due span, where every span they meet is wholly in the log.
    told_ah = true_ah = 0.0
    counted: list[ColdSpan] = []
    for event in events:
        mates = [span for span in spans if _meet(event, span, 0)]
        if any(mate in found for mate in mates) and all(np.isfinite(mate.logged_ah) for mate in mates):
            told_ah += event.charge_ah
            counted += [mate for mate in mates if mate not in counted]
    true_ah = sum(span.logged_ah for span in counted)
    error = (told_ah - true_ah) / true_ah if true_ah > 0.5 else NAN
    return len(due), len(found), len(events), len(invented), error


def _meet(event: ColdChargeEvent, span: ColdSpan, slack_ms: int) -> bool:
    return event.start_ms <= span.end_ms + slack_ms and event.end_ms >= span.start_ms - slack_ms
