"""Fade: how capacity goes down over the years, sudden losses, and when it may reach the end of life.

The rate, the mean of the time logged, and its interval come from the joint estimate (`balance`); the robust slope of
`slope` is the check that does not weigh. A projection goes on at the pace of the present.
"""

from __future__ import annotations

from datetime import date, timedelta
from typing import TYPE_CHECKING

import numpy as np

from logbook.analysis.capacity import END_OF_LIFE, LEAST_SWING, QUANTILE
from logbook.schema.estimate import Estimate
from logbook.schema.health import Capacity, DateRange, Fade, SuddenLoss
from logbook.units import DAYS_PER_YEAR, MS_PER_DAY, utc_from_ms

if TYPE_CHECKING:
    import pandas as pd

    from logbook.analysis.balance import Balance
    from logbook.schema.pack import Pack

LEAST_POINTS, LEAST_YEARS = 6, 1.0
"""What a projection needs; with less, say so (common practice, no source)."""
HORIZON_SPANS = 3.0
"""No projection beyond three times the span observed."""
LOSS_SHAPE = 0.08
"""1 sd of a sudden loss from its not being quite sudden, share of it: a damaged cell goes on drifting (ours)."""
RUN_SIGMA_PERCENT, LEAST_PACE_YEARS = 1.5, 0.25
"""1 sd of one run, percent of rated, and the shortest time from which a pace is read (ours)."""
LEAST_LEARNED = 0.35
"""A rate hardly narrower than what was assumed beforehand is not an answer."""


def years_to_show(fade_percent_per_year: float, sigma_percent: float, per_year: float) -> float:
    """Years of `per_year` tests with error `sigma_percent` until such a fade is twice its standard error.

    SE(slope) = σ·√(12(n − 1)/(n(n + 1)))/T for n even tests over T years (ordinary least squares).
    """
    for quarter in range(1, 81):
        years = quarter / 4
        count = max(2.0, per_year * years)
        error = sigma_percent * np.sqrt(12 * (count - 1) / (count * (count + 1))) / years
        if fade_percent_per_year >= 2 * error:
            return years
    return float("inf")


def fade(balance: Balance, capacity: Capacity, pack: Pack) -> Fade:
    """Rate, sudden losses and end of life, each only from enough evidence."""
    losses = _sudden_losses(balance)
    spans = balance.spans[np.abs(balance.spans["soc_change"]) >= LEAST_SWING] if len(balance.spans) else balance.spans
    if len(spans) < 3:
        return Fade(None, None, losses, _too_early(spans))
    years = (balance.now_ms - float(spans["middle_ms"].min())) / (MS_PER_DAY * DAYS_PER_YEAR)
    if balance.learned(**_mean_rate(years)) < LEAST_LEARNED:
        return Fade(None, None, losses, _too_early(spans))
    present = _percent_a_year(balance, _mean_rate(0.0), pack)
    end = _end_of_life(balance, capacity, present)
    return Fade(
        _percent_a_year(balance, _mean_rate(years), pack),
        end,
        losses,
        None if end else _no_projection(present, capacity),
    )


def _mean_rate(years: float) -> dict[str, float]:
    """Weights of the unknowns in the mean rate of the last so many years; of none, it is that of the present."""
    return {"rate_ah_per_year": 1.0, "bend_ah_per_year2": years}


def _percent_a_year(balance: Balance, weights: dict[str, float], pack: Pack) -> Estimate:
    rate, sigma = (figure * 100 / pack.rated_ah for figure in balance.combined(weights))
    return Estimate(round(rate, 2), round(rate - QUANTILE * sigma, 2), round(rate + QUANTILE * sigma, 2))


def _sudden_losses(balance: Balance) -> tuple[SuddenLoss, ...]:
    losses = []
    for step in balance.steps:
        size = balance.value(step.name)
        sigma = float(np.hypot(balance.sigma(step.name), LOSS_SHAPE * size))
        estimate = Estimate(round(size, 4), round(size - QUANTILE * sigma, 4), round(size + QUANTILE * sigma, 4))
        losses.append(SuddenLoss(step.at_ms, estimate))
    return tuple(losses)


def _too_early(spans: pd.DataFrame) -> str:
    """How many runs there are, and when at their pace a fade of 2 % a year would show."""
    runs = spans[spans["soc_change"] < 0] if len(spans) else spans
    if len(runs) < 2:
        so_far = "one run" if len(runs) else "no run"
        return f"It is too early: {so_far} from full to empty so far; two a year help most."
    logged_years = float(np.ptp(runs["middle_ms"])) / (MS_PER_DAY * DAYS_PER_YEAR)
    years = years_to_show(2.0, RUN_SIGMA_PERCENT, len(runs) / max(logged_years, LEAST_PACE_YEARS))
    so_far = f"{len(runs)} runs from full to empty within {12 * logged_years:.0f} months"
    if years <= logged_years:
        return f"There are {so_far}, but each alone is too unsure. Two runs a year in mild weather help most."
    needs = f"about {years:.1f} years" if np.isfinite(years) else "many years"
    return (
        f"It is too early: {so_far}. "
        f"At this pace a fade of 2 % a year would show after {needs} of logging; two full-to-empty runs a year help most."
    )


def _no_projection(rate: Estimate, capacity: Capacity) -> str:
    if capacity.state_of_health is not None and capacity.state_of_health.high < END_OF_LIFE:
        return "It is below 80 % of its rating already."
    if capacity.state_of_health is not None and capacity.state_of_health.low < END_OF_LIFE:
        return "It may be at 80 % of its rating already: that line lies within the interval of its capacity."
    if rate.low <= 0:
        return "The fade cannot be told from none yet, so no end of life is projected."
    return "An end of life is projected only from six measurements over a year or more, and no further than three times that span."


def _end_of_life(balance: Balance, capacity: Capacity, rate: Estimate) -> DateRange | None:
    used = [entry for entry in capacity.observations if entry.used]
    if capacity.state_of_health is None or len(used) < LEAST_POINTS or rate.low <= 0:
        return None
    if capacity.state_of_health.low < END_OF_LIFE:
        return None
    span_years = (used[-1].end_ms - used[0].start_ms) / (MS_PER_DAY * DAYS_PER_YEAR)
    if span_years < LEAST_YEARS * 0.9:
        return None
    today = utc_from_ms(balance.now_ms).date()
    left = capacity.state_of_health.scaled(100)
    horizon = HORIZON_SPANS * span_years

    def reached(health_percent: float, percent_per_year: float) -> date | None:
        years = (health_percent - 100 * END_OF_LIFE) / percent_per_year
        return today + timedelta(days=years * DAYS_PER_YEAR) if years <= horizon else None

    soonest = reached(left.low, rate.high)
    if soonest is None:
        return None
    return DateRange(reached(left.value, rate.value), soonest, reached(left.high, rate.low))
