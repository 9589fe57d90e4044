"""Balance: one joint estimate of capacity, its drift, the sensor's offset and the unseen loss.

Between two anchors the count of the samples is

    q = C(t)·Δs + u_last − u_first + loss·hours + offset·live hours + hidden·zero hours + fed·fed hours − miss·switched Ah + inefficiency·Ah in
        + heated·Ah in below the limit

with C(t) = C_now + rate·(now − t) + bend·(now − t)² + any step, s the anchors' states of charge, u their errors
(shared by neighbouring spans, with a bias common to each kind of anchor, and one share of what the cold keeps back),
`offset` counting only while the sensor shows something, `hidden` while it shows exactly nothing, `fed` in place
of that while something may feed the loads, `miss` the part of an
interval by which point samples see switching loads too long, and `heated` the share of cold charge that fed a heater of
the pack's own. Linear in all unknowns, with Gaussian priors (that of the rate has the tails of a Student-t), so the
posterior is a weighted least-squares solution; errors in both Ah and state of charge are carried (the WTLS of Plett 2011, J. Power
Sources 196:2319, in its Bayesian form), outliers are down-weighted by a Student-t with 4 degrees
of freedom, and the errors are widened by the Birge ratio where the fit is worse than they say.
"""

from __future__ import annotations

from dataclasses import dataclass, field, replace
from typing import TYPE_CHECKING

import numpy as np

from logbook.analysis.bypass import past_sensor_a, zero_seen
from logbook.analysis.cold import heater_suspected
from logbook.analysis.dead_band import FINEST_A
from logbook.analysis.plateau import by_fall
from logbook.analysis.quiet import marked
from logbook.analysis.recount import counter_scale, display_share, recounted, recounts
from logbook.analysis.solution import Problem, Solution, solve
from logbook.analysis.spans import bridges, placed, spans
from logbook.analysis.step import LEAST_GAIN, Step, best_step, likelihood, with_step
from logbook.analysis.unknown import HIDDEN_SHARE, KIND_BIAS, always_early, problem_of
from logbook.analysis.zero import ZeroChange, as_read_later, zero_change

if TYPE_CHECKING:
    from collections.abc import Mapping

    import pandas as pd
    from numpy.typing import NDArray

    from logbook.schema.pack import Pack

WORTH_A_DOUBT, DOUBTED_LEAST = 0.02, 0.02
MOST_STEPS = 4
SURE_SIGMAS, STEP_SURELY = 1.645, 0.03
"""A loss must be at least this share of rated even at the low end of its interval (ours)."""
STEP_LEAST = 0.04
"""A drop under 4 % of rated is not told from a trend (ours)."""


@dataclass(frozen=True, eq=False)
class Balance:
    """Posterior of the joint estimate; `names` order `mean` and `covariance`."""

    names: tuple[str, ...]
    mean: NDArray[np.float64]
    covariance: NDArray[np.float64]
    prior_sigma: NDArray[np.float64]
    now_ms: int
    steps: tuple[Step, ...]
    """Proved drops of capacity, in time order."""
    anchors: pd.DataFrame
    spans: pd.DataFrame
    """With columns residual_ah, sigma_ah and weight added."""
    birge: float
    dead_band_a: float = FINEST_A
    """Below this the sensor shows exactly nothing."""
    tables: Mapping[str, pd.DataFrame] = field(default_factory=dict)
    """What it rests on: all of the log as an instrument with the last zero would have shown it."""
    zero_changes: tuple[ZeroChange, ...] = ()
    typed_share: float | None = None
    """Typed-in capacity over the rated one, where the percentage is a count."""
    past_sensor_a: float | None = None
    """What flows out of the pack past the sensor, on the average, where more is missing than an offset explains."""
    doubted_ms: int | None = None
    """When capacity may have dropped at once, where that is neither proved nor unlikely."""

    def value(self, name: str) -> float:
        """Posterior mean of an unknown."""
        return float(self.mean[self.names.index(name)])

    def sigma(self, name: str) -> float:
        """Posterior standard deviation of an unknown."""
        place = self.names.index(name)
        return float(np.sqrt(self.covariance[place, place]))

    @property
    def sensor_offset(self) -> tuple[float, float]:
        """What the sensor itself adds to every reading, A, with its sigma: without what flows past it, or its display rounds away."""
        share = display_share(self.tables["hours"])
        value, sigma = self.combined({"offset_a": 1.0, "count_deaf_a": -share})
        return value - (self.past_sensor_a or 0.0), sigma

    def combined(self, weights: Mapping[str, float]) -> tuple[float, float]:
        """Posterior mean and standard deviation of a weighted sum of unknowns, which may be known better than its parts."""
        row = np.zeros(len(self.names))
        for name, weight in weights.items():
            row[self.names.index(name)] = weight
        return float(row @ self.mean), float(np.sqrt(row @ self.covariance @ row))

    def learned(self, **weights: float) -> float:
        """How much narrower the posterior of a weighted sum of unknowns is than its prior, 0 (nothing learned) to 1."""
        _, sigma = self.combined(weights)
        prior = [weight * float(self.prior_sigma[self.names.index(name)]) for name, weight in weights.items()]
        return 1.0 - sigma / float(np.linalg.norm(prior))


def balance(
    tables: Mapping[str, pd.DataFrame],
    pack: Pack,
    changes: tuple[ZeroChange, ...] = (),
    counted: tuple[float | None, pd.DataFrame] | None = None,
) -> Balance:
    """Solve for capacity and the rest from everything the log proves; `changes` of the zero are taken out already.

    `counted` is the scale of the monitor's count and what it tells, where that is known: a zero changes neither.
    """
    tables = {**tables, "hours": marked(tables["hours"], pack)}
    anchors = by_fall(always_early(placed(tables, pack)))
    if counted is None:
        scale = counter_scale(tables, pack)
        counted = scale, recounts(tables, pack, scale)
    scale, counts = counted
    found = spans(anchors, tables, pack, bridges(tables, pack, scale))
    found = recounted(found, anchors, counts)
    for change in changes:
        doubt_ah = np.where(found["middle_ms"] < change.at_ms, change.sigma_a * found["live_hours"], 0.0)
        found["variance_ah2"] += doubt_ah**2
    now_ms = int(tables["hours"]["start_ms"].iloc[-1]) if len(tables["hours"]) else 0
    problem = problem_of(anchors, found, tables, counts, scale, pack, now_ms)
    proved_full = anchors["kind"].isin(("full", "nearly_full")).any()
    taken = "held" if anchors["kind"].eq("held").any() else "rested_full"
    if not proved_full:
        problem = _fixed(problem, f"bias_{taken}", 0.0)
    plain = solve(problem)
    fresh = zero_change(problem, plain, found) if len(changes) < MOST_STEPS else None
    if fresh and fresh.gain > _gain_of_step(problem, plain, found, anchors, pack):
        return balance(as_read_later(tables, fresh), pack, (*changes, fresh), counted)
    stepped = _stepped(problem, plain, found, anchors, pack, now_ms)
    solved = replace(stepped, tables=tables, zero_changes=changes, typed_share=scale)
    solved = solved if proved_full else _unsure_of(f"bias_{taken}", KIND_BIAS[taken], problem, plain, solved)
    return _unsure_of_bypass(problem, plain, solved, zero_seen(tables))


def fed_heater(solved: Balance, pieces: pd.DataFrame) -> bool:
    """Whether a pack that may heat itself surely stored less than half of what went in below the limit."""
    surely = solved.value("heated") - SURE_SIGMAS * solved.sigma("heated")
    return heater_suspected(pieces) and surely > 0.5


def _fixed(problem: Problem, name: str, value: float) -> Problem:
    """The same problem with an unknown taken as known."""
    place = problem.names.index(name)
    mean, sigma = problem.prior_mean.copy(), problem.prior_sigma.copy()
    mean[place], sigma[place] = value, 1e-3 * sigma[place]
    return replace(problem, prior_mean=mean, prior_sigma=sigma)


def _unsure_of(name: str, sigma: float, problem: Problem, plain: Solution, solved: Balance) -> Balance:
    """As unsure as the curve of the pack is: without a proven full the log tells nothing of it that could be learned.

    How the count varies with the voltage is the shape of the pack's own curve; to read the error of the table
    out of it would be to trust the table. So that error is considered, not estimated (Schmidt 1966, Adv. Control
    Systems 3:293, from memory).
    """
    return _as_unsure_as(plain, solve(_fixed(problem, name, sigma)), solved)


def _as_unsure_as(plain: Solution, other: Solution, solved: Balance) -> Balance:
    """The balance, its unknowns as unsure as the other solution lies from the plain one."""
    moved = np.zeros(len(solved.mean))
    moved[: len(plain.mean)] = other.mean - plain.mean
    return replace(solved, covariance=solved.covariance + np.outer(moved, moved))


def _unsure_of_bypass(problem: Problem, plain: Solution, solved: Balance, seen: tuple[float, float] | None) -> Balance:
    """As unsure as it makes the answers that what is missing may flow at other times than an offset would."""
    past_a = past_sensor_a(solved.value("offset_a"), solved.sigma("offset_a"), seen)
    if past_a is None:
        return solved
    fixed = solve(_fixed(problem, "offset_a", seen[0] if seen else 0.0))
    return replace(_as_unsure_as(plain, fixed, solved), past_sensor_a=past_a)


def _gain_of_step(problem: Problem, plain: Solution, found: pd.DataFrame, anchors: pd.DataFrame, pack: Pack) -> float:
    step = best_step(problem, plain, found, anchors, pack)
    return plain.objective - solve(with_step(problem, found, step, pack)).objective if step else 0.0


def _stepped(
    problem: Problem, plain: Solution, found: pd.DataFrame, anchors: pd.DataFrame, pack: Pack, now_ms: int
) -> Balance:
    """The solution with every proved drop of capacity in it, and as unsure as one that is not proved makes it."""
    steps: tuple[Step, ...] = ()
    while step := best_step(problem, plain, found, anchors, pack, f"step_{len(steps)}_ah"):
        stepped_problem = with_step(problem, found, step, pack)
        stepped = solve(stepped_problem)
        gain = plain.objective - stepped.objective
        surely_ah = stepped.mean[-1] - SURE_SIGMAS * np.sqrt(stepped.covariance[-1, -1])
        small = stepped.mean[-1] < STEP_LEAST * pack.rated_ah or surely_ah < STEP_SURELY * pack.rated_ah
        if small or gain < LEAST_GAIN:
            unsure = _balance(problem, _unsure_of_step(plain, stepped, gain), anchors, found, now_ms, steps)
            doubted = likelihood(gain) >= WORTH_A_DOUBT and stepped.mean[-1] >= DOUBTED_LEAST * pack.rated_ah
            return replace(unsure, doubted_ms=step.at_ms) if doubted else unsure
        problem, plain, steps = stepped_problem, stepped, (*steps, step)
        if len(steps) == MOST_STEPS:
            break
    return _balance(problem, plain, anchors, found, now_ms, steps)


def _unsure_of_step(plain: Solution, stepped: Solution, gain: float) -> Solution:
    """The plain solution, as unsure as a step that is not proved but may be there makes it."""
    apart = plain.mean - stepped.mean[: len(plain.mean)]
    return replace(plain, covariance=plain.covariance + likelihood(gain) * np.outer(apart, apart))


def _balance(
    problem: Problem,
    solution: Solution,
    anchors: pd.DataFrame,
    found: pd.DataFrame,
    now_ms: int,
    steps: tuple[Step, ...],
) -> Balance:
    weighed = found.assign(
        residual_ah=solution.residual,
        sigma_ah=np.sqrt(problem.own_variance + problem.anchor_variance),
        weight=solution.weight,
    )
    return Balance(
        names=problem.names,
        mean=solution.mean,
        covariance=solution.covariance,
        prior_sigma=problem.prior_sigma,
        now_ms=now_ms,
        steps=tuple(sorted(steps, key=lambda step: step.at_ms)),
        anchors=anchors,
        spans=weighed,
        birge=solution.birge,
        dead_band_a=float(problem.prior_sigma[problem.names.index("hidden_a")]) / HIDDEN_SHARE,
    )
