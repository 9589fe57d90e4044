"""Step: whether and when capacity dropped at once, as a damaged cell makes it.

Every time between two spans that bear on capacity is tried; a step counts only where it explains
the spans far better than a straight trend does.
"""

from __future__ import annotations

from dataclasses import dataclass, replace
from typing import TYPE_CHECKING

import numpy as np

from logbook.analysis.solution import solve
from logbook.analysis.spans import BEARING

if TYPE_CHECKING:
    import pandas as pd

    from logbook.analysis.solution import Problem, Solution
    from logbook.schema.pack import Pack

SCAN_ROUNDS = 6
SCAN_PLACES = 40
LEAST_GAIN = 20.0
"""Least fall of the misfit (a chi-square) that a step must buy; over 60 places tried, chance buys less."""


LEAST_AFTER = 2
LEAST_THOUGHT = 3.0
EVEN_GAIN = 14.0
"""Fall of the misfit at which a step is as likely as none: a place among some sixty, a size, and few packs that have one."""


@dataclass(frozen=True)
class Step:
    """A drop of capacity at once: the unknown that is its size, and when it was, between two spans."""

    name: str
    at_ms: int
    earliest_ms: int
    latest_ms: int


def likelihood(gain: float) -> float:
    """Probability of a step that lowers the misfit by so much, 0 to 1; by the Bayes factor of two chi-squares."""
    return float(1.0 / (1.0 + np.exp(np.clip((EVEN_GAIN - gain) / 2, -50.0, 50.0))))


def best_step(
    problem: Problem, plain: Solution, found: pd.DataFrame, anchors: pd.DataFrame, pack: Pack, name: str = "step_ah"
) -> Step | None:
    """Try a step between spans that bear on capacity; the one that explains most, with the ends of the spans about it.

    None where nothing is gained worth a thought (LEAST_THOUGHT); whether it counts is for LEAST_GAIN to say.

    Long histories are searched coarsely first, then around the best place, so that the cost does
    not grow with their square.
    """
    bearing = found[(np.abs(found["soc_change"]) >= BEARING) & ~found["refuted"]].sort_values("middle_ms")
    if len(bearing) < 4:
        return None
    start_ms = anchors["start_ms"].to_numpy()[bearing["first"].to_numpy()]
    end_ms = anchors["start_ms"].to_numpy()[bearing["last"].to_numpy()]

    def between(place: int) -> Step:
        before_ms = int(end_ms[place - 1])
        after_ms = max(int(start_ms[place]), before_ms)
        return Step(name, (before_ms + after_ms) // 2, before_ms, after_ms)

    def misfit(place: int) -> float:
        return solve(with_step(problem, found, between(place), pack), rounds=SCAN_ROUNDS).objective

    # a single span at the end may be an oddity of its own
    places = np.arange(1, len(bearing) - LEAST_AFTER + 1)
    stride = max(1, len(places) // SCAN_PLACES)
    coarse = {int(place): misfit(int(place)) for place in places[::stride]}
    centre = min(coarse, key=lambda place: coarse[place])
    near = places[np.abs(places - centre) < stride]
    fine = {place: coarse[place] if place in coarse else misfit(place) for place in near.tolist()}
    best = min(fine, key=lambda place: fine[place])
    return between(best) if fine[best] < plain.objective - LEAST_THOUGHT else None


def with_step(problem: Problem, found: pd.DataFrame, step: Step, pack: Pack) -> Problem:
    """The same problem with capacity higher by an unknown before the step."""
    earlier = (found["middle_ms"].to_numpy() < step.at_ms) * found["soc_change"].to_numpy(float)
    return replace(
        problem,
        names=(*problem.names, step.name),
        design=np.column_stack([problem.design, earlier]),
        side_design=np.column_stack([problem.side_design, np.zeros(len(problem.side_data))]),
        prior_mean=np.append(problem.prior_mean, 0.0),
        prior_sigma=np.append(problem.prior_sigma, 0.3 * pack.rated_ah),
        never_negative=np.append(problem.never_negative, values=np.False_),
    )
