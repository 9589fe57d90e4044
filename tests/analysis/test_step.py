"""A sudden loss in a chain of spans: found where it was put, and nowhere else."""

import numpy as np
import pandas as pd
import pytest

from logbook.analysis.solution import Problem, solve
from logbook.analysis.step import EVEN_GAIN, LEAST_GAIN, best_step, likelihood, with_step
from logbook.schema.pack import Limits, Pack
from logbook.units import MS_PER_DAY

PACK = Pack(1, "Fore", "lfp", 4, 100.0, Limits.defaults(100.0, 4))


def history(rng, *, loss_ah, loss_day=180, spans=24, fade_ah_per_year=2.0):
    """One run from full to empty every fortnight, counted to 0.8 Ah, with a loss at a known day."""
    day = 14.0 * np.arange(1, spans + 1)
    capacity = 98.0 - fade_ah_per_year * day / 365.25 - np.where(day > loss_day, loss_ah, 0.0)
    anchors = pd.DataFrame({"start_ms": (np.ravel(np.column_stack([day - 1, day])) * MS_PER_DAY).astype("int64")})
    found = pd.DataFrame(
        {
            "first": 2 * np.arange(spans),
            "last": 2 * np.arange(spans) + 1,
            "soc_change": -1.0,
            "middle_ms": ((day - 0.5) * MS_PER_DAY).astype("int64"),
            "refuted": False,
        }
    )
    years_ago = (day[-1] - day) / 365.25
    posed = Problem(
        names=("capacity_ah", "rate_ah_per_year"),
        design=np.column_stack([-np.ones(spans), -years_ago]),
        data=-capacity + rng.normal(0.0, 0.8, spans),
        own_variance=np.full(spans, 0.8**2),
        shared=np.zeros(spans - 1),
        anchor_variance=np.full(spans, 1e-6),
        side_design=np.empty((0, 2)),
        side_data=np.empty(0),
        side_variance=np.empty(0),
        prior_mean=np.array([90.0, 2.0]),
        prior_sigma=np.array([60.0, 2.0]),
        never_negative=np.zeros(2, np.bool_),
    )
    return posed, found, anchors


def proved(posed, found, anchors) -> bool:
    """Whether the best step buys enough."""
    plain = solve(posed)
    step = best_step(posed, plain, found, anchors, PACK)
    return step is not None and plain.objective - solve(with_step(posed, found, step, PACK)).objective >= LEAST_GAIN


def test_a_loss_of_fourteen_percent_is_dated_and_sized(rng):
    posed, found, anchors = history(rng, loss_ah=14.0)

    step = best_step(posed, solve(posed), found, anchors, PACK)
    size_ah = solve(with_step(posed, found, step, PACK)).mean[-1]

    assert abs(step.at_ms / MS_PER_DAY - 180) <= 20
    assert step.earliest_ms <= step.at_ms <= step.latest_ms
    assert size_ah == pytest.approx(14.0, abs=1.5)


def test_no_loss_is_found_in_plain_fade():
    found_any = []
    for seed in range(100):
        posed, found, anchors = history(np.random.default_rng(seed), loss_ah=0.0, fade_ah_per_year=4.0)
        found_any.append(proved(posed, found, anchors))

    assert sum(found_any) == 0


def test_three_runs_are_too_few_for_a_step(rng):
    posed, found, anchors = history(rng, loss_ah=14.0, loss_day=20, spans=3)

    assert best_step(posed, solve(posed), found, anchors, PACK) is None


def test_a_step_that_explains_little_is_unlikely_and_one_that_explains_much_is_not():
    assert likelihood(3.0) < 0.01
    assert likelihood(EVEN_GAIN) == 0.5
    assert likelihood(LEAST_GAIN) > 0.9
    assert likelihood(-1e9) == pytest.approx(0.0, abs=1e-9)
