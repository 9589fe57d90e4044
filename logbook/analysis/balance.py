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
from logbook.analysis.dead_band import FINEST_A, width_a
from logbook.analysis.quiet import marked
from logbook.analysis.solution import Problem, Solution, solve
from logbook.analysis.spans import bridges, placed, spans
from logbook.analysis.step import LEAST_GAIN, Step, best_step, likelihood, with_step
from logbook.analysis.zero import ZeroChange, as_read_later, zero_change
from logbook.units import DAYS_PER_YEAR, MS_PER_DAY

if TYPE_CHECKING:
    from collections.abc import Mapping

    import pandas as pd
    from numpy.typing import NDArray

    from logbook.schema.pack import Pack

BASE = (
    "capacity_ah",
    "rate_ah_per_year",
    "bend_ah_per_year2",
    "offset_a",
    "loss_a",
    "hidden_a",
    "fed_a",
    "miss",
    "inefficiency",
)
KINDS = ("full", "nearly_full", "held", "rested_full", "empty", "knee")
KIND_BIAS = {"full": 0.002, "nearly_full": 0.010, "held": 0.7, "rested_full": 0.94, "empty": 0.002, "knee": 0.025}
"""1 sd of the error common to all anchors of a kind; ours, tested for coverage. In shares of capacity, but for the
held and rested ones in shares of their own sigma, of which most is common: one owner, charger and voltmeter leave and
show a pack much the same each time."""
OWN_SHARE = {"held": 0.7, "rested_full": 0.34}
"""Share of the sigma that is not common, of kinds whose state of charge is read off the flat part of the curve."""
COLD, COLD_SIGMA = 0.2, 0.5
"""How much of the table of what the cold keeps back holds for a pack: some deliver at the freezing point as if it were
mild, others lack a sixth (see `anchors`). It is one figure for all the runs of a pack, so runs do not average it out."""
HEATED, NOT_HEATED = (1.0, 1.0), (0.0, 1e-6)
"""Share, with 1 sd, of the charge below the limit that fed a heater of the pack's own, where its warming looks like one."""
RATE_SIGMA = 0.02
"""Scale of a fade about 2 % of rated a year, with heavy tails: most packs lose 1 to 4, a neglected one over 10
(common practice, no source)."""
BEND_SIGMA = 0.005
"""How the fade itself changes, share of rated in a year and a year, with heavy tails: new packs fade faster at first, and
worn ones at the end (ours)."""
INEFFICIENCY = 0.0012
"""Share of the charge that is not stored; LiFePO4 returns 99.8 to 99.95 % (from memory of the literature)."""
MISS_INTERVAL_S, MISS_SIGMA, MISS_OF_ONE = (60.0, 300.0), (0.1, 0.3), 0.41
"""1 sd of the part of an interval by which point samples see switching loads too long: for readings a minute and five
minutes apart, which whole loads fall between (ours), and for one load that comes at any moment, the two ends of which are
each wrong by an even half interval."""
TOO_COARSE_S = 600.0
"""Readings this far apart say too little of what flowed to read a typed-in capacity off them (ours)."""
STEP_SHARPNESS = 0.2
"""1 sd of a percentage where it steps, share of its step: rounding, truncation and hysteresis differ (ours)."""
COUNTER_ROWS = 15
"""How many stretches of the monitor's count tell something new; its own ways of counting do not average out (ours)."""
HIDDEN_SHARE = 0.5
"""1 sd of what flows behind a shown zero, share of the dead band (ours)."""
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
    def sensor_offset_a(self) -> float:
        """What the sensor itself adds to every reading, A: without what flows past it."""
        return self.value("offset_a") - (self.past_sensor_a or 0.0)

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


def balance(tables: Mapping[str, pd.DataFrame], pack: Pack, changes: tuple[ZeroChange, ...] = ()) -> Balance:
    """Solve for capacity and the rest from everything the log proves; `changes` of the zero are taken out already."""
    tables = {**tables, "hours": marked(tables["hours"], pack)}
    anchors = placed(tables, pack)
    found = spans(anchors, tables, pack, bridges(tables, pack, counter_scale(tables, pack)))
    for change in changes:
        doubt_ah = np.where(found["middle_ms"] < change.at_ms, change.sigma_a * found["live_hours"], 0.0)
        found["variance_ah2"] += doubt_ah**2
    now_ms = int(tables["hours"]["start_ms"].iloc[-1]) if len(tables["hours"]) else 0
    problem = _problem(anchors, found, tables, pack, now_ms)
    proved_full = anchors["kind"].isin(("full", "nearly_full")).any()
    taken = "held" if anchors["kind"].eq("held").any() else "rested_full"
    if not proved_full:
        problem = _fixed(problem, f"bias_{taken}", 0.0)
    plain = solve(problem)
    fresh = zero_change(problem, plain, found) if len(changes) < MOST_STEPS else None
    if fresh and fresh.gain > _gain_of_step(problem, plain, found, anchors, pack):
        return balance(as_read_later(tables, fresh), pack, (*changes, fresh))
    solved = replace(_stepped(problem, plain, found, anchors, pack, now_ms), tables=tables, zero_changes=changes)
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
    """The plain solution, its capacity and fade as unsure as a step that is not proved but may be there makes them."""
    apart = plain.mean[:2] - stepped.mean[:2]
    covariance = plain.covariance.copy()
    covariance[:2, :2] += likelihood(gain) * np.outer(apart, apart)
    return replace(plain, covariance=covariance)


def _problem(
    anchors: pd.DataFrame, found: pd.DataFrame, tables: Mapping[str, pd.DataFrame], pack: Pack, now_ms: int
) -> Problem:
    names = (*BASE, *(f"bias_{kind}" for kind in KINDS), "cold", "heated")
    rated = pack.rated_ah
    years_ago = (now_ms - found["middle_ms"].to_numpy(float)) / (MS_PER_DAY * DAYS_PER_YEAR)
    change = found["soc_change"].to_numpy(float)
    columns = [
        change,
        change * years_ago,
        change * years_ago**2,
        found["live_hours"].to_numpy(float),
        found["hours"].to_numpy(float),
        found["zero_hours"].to_numpy(float),
        found["fed_hours"].to_numpy(float),
        -found["switched_ah"].to_numpy(float),
        found["charge_ah"].to_numpy(float),
    ]
    kind = anchors["kind"].to_numpy(object)
    first, last = found["first"].to_numpy(int), found["last"].to_numpy(int)
    columns += [bias_ah(anchors, first, last, name, pack) for name in KINDS]
    columns += [cold_ah(anchors, first, last, pack), found["cold_ah"].to_numpy(float)]
    own_share = np.array([OWN_SHARE.get(name, 1.0) for name in kind])
    anchor_variance = (anchors["sigma"].to_numpy(float) * own_share * rated) ** 2
    chained = _same_state(anchors, last[:-1], first[1:])
    side_design, side_data, side_variance = _side_rows(tables, pack, len(names))
    prior = _priors(tables, pack)
    return Problem(
        names=names,
        design=np.column_stack(columns) if len(found) else np.empty((0, len(names))),
        data=found["net_ah"].to_numpy(float),
        own_variance=found["variance_ah2"].to_numpy(float) + np.where(found["refuted"], rated**2 * 100, 0.0),
        shared=np.where(chained, -anchor_variance[last[:-1]], 0.0) if len(found) else np.empty(0),
        anchor_variance=anchor_variance[first] + anchor_variance[last],
        side_design=side_design,
        side_data=side_data,
        side_variance=side_variance,
        prior_mean=np.array([prior[name][0] for name in names]),
        prior_sigma=np.array([prior[name][1] for name in names]),
        never_negative=np.isin(names, ("loss_a", "inefficiency", "cold")),
        heavy_tailed=frozenset({"rate_ah_per_year", "bend_ah_per_year2"}),
    )


def _priors(tables: Mapping[str, pd.DataFrame], pack: Pack) -> dict[str, tuple[float, float]]:
    """Mean and 1 sd of every unknown before the log has spoken."""
    rated, hidden_a = pack.rated_ah, HIDDEN_SHARE * width_a(tables["dead_band"])
    return {
        "capacity_ah": (0.9 * rated, 0.6 * rated),
        "rate_ah_per_year": (0.02 * rated, RATE_SIGMA * rated),
        "bend_ah_per_year2": (0.0, BEND_SIGMA * rated),
        "offset_a": (0.0, 0.15),
        "loss_a": (1e-4 * rated, 1e-4 * rated),
        "hidden_a": (0.0, hidden_a),
        "fed_a": (0.0, hidden_a),
        "miss": (0.0, _miss_sigma(tables)),
        "inefficiency": (INEFFICIENCY, INEFFICIENCY),
        **{f"bias_{kind}": (0.0, KIND_BIAS[kind]) for kind in KINDS},
        "cold": (COLD, COLD_SIGMA),
        "heated": HEATED if heater_suspected(tables["cold"]) else NOT_HEATED,
    }


def _miss_sigma(tables: Mapping[str, pd.DataFrame]) -> float:
    """How far off the sum of what samples see too long may be: it averages out over the hours in which loads switch."""
    switched_ah = tables["hours"]["switched_ah"].to_numpy(float)
    squares = float((switched_ah**2).sum())
    hours = float(switched_ah.sum()) ** 2 / squares if squares else 1.0
    interval_s = float(tables["hours"]["interval_s"].median()) if len(tables["hours"]) else MISS_INTERVAL_S[0]
    by_interval = float(np.interp(interval_s, MISS_INTERVAL_S, MISS_SIGMA))
    return float(np.hypot(by_interval, MISS_OF_ONE / np.sqrt(max(hours, 1.0))))


def bias_ah(
    anchors: pd.DataFrame, first: NDArray[np.int64], last: NDArray[np.int64], kind: str, pack: Pack
) -> NDArray[np.float64]:
    """How the error common to a kind of anchor enters spans from `first` to `last`, Ah for a unit of it."""
    scale = np.where(anchors["kind"].isin(OWN_SHARE), anchors["sigma"].to_numpy(float), 1.0)
    share = np.where(anchors["kind"] == kind, scale, 0.0) * pack.rated_ah
    return share[last] - share[first]


def cold_ah(
    anchors: pd.DataFrame, first: NDArray[np.int64], last: NDArray[np.int64], pack: Pack
) -> NDArray[np.float64]:
    """How what the cold keeps back enters spans from `first` to `last`, Ah, if all of the table holds."""
    kept_ah = anchors["cold"].to_numpy(float) * pack.rated_ah
    return kept_ah[last] - kept_ah[first]


def _same_state(anchors: pd.DataFrame, entered: NDArray[np.int64], left: NDArray[np.int64]) -> NDArray[np.bool_]:
    """Whether one span ends and the next begins in the same state: one anchor, or both edges of one full."""
    edge, kind = anchors["edge"].to_numpy(object), anchors["kind"].to_numpy(object)
    both_edges = (
        (left == entered + 1) & (edge[entered] == "enter") & (edge[left] == "leave") & (kind[entered] == kind[left])
    )
    return (entered == left) | both_edges


def _side_rows(
    tables: Mapping[str, pd.DataFrame], pack: Pack, width: int
) -> tuple[NDArray[np.float64], NDArray[np.float64], NDArray[np.float64]]:
    """What else speaks of offset and miss: the zero seen while the board is open, and the monitor's own count."""
    rows, data, variance = [], [], []
    seen = zero_seen(tables)
    if seen:
        row = np.zeros(width)
        row[BASE.index("offset_a")] = 1.0
        rows.append(row)
        data.append(seen[0])
        variance.append(seen[1])
    count = tables["counter"]
    if len(count) >= 3:
        net_ah = (count["charge_ah"] - count["discharge_ah"]).to_numpy(float)
        scale = counter_scale(tables, pack)
        if scale is not None:
            missed_ah = count["soc_change_percent"].to_numpy(float) / 100 * pack.rated_ah * scale - net_ah
            rounding_ah = count["resolution_percent"].to_numpy(float) / 100 * pack.rated_ah * STEP_SHARPNESS * scale
            throughput_ah = (count["charge_ah"] + count["discharge_ah"]).to_numpy(float)
            together = max(1.0, len(count) / COUNTER_ROWS)
            spread_ah2 = (rounding_ah**2 + (0.01 * throughput_ah) ** 2) * together
            for switched_ah, missed, spread in zip(count["switched_ah"], missed_ah, spread_ah2, strict=True):
                row = np.zeros(width)
                row[BASE.index("miss")] = switched_ah
                rows.append(row)
                data.append(missed)
                variance.append(spread)
    if not rows:
        return np.empty((0, width)), np.empty(0), np.empty(0)
    return np.array(rows), np.array(data), np.array(variance)


def counter_scale(tables: Mapping[str, pd.DataFrame], pack: Pack) -> float | None:
    """Typed-in capacity over rated capacity, from how far the reported percentage moves for an Ah; None where it is no count."""
    count = tables["counter"]
    if not len(count) or tables["hours"]["interval_s"].median() >= TOO_COARSE_S:
        return None
    change_ah = count["soc_change_percent"].to_numpy(float) / 100 * pack.rated_ah
    net_ah = (count["charge_ah"] - count["discharge_ah"]).to_numpy(float)
    telling = (np.abs(net_ah) >= 0.1 * pack.rated_ah) & (change_ah != 0)
    if telling.sum() < 4:
        return None
    ratio = net_ah[telling] / change_ah[telling]
    scale = float(np.median(ratio))
    scatter = float(np.median(np.abs(ratio - scale)))
    if not 0.5 <= scale <= 2.0 or scatter > 0.15:
        return None
    return 1.0 if abs(scale - 1.0) <= 0.06 else scale


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
        dead_band_a=float(problem.prior_sigma[BASE.index("hidden_a")]) / HIDDEN_SHARE,
    )
