"""Recount: what the monitor's own count, read off its percentage, says that the samples between missed.

A monitor counts all the time; samples a minute apart see a kettle's two minutes as one, two or three. Over a stretch in
which the percentage counts freely its change, times the typed-in capacity, is the charge that flowed, so what the samples
saw too much or too little there is known, however the monitor's capacity was typed in: its scale is one of the unknowns of
`balance`, and so are its own ways of counting a charge, a heavy load and a current it takes for none. It tells nothing
else: not the sensor's zero, which it shares, and not the pack's capacity.
"""

from __future__ import annotations

from typing import TYPE_CHECKING

import numpy as np
import pandas as pd

from logbook.analysis.delivered import scatter_per_ah
from logbook.analysis.quiet import alike_h
from logbook.analysis.resolution import current_step_a
from logbook.analysis.solution import Problem, solve
from logbook.units import MS_PER_DAY, MS_PER_HOUR, S_PER_HOUR

if TYPE_CHECKING:
    from collections.abc import Mapping

    from numpy.typing import NDArray

    from logbook.schema.pack import Pack

SHORTEST_H = 3.0
TOO_COARSE_S = 600.0
"""Readings this far apart say too little of what flowed to read a typed-in capacity off them (ours)."""
STEP_SHARPNESS = 0.2
"""1 sd of a percentage where it steps, share of its step: rounding, truncation and hysteresis differ (ours)."""
WAYS = ("count_scale", "count_charge", "count_switched", "count_deaf_a")
"""How a monitor counts beside what flows: its scale, the part of a charge it leaves out, how much more it makes of loads
that switch, and the current it takes for none."""
WAYS_SIGMA = (0.004, 0.02, 0.03, 0.003)
"""1 sd of each, with heavy tails: most monitors are told the rated capacity and count what flows, but efficiencies of 95 to
99 %, exponents of heavy currents up to 1.1 and thresholds up to 0.1 A are typed in too (common practice, no source)."""
NEVER_NEGATIVE = ("count_charge", "count_switched")
"""A monitor that allows for losses stores less than flows in and takes more than flows out."""
OWN_SCALE_SIGMA, NEAR_RATED, RATED_WITHIN = 0.02, 0.06, 0.01
"""1 sd of a typed-in capacity that is not the rated one; how near to that it must be told from it; and where it is that (ours)."""
MISS_SIGMA = 0.15
"""1 sd of what samples see too long, share of what switches, with heavy tails (ours)."""
DISPLAY_SHARE = 0.2
"""1 sd of what a rounded display makes of a current that lasts, share of its step: the count is not rounded (ours)."""
LEAST_STRETCHES, LEAST_SWITCHED = 6, 0.001
"""Where nothing switches, samples miss nothing: what the two counts differ by is how the display rounds (ours)."""
GAIN_SCATTER = 0.003
"""Share of the throughput by which two counts of the same thing differ; common practice, no source."""
WORTH = 0.7
"""A stretch is counted anew where the count is unsure by less than this share of what samples scatter, in variance (ours)."""
ODD_SIGMAS = 4.0
"""A stretch that lies further off is no count: a percentage that was set in between (ours)."""
TYPICAL_SCORE, MEDIAN_SCATTER = 0.455, 2.3
"""Median of a squared standard normal deviate, and how far, as a share of it, that of a single one strays, 1 sd."""


def recounts(tables: Mapping[str, pd.DataFrame], pack: Pack, scale: float | None) -> pd.DataFrame:
    """Stretches in which the percentage counts, with what it counted on this scale (see `counter_scale`).

    Columns: start_ms, end_ms, told_ah (by the percentage), net_ah, charge_ah, switched_ah, throughput_ah (by the samples),
    hours, scatter_ah2 (of the samples), rounded_ah2 (of their display), begin_ah2, end_ah2 (of the percentage at its
    ends), used (whether it says more than the samples do).
    """
    count, hours = tables["counter"], tables["hours"]
    if scale is None:
        return _frame(count.iloc[:0], hours, pack, 1.0)
    frame = _frame(count, hours, pack, scale)
    whole = by_day(frame)
    if len(whole) < LEAST_STRETCHES:
        return frame.iloc[:0]
    expected_ah2 = apart_ah2(whole)
    told = solve(_alone(whole, hours, scale))
    left_ah = _beside_ah(whole) - _design(whole) @ told.mean
    score = left_ah**2 / expected_ah2
    # scatter that neither explains is the count's: a percentage that follows the voltage, or is corrected now and then
    excess = float(np.median(score)) / TYPICAL_SCORE - 1.0 - MEDIAN_SCATTER / np.sqrt(len(whole))
    frame[["begin_ah2", "end_ah2"]] += max(0.0, excess) * float(np.median(expected_ah2)) / 2
    whole = by_day(frame)
    used = ((whole["begin_ah2"] + whole["end_ah2"]) < WORTH * whole["scatter_ah2"]) & (score < ODD_SIGMAS**2)
    place = np.searchsorted(whole["start_ms"].to_numpy(), frame["start_ms"].to_numpy(), side="right") - 1
    known = (place >= 0) & (frame["end_ms"].to_numpy() <= whole["end_ms"].to_numpy()[place])
    return frame.assign(used=known & used.to_numpy()[place])


def by_day(frame: pd.DataFrame) -> pd.DataFrame:
    """Stretches that follow upon one another within a UTC day as one, those without anything that switches left out."""
    start_ms, end_ms = frame["start_ms"].to_numpy(np.int64), frame["end_ms"].to_numpy(np.int64)
    day = start_ms // MS_PER_DAY
    begins = np.append(True, (start_ms[1:] != end_ms[:-1]) | (day[1:] != day[:-1]))[: len(frame)]
    group = np.cumsum(begins)
    sums = ["told_ah", "net_ah", "charge_ah", "switched_ah", "throughput_ah", "hours", "scatter_ah2", "rounded_ah2"]
    ends = {"start_ms": "first", "begin_ah2": "first", "end_ms": "last", "end_ah2": "last", "switched_share": "first"}
    whole = frame.groupby(group).agg(dict.fromkeys(sums, "sum") | ends).reset_index(drop=True)
    return whole[whole["switched_ah"] >= whole["switched_share"]].reset_index(drop=True)


def _frame(count: pd.DataFrame, hours: pd.DataFrame, pack: Pack, ratio: float) -> pd.DataFrame:
    at_ms = hours["start_ms"].to_numpy(np.int64)
    first, last = (
        np.searchsorted(at_ms, count[name].to_numpy(np.int64) - MS_PER_HOUR + 1) for name in ("start_ms", "end_ms")
    )
    per_ah = np.append(scatter_per_ah(hours), 0.0)[first]
    alike_h2 = np.append(0.0, np.cumsum(alike_h(hours, pack) * hours["live_s"].to_numpy(float) / S_PER_HOUR))
    charge_ah, discharge_ah = count["charge_ah"].to_numpy(float), count["discharge_ah"].to_numpy(float)
    percent_ah = pack.rated_ah * ratio / 100
    rounding_ah2 = (count["resolution_percent"].to_numpy(float) * percent_ah * STEP_SHARPNESS) ** 2 / 2
    return pd.DataFrame(
        {
            "start_ms": count["start_ms"].to_numpy(np.int64),
            "end_ms": count["end_ms"].to_numpy(np.int64),
            "told_ah": count["soc_change_percent"].to_numpy(float) * percent_ah,
            "net_ah": charge_ah - discharge_ah,
            "charge_ah": charge_ah,
            "switched_ah": count["switched_ah"].to_numpy(float),
            "switched_share": np.full(len(count), LEAST_SWITCHED * pack.rated_ah),
            "throughput_ah": charge_ah + discharge_ah,
            "hours": count["logged_s"].to_numpy(float) / S_PER_HOUR,
            "scatter_ah2": per_ah * (charge_ah + discharge_ah),
            "rounded_ah2": current_step_a(hours) ** 2 / 12 * (alike_h2[last] - alike_h2[first]),
            "begin_ah2": rounding_ah2 + count["begin_late_ah"].to_numpy(float) ** 2,
            "end_ah2": rounding_ah2 + count["end_late_ah"].to_numpy(float) ** 2,
            "used": np.zeros(len(count), np.bool_),
        }
    )


def ways_sigma(hours: pd.DataFrame, scale: float | None) -> dict[str, float]:
    """1 sd of each of WAYS, with heavy tails."""
    sigma = dict(zip(WAYS, WAYS_SIGMA, strict=True))
    sigma["count_deaf_a"] = float(np.hypot(sigma["count_deaf_a"], DISPLAY_SHARE * current_step_a(hours)))
    return sigma if scale == 1.0 else sigma | {"count_scale": OWN_SCALE_SIGMA}


def display_share(hours: pd.DataFrame) -> float:
    """How much of what the count hears beside the samples comes of the samples' rounded display, 0 to 1."""
    display = (DISPLAY_SHARE * current_step_a(hours)) ** 2
    return display / (display + WAYS_SIGMA[WAYS.index("count_deaf_a")] ** 2)


def ways(frame: pd.DataFrame) -> NDArray[np.float64]:
    """How each of WAYS enters what the samples counted beside the percentage, [n, 4]."""
    return frame[["told_ah", "charge_ah", "switched_ah", "hours"]].to_numpy(float)


def apart_ah2(frame: pd.DataFrame) -> NDArray[np.float64]:
    """Variance of what the samples counted beside the percentage, Ah² [n]: scatter, steps, and what two counts differ by."""
    seen_ah2 = frame["scatter_ah2"] + frame["rounded_ah2"] + (GAIN_SCATTER * frame["throughput_ah"]) ** 2
    return (seen_ah2 + frame["begin_ah2"] + frame["end_ah2"]).to_numpy(float)


def _beside_ah(frame: pd.DataFrame) -> NDArray[np.float64]:
    return (frame["net_ah"] - frame["told_ah"]).to_numpy(float)


def _design(frame: pd.DataFrame) -> NDArray[np.float64]:
    """How WAYS, and what samples see too long of loads that switch, enter what they counted beside the percentage."""
    return np.column_stack([ways(frame), -frame["switched_ah"].to_numpy(float)])


def _alone(frame: pd.DataFrame, hours: pd.DataFrame, scale: float) -> Problem:
    """The two counts held against each other, and against nothing else."""
    sigma = [*ways_sigma(hours, scale).values(), MISS_SIGMA]
    names = (*WAYS, "miss")
    return Problem(
        names=names,
        design=np.empty((0, len(names))),
        data=np.empty(0),
        own_variance=np.empty(0),
        shared=np.empty(0),
        anchor_variance=np.empty(0),
        side_design=_design(frame),
        side_data=_beside_ah(frame),
        side_variance=apart_ah2(frame),
        prior_mean=np.zeros(len(names)),
        prior_sigma=np.array(sigma),
        never_negative=np.isin(names, NEVER_NEGATIVE),
        heavy_tailed=frozenset(names),
    )


def recounted(found: pd.DataFrame, anchors: pd.DataFrame, counts: pd.DataFrame) -> pd.DataFrame:
    """The spans, with the stretches that lie inside them as the percentage counted them, and the columns WAYS."""
    start_ms, end_ms = (anchors["start_ms"].to_numpy(np.int64)[found[name].to_numpy(int)] for name in ("first", "last"))
    used = counts[counts["used"]].sort_values("start_ms", ignore_index=True)
    first = np.searchsorted(used["start_ms"].to_numpy(), start_ms)
    last = np.maximum(np.searchsorted(used["end_ms"].to_numpy(), end_ms, side="right"), first)
    samples = ~found["by_counter"].to_numpy(bool)

    def inside(values: NDArray[np.float64]) -> NDArray[np.float64]:
        total = np.append(0.0, np.cumsum(values))
        return np.where(samples, total[last] - total[first], 0.0)

    beside_ah = inside((used["net_ah"] - used["told_ah"]).to_numpy(float))
    scatter_ah2 = np.minimum(inside(used["scatter_ah2"].to_numpy(float)), found["scatter_ah2"].to_numpy(float))
    told = ways(used)
    # where one stretch begins as the last ended, the step between them counts for neither
    follows = np.append(False, used["start_ms"].to_numpy()[1:] == used["end_ms"].to_numpy()[:-1])[: len(used)]
    steps_ah2 = (used["begin_ah2"] + used["end_ah2"]).to_numpy(float)
    shared_ah2 = np.where(follows, 2 * used["begin_ah2"].to_numpy(float), 0.0)
    at_first_ah2 = np.where(last > first, np.append(shared_ah2, 0.0)[first], 0.0)
    own_ah2 = inside(steps_ah2 - shared_ah2) + np.where(samples, at_first_ah2, 0.0)
    return found.assign(
        net_ah=found["net_ah"] - beside_ah,
        switched_ah=found["switched_ah"] - inside(used["switched_ah"].to_numpy(float)),
        variance_ah2=found["variance_ah2"] - scatter_ah2 + own_ah2,
        **{name: inside(told[:, place]) for place, name in enumerate(WAYS)},
    )


def _ratio(tables: Mapping[str, pd.DataFrame], pack: Pack) -> float | None:
    count = tables["counter"]
    if not len(count) or tables["hours"]["interval_s"].median() >= TOO_COARSE_S:
        return None
    whole = by_day(_frame(count, tables["hours"], pack, 1.0).assign(switched_share=0.0))
    change_ah, net_ah = whole["told_ah"].to_numpy(float), whole["net_ah"].to_numpy(float)
    telling = (np.abs(net_ah) >= 0.1 * pack.rated_ah) & (change_ah != 0) & (whole["hours"] >= SHORTEST_H)
    if telling.sum() < 4:
        return None
    ratio = net_ah[telling] / change_ah[telling]
    scale = float(np.median(ratio))
    scatter = float(np.median(np.abs(ratio - scale)))
    return scale if 0.5 <= scale <= 2.0 and scatter <= 0.15 else None


def counter_scale(tables: Mapping[str, pd.DataFrame], pack: Pack) -> float | None:
    """Typed-in capacity over rated capacity, from how far the reported percentage moves for an Ah; None where it is no count.

    1 where it is within a percent of the rated one, which most owners type in; what samples see too long of loads that
    switch looks like a scale too, and is told from it first.
    """
    ratio = _ratio(tables, pack)
    if ratio is None or abs(ratio - 1.0) > NEAR_RATED:
        return ratio
    whole = by_day(_frame(tables["counter"], tables["hours"], pack, ratio))
    scale = ratio * (1.0 + float(solve(_alone(whole, tables["hours"], ratio)).mean[WAYS.index("count_scale")]))
    return 1.0 if abs(scale - 1.0) <= RATED_WITHIN else scale
