"""Zero: what a current sensor shows when nothing flows, and when that changed because it was set anew or replaced.

A change is looked for where the charge that is missing between proven states goes from one drift to another
(a cumulative sum, Page 1954, Biometrika 41:100), and counts only where the joint estimate gains as much by it
as by a sudden loss. The log before it is then read as the later instrument would have shown it.
"""

from __future__ import annotations

from dataclasses import dataclass, replace
from typing import TYPE_CHECKING

import numpy as np

from logbook.analysis.cold import without_offset
from logbook.analysis.solution import solve
from logbook.analysis.step import LEAST_GAIN
from logbook.units import S_PER_HOUR

if TYPE_CHECKING:
    from collections.abc import Mapping

    import pandas as pd
    from numpy.typing import NDArray

    from logbook.analysis.solution import Problem, Solution

LEAST_SPANS = 4
"""Spans needed on either side."""
SUSPECT = 12.0
"""Square of the normal score of a change from which it is tried in the joint estimate."""
NEAR_PLACES = 4
PRIOR_A = 0.15
LEAST_A = 0.02
"""A smaller change is the wandering that every zero does (ours)."""


@dataclass(frozen=True)
class ZeroChange:
    """Before `at_ms` every current read `by_a` more than it would have after, ± `sigma_a`."""

    at_ms: int
    by_a: float
    sigma_a: float
    gain: float
    """Fall of the misfit by it."""


def zero_change(problem: Problem, plain: Solution, found: pd.DataFrame) -> ZeroChange | None:
    """The change of zero that explains most; None where nothing is gained by one."""
    live_h = found["live_hours"].to_numpy(float)
    order = np.argsort(found["middle_ms"].to_numpy(), kind="stable")
    order = order[(live_h[order] > 0) & ~found["refuted"].to_numpy(bool)[order]]
    if len(order) < 2 * LEAST_SPANS:
        return None
    score = _scores(plain, problem, live_h, order)
    best = int(np.argmax(score))
    if score[best] < SUSPECT:
        return None
    places = np.arange(max(0, best - NEAR_PLACES), min(len(score), best + NEAR_PLACES + 1)) + LEAST_SPANS
    middle_ms = found["middle_ms"].to_numpy(np.int64)
    tried = []
    for place in places.tolist():
        at_ms = int(middle_ms[order[place - 1]] + middle_ms[order[place]]) // 2
        solved = solve(_with_change(problem, np.where(middle_ms < at_ms, live_h, 0.0)))
        tried.append((solved.objective, at_ms, solved))
    objective, at_ms, solved = min(tried, key=lambda entry: entry[0])
    by_a, sigma_a = float(solved.mean[-1]), float(np.sqrt(solved.covariance[-1, -1]))
    if plain.objective - objective < LEAST_GAIN or abs(by_a) < LEAST_A:
        return None
    return ZeroChange(at_ms, by_a, sigma_a, plain.objective - objective)


def _scores(
    plain: Solution, problem: Problem, live_h: NDArray[np.float64], order: NDArray[np.intp]
) -> NDArray[np.float64]:
    """Square of the normal score of a change before each place from LEAST_SPANS on."""
    drift_a = plain.residual[order] / live_h[order]
    weight = plain.weight[order] * live_h[order] ** 2 / (problem.own_variance + problem.anchor_variance)[order]
    sums, weights = np.cumsum(drift_a * weight), np.cumsum(weight)
    before, after = slice(LEAST_SPANS - 1, len(order) - LEAST_SPANS), weights[-1] - weights
    apart = sums[before] / weights[before] - (sums[-1] - sums[before]) / after[before]
    return np.asarray(apart**2 / (1 / weights[before] + 1 / after[before]))


def _with_change(problem: Problem, column: NDArray[np.float64]) -> Problem:
    return replace(
        problem,
        names=(*problem.names, "zero_change_a"),
        design=np.column_stack([problem.design, column]),
        side_design=np.column_stack([problem.side_design, np.zeros(len(problem.side_data))]),
        prior_mean=np.append(problem.prior_mean, 0.0),
        prior_sigma=np.append(problem.prior_sigma, PRIOR_A),
        never_negative=np.append(problem.never_negative, values=np.False_),
    )


def as_read_later(tables: Mapping[str, pd.DataFrame], change: ZeroChange) -> dict[str, pd.DataFrame]:
    """The same tables with the charge counted before a change as the later instrument would have counted it."""
    hours, anchors = tables["hours"], tables["anchors"]
    false_ah = np.where(hours["start_ms"] < change.at_ms, change.by_a * hours["live_s"] / S_PER_HOUR, 0.0)
    moved = _shared_out(hours["charge_ah"], hours["discharge_ah"], false_ah, _share(hours["charge_s"], hours["live_s"]))
    within_ah = np.where(anchors["start_ms"] < change.at_ms, change.by_a * anchors["hour_live_s"] / S_PER_HOUR, 0.0)
    charge_ah, discharge_ah = anchors["hour_charge_ah"], anchors["hour_discharge_ah"]
    inside = _shared_out(charge_ah, discharge_ah, within_ah, _share(charge_ah, charge_ah + discharge_ah))
    tally, openings, pieces = tables["tally"], tables["openings"], tables["cold"]
    pieces_a = np.where(pieces["start_ms"] < change.at_ms, change.by_a, 0.0)
    counted_ah = np.where(tally["start_ms"] < change.at_ms, change.by_a * tally["counted_s"] / S_PER_HOUR, 0.0)
    zero_a = openings["zero_a"]
    seen = (openings["start_ms"] < change.at_ms) & (zero_a != 0.0)
    return {
        **tables,
        "tally": tally.assign(counted_ah=tally["counted_ah"] - counted_ah),
        "openings": openings.assign(zero_a=zero_a.where(~seen, zero_a - change.by_a)),
        "cold": without_offset(pieces, pieces_a),
        "hours": hours.assign(
            charge_ah=moved[0],
            discharge_ah=moved[1],
            charge_wh=_at_the_same_voltage(hours["charge_wh"], hours["charge_ah"], moved[0]),
            discharge_wh=_at_the_same_voltage(hours["discharge_wh"], hours["discharge_ah"], moved[1]),
        ),
        "anchors": anchors.assign(
            hour_net_ah=anchors["hour_net_ah"] - within_ah, hour_charge_ah=inside[0], hour_discharge_ah=inside[1]
        ),
    }


def _at_the_same_voltage(wh: pd.Series, ah: pd.Series, moved_ah: NDArray[np.float64]) -> NDArray[np.float64]:
    """Energy of charge that was counted otherwise, Wh."""
    counted_wh, counted_ah = wh.to_numpy(float), ah.to_numpy(float)
    volts = np.divide(counted_wh, counted_ah, out=np.zeros(len(counted_wh)), where=counted_ah > 0)
    return volts * moved_ah


def _shared_out(
    charge_ah: pd.Series, discharge_ah: pd.Series, false_ah: NDArray[np.float64], share_in: NDArray[np.float64]
) -> tuple[NDArray[np.float64], NDArray[np.float64]]:
    """What went in and out without the false part, of which `share_in` was counted as charge; their difference is exact."""
    charge, discharge = charge_ah.to_numpy(float), discharge_ah.to_numpy(float)
    net = charge - discharge - false_ah
    went_in = np.maximum(charge - false_ah * share_in, np.maximum(net, 0.0))
    return went_in, went_in - net


def _share(part: pd.Series, whole: pd.Series) -> NDArray[np.float64]:
    """One part of each sum; a half where there is nothing."""
    part_of, whole_of = part.to_numpy(float), whole.to_numpy(float)
    return np.divide(part_of, whole_of, out=np.full(len(part_of), 0.5), where=whole_of > 0)
