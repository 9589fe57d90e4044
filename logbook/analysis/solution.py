"""Solution: re-weighted generalised least squares with Gaussian priors, for spans that share anchors.

Neighbouring spans share an anchor's error, so their covariance is tridiagonal and the cost grows
with their number only. Outliers are down-weighted as a Student-t with 4 degrees of freedom would;
the errors are widened by the Birge ratio where the fit is worse than they say (Birge 1932,
Phys. Rev. 40:207, from memory).
"""

from __future__ import annotations

from dataclasses import dataclass
from typing import TYPE_CHECKING

import numpy as np

from logbook.analysis.tridiagonal import solved

if TYPE_CHECKING:
    from numpy.typing import NDArray

FREEDOM = 4.0
PRIOR_FREEDOM = 3.0
"""Of the priors with heavy tails."""
ROUNDS = 12
HELD = 100.0
"""How much narrower a prior gets, in variance, that holds an unknown at nothing."""


@dataclass(frozen=True, eq=False)
class Problem:
    """Design, data and priors of one solution."""

    names: tuple[str, ...]
    design: NDArray[np.float64]
    data: NDArray[np.float64]
    own_variance: NDArray[np.float64]
    shared: NDArray[np.float64]
    """Covariance between each span and the next, from the anchor they share."""
    anchor_variance: NDArray[np.float64]
    side_design: NDArray[np.float64]
    side_data: NDArray[np.float64]
    side_variance: NDArray[np.float64]
    prior_mean: NDArray[np.float64]
    prior_sigma: NDArray[np.float64]
    never_negative: NDArray[np.bool_]
    heavy_tailed: frozenset[str] = frozenset()
    """Unknowns whose prior is a Student-t: near its middle as a rule, and seldom far from it."""


@dataclass(frozen=True, eq=False)
class Solution:
    """Posterior of the unknowns, with the weight and residual of each span."""

    mean: NDArray[np.float64]
    covariance: NDArray[np.float64]
    weight: NDArray[np.float64]
    residual: NDArray[np.float64]
    objective: float
    birge: float


def solve(problem: Problem, *, rounds: int = ROUNDS) -> Solution:
    """Iteratively re-weighted generalised least squares; neighbouring spans share an anchor, so the covariance is tridiagonal."""
    weight = np.ones(len(problem.data))
    side_weight = np.ones(len(problem.side_data))
    mean: NDArray[np.float64] = problem.prior_mean
    covariance: NDArray[np.float64] = np.diag(problem.prior_sigma**2)
    objective, birge = 0.0, 1.0
    bound = np.zeros(len(mean), np.bool_)
    heavy = np.isin(problem.names, list(problem.heavy_tailed))
    prior_weight = np.ones(len(mean))
    residual = problem.data - problem.design @ mean
    for _ in range(rounds):
        variance = problem.own_variance / weight + problem.anchor_variance / np.sqrt(weight)
        both = np.column_stack([problem.design, problem.data]) if len(variance) else np.empty((0, len(mean) + 1))
        weighed = solved(variance, problem.shared, both)
        side = side_weight / problem.side_variance
        normal = problem.design.T @ weighed[:, :-1] + (problem.side_design.T * side) @ problem.side_design
        right = problem.design.T @ weighed[:, -1] + problem.side_design.T @ (side * problem.side_data)
        # what cannot be negative is held at nothing where the data would have it so
        bound |= problem.never_negative & (mean < 0)
        prior = np.where(bound, HELD, 1.0) * prior_weight / problem.prior_sigma**2
        normal += np.diag(prior)
        right = right + prior * np.where(bound, 0.0, problem.prior_mean)
        covariance = np.asarray(np.linalg.inv(normal), float)
        mean = covariance @ right
        residual = problem.data - problem.design @ mean
        full_variance = problem.own_variance + problem.anchor_variance
        score = residual**2 / full_variance
        weight = (FREEDOM + 1) / (FREEDOM + score)
        weight = np.minimum(weight, 1.0)
        side_score = (problem.side_data - problem.side_design @ mean) ** 2 / problem.side_variance
        side_weight = np.minimum((FREEDOM + 1) / (FREEDOM + side_score), 1.0)
        prior_score = ((mean - problem.prior_mean) / problem.prior_sigma) ** 2
        prior_weight = np.where(heavy, np.minimum((PRIOR_FREEDOM + 1) / (PRIOR_FREEDOM + prior_score), 1.0), 1.0)
        objective = float(
            (FREEDOM + 1) * np.log1p(score / FREEDOM).sum()
            + (FREEDOM + 1) * np.log1p(side_score / FREEDOM).sum()
            + np.where(heavy, (PRIOR_FREEDOM + 1) * np.log1p(prior_score / PRIOR_FREEDOM), prior_score).sum()
        )
        freedom = max(len(score) - 3, 1)
        birge = float(np.sqrt(max(1.0, (weight * score).sum() / freedom))) if len(score) > 3 else 1.0
    return Solution(mean, covariance * birge**2, weight, residual, objective, birge)
