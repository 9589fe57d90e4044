"""Unknown: what the balance solves for, what is known of each before the log speaks, and how each enters a span.

See `balance` for the equation; all is in Ah, A or shares of them.
"""

from __future__ import annotations

from typing import TYPE_CHECKING

import numpy as np

from logbook.analysis.bypass import zero_seen
from logbook.analysis.cold import heater_suspected
from logbook.analysis.dead_band import width_a
from logbook.analysis.recount import NEVER_NEGATIVE, WAYS, apart_ah2, by_day, ways, ways_sigma
from logbook.analysis.solution import Problem
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
    *WAYS,
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
BRISK, BRISK_SIGMA = 0.02, 0.02
"""What a discharge leaves for each C that it is faster, beside the drop of its voltage: 1 C delivers 1 to 4 % less than
0.2 C by cell sheets (from memory), cells with thick electrodes several times as much, hence the heavy tails. It too is
one figure for all the runs of a pack."""
EARLY, EARLY_SIGMA = 0.3, 0.4
"""How much of what the cells showed before the board opened was left: all where the board opens early, nothing of use
where one cell was empty before the others, which is as common."""
EARLY_QUANTILE = 0.25
LEFT = ("cold", "brisk", "early")
"""What leaves charge in a pack where a discharge ends, by the columns of the anchors that say how much."""
HEATED, NOT_HEATED = (1.0, 1.0), (0.0, 1e-6)
"""Share, with 1 sd, of the charge below the limit that fed a heater of the pack's own, where its warming looks like one."""
RATE_SIGMA = 0.02
"""Scale of a fade about 2 % of rated a year, with heavy tails: most packs lose 1 to 4, a neglected one over 10
(common practice, no source)."""
BEND_SIGMA = 0.005
"""How the fade itself changes, share of rated in a year and a year, with heavy tails: new packs fade faster at first, and
worn ones at the end (ours)."""
OFFSET_SIGMA_A, OFFSET_C_RATE = 0.15, 0.01
"""1 sd of a sensor's zero: of a shunt for a vehicle's pack, and for small packs, whose sensors are smaller (ours)."""
INEFFICIENCY = 0.0012
"""Share of the charge that is not stored; LiFePO4 returns 99.8 to 99.95 % (from memory of the literature)."""
MISS_INTERVAL_S, MISS_SIGMA, MISS_OF_ONE = (60.0, 300.0), (0.1, 0.3), 0.41
"""1 sd of the part of an interval by which point samples see switching loads too long: for readings a minute and five
minutes apart, which whole loads fall between (ours), and for one load that comes at any moment, the two ends of which are
each wrong by an even half interval."""
HIDDEN_SHARE = 0.5
"""1 sd of what flows behind a shown zero, share of the dead band (ours)."""


def problem_of(
    anchors: pd.DataFrame,
    found: pd.DataFrame,
    tables: Mapping[str, pd.DataFrame],
    counts: pd.DataFrame,
    scale: float | None,
    pack: Pack,
    now_ms: int,
) -> Problem:
    """Put the equation of every span, the priors, and what else speaks of the unknowns into one problem."""
    names = (*BASE, *(f"bias_{kind}" for kind in KINDS), *LEFT, "heated")
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
        *(-found[name].to_numpy(float) for name in WAYS),
    ]
    kind = anchors["kind"].to_numpy(object)
    first, last = found["first"].to_numpy(int), found["last"].to_numpy(int)
    columns += [bias_ah(anchors, first, last, name, pack) for name in KINDS]
    columns += [left_ah(anchors, first, last, name, pack) for name in LEFT]
    columns += [found["cold_ah"].to_numpy(float)]
    own_share = np.array([OWN_SHARE.get(name, 1.0) for name in kind])
    anchor_variance = (anchors["sigma"].to_numpy(float) * own_share * rated) ** 2
    chained = _same_state(anchors, last[:-1], first[1:])
    side_design, side_data, side_variance = _side_rows(tables, counts, len(names))
    prior = _priors(tables, scale, pack)
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
        never_negative=np.isin(names, ("loss_a", "inefficiency", *NEVER_NEGATIVE, *LEFT)),
        heavy_tailed=frozenset({"rate_ah_per_year", "bend_ah_per_year2", "brisk", "miss", *WAYS}),
    )


def _priors(tables: Mapping[str, pd.DataFrame], scale: float | None, pack: Pack) -> dict[str, tuple[float, float]]:
    """Mean and 1 sd of every unknown before the log has spoken."""
    rated, hidden_a = pack.rated_ah, HIDDEN_SHARE * width_a(tables["dead_band"])
    return {
        "capacity_ah": (0.9 * rated, 0.6 * rated),
        "rate_ah_per_year": (0.02 * rated, RATE_SIGMA * rated),
        "bend_ah_per_year2": (0.0, BEND_SIGMA * rated),
        "offset_a": (0.0, min(OFFSET_SIGMA_A, OFFSET_C_RATE * rated)),
        "loss_a": (1e-4 * rated, 1e-4 * rated),
        "hidden_a": (0.0, hidden_a),
        "fed_a": (0.0, hidden_a),
        "miss": (0.0, _miss_sigma(tables)),
        "inefficiency": (INEFFICIENCY, INEFFICIENCY),
        **{name: (0.0, sigma) for name, sigma in ways_sigma(tables["hours"], scale).items()},
        **{f"bias_{kind}": (0.0, KIND_BIAS[kind]) for kind in KINDS},
        "cold": (COLD, COLD_SIGMA),
        "brisk": (BRISK, BRISK_SIGMA),
        "early": (EARLY, EARLY_SIGMA),
        "heated": HEATED if heater_suspected(tables["cold"]) else NOT_HEATED,
    }


def _miss_sigma(tables: Mapping[str, pd.DataFrame]) -> float:
    """How far off the sum of what samples see too long may be: it averages out over the hours in which loads switch."""
    switched_ah = tables["hours"]["switched_ah"].to_numpy(float)
    squares = float((switched_ah**2).sum())
    hours = float(switched_ah.sum()) ** 2 / squares if squares else 1.0
    interval_s = tables["hours"]["interval_s"].to_numpy(float)
    by_hour = np.interp(interval_s, MISS_INTERVAL_S, MISS_SIGMA)
    by_interval = float(np.average(by_hour, weights=switched_ah)) if switched_ah.sum() > 0 else MISS_SIGMA[0]
    return float(np.hypot(by_interval, MISS_OF_ONE / np.sqrt(max(hours, 1.0))))


def always_early(anchors: pd.DataFrame) -> pd.DataFrame:
    """The anchors, each no earlier than most of the pack's discharges ended: where it opens a board never changes.

    What more is left at times is a cell that was empty before the others.
    """
    early = anchors.loc[anchors["kind"] == "empty", "early"]
    return anchors.assign(early=anchors["early"].clip(upper=early.quantile(EARLY_QUANTILE) if len(early) else 0.0))


def bias_ah(
    anchors: pd.DataFrame, first: NDArray[np.int64], last: NDArray[np.int64], kind: str, pack: Pack
) -> NDArray[np.float64]:
    """How the error common to a kind of anchor enters spans from `first` to `last`, Ah for a unit of it."""
    scale = np.where(anchors["kind"].isin(OWN_SHARE), anchors["sigma"].to_numpy(float), 1.0)
    share = np.where(anchors["kind"] == kind, scale, 0.0) * pack.rated_ah
    return share[last] - share[first]


def left_ah(
    anchors: pd.DataFrame, first: NDArray[np.int64], last: NDArray[np.int64], name: str, pack: Pack
) -> NDArray[np.float64]:
    """How what the cold or a brisk load leaves in a pack enters spans from `first` to `last`, Ah for a unit of it."""
    kept_ah = anchors[name].to_numpy(float) * pack.rated_ah
    return kept_ah[last] - kept_ah[first]


def _same_state(anchors: pd.DataFrame, entered: NDArray[np.int64], left: NDArray[np.int64]) -> NDArray[np.bool_]:
    """Whether one span ends and the next begins in the same state: one anchor, or both edges of one full."""
    edge, kind = anchors["edge"].to_numpy(object), anchors["kind"].to_numpy(object)
    both_edges = (
        (left == entered + 1) & (edge[entered] == "enter") & (edge[left] == "leave") & (kind[entered] == kind[left])
    )
    return (entered == left) | both_edges


def _side_rows(
    tables: Mapping[str, pd.DataFrame], counts: pd.DataFrame, width: int
) -> tuple[NDArray[np.float64], NDArray[np.float64], NDArray[np.float64]]:
    """What else speaks of offset and miss: the zero seen while the board is open, and the monitor's own count, by the day."""
    counts = by_day(counts)
    design = np.zeros((len(counts), width))
    design[:, [BASE.index(name) for name in WAYS]] = ways(counts)
    design[:, BASE.index("miss")] = -counts["switched_ah"].to_numpy(float)
    data = (counts["net_ah"] - counts["told_ah"]).to_numpy(float)
    variance = apart_ah2(counts)
    seen = zero_seen(tables)
    if not seen:
        return design, data, variance
    zero = np.zeros((1, width))
    zero[0, BASE.index("offset_a")] = 1.0
    return np.vstack([zero, design]), np.append(seen[0], data), np.append(seen[1], variance)
