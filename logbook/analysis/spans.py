"""Spans: what was counted between one anchor and the next, where the log does not pause between them."""

from __future__ import annotations

from typing import TYPE_CHECKING

import numpy as np
import pandas as pd

from logbook.analysis.dead_band import FINEST_A, width_a
from logbook.analysis.delivered import delivered, scatter_per_ah
from logbook.analysis.heating import YES
from logbook.analysis.quiet import alike_h, fed_zero_s
from logbook.analysis.recount import GAIN_SCATTER
from logbook.analysis.resolution import current_step_a
from logbook.analysis.tally import COUNTED_SHARE
from logbook.units import MS_PER_DAY, MS_PER_HOUR, MS_PER_S, S_PER_HOUR

if TYPE_CHECKING:
    from collections.abc import Mapping

    from logbook.schema.pack import Pack

BEARING = 0.5
REFUTED_SHARE = 0.85
ABSURD_SHARE = 0.25
"""So little of what it once delivered no pack is left with from one day to the next; the ends of the span are wrong (ours)."""
OFFSET_DOUBT_A = 0.1
"""How far a sensor's zero may be off before anything is known of it (common practice, no source)."""
LOSS_DOUBT_C_RATE = 3e-4
"""A fifth of the pack a month: more than cells and board lose together (common practice, no source)."""
HIDDEN_SCATTER = 0.01
"""Share of the dead band by which what hides in it differs from one stretch to another, 1 sd (ours)."""
HEATER_DOUBT = 0.3
"""1 sd of what a heater took, share of what it took below the limit: it runs on a little above it (ours)."""
LEAST_FILLING = 0.2
"""A pack that is full after less than this share of its rating is as good as dead; a false full is far likelier (ours)."""
MOVED = 0.03
"""Share of rated in and out together from which a pack was not flat all the time."""
LONG_FLAT_MS = 6 * MS_PER_HOUR
MOST_UNLOGGED_S = 900.0
"""A span may miss a quarter of an hour in all; what could have flowed then widens its error."""

LEAST_STEPS_HIDDEN, EDGE_WIDTHS, EDGE_SHARE = 2.0, 1.6, 0.5
"""A sensor that shows nothing of less than two of its steps has a dead band; noise lifts a current by no more than half of it
over the edge, and for less than half of a day where what flows lies within (ours)."""


SUMS = (
    "net_ah", "charge_ah", "discharge_ah", "logged_s", "live_s", "switched_ah", "scatter_ah2", "counted_ah", "counted_s",
    "alike_h2", "fed_zero_s",
)  # fmt: skip
COUNTER_WORTH = 0.01
"""Share of rated that may hide between samples before the counter is asked."""
SOC_COUNT_SIGMA = 0.02
"""Share by which a percentage's own count is off, 1 sd: efficiency and rate settings of the monitor (ours)."""


def placed(tables: Mapping[str, pd.DataFrame], pack: Pack) -> pd.DataFrame:
    """Anchors with running sums over the whole ledger: SUMS; those that cannot be are left out."""
    hours, anchors = tables["hours"], tables["anchors"]
    if anchors.empty:
        return anchors.assign(**dict.fromkeys(SUMS, 0.0))
    anchors = anchors.sort_values(["start_ms", "edge"], ignore_index=True)
    place = np.searchsorted(hours["start_ms"].to_numpy(), anchors["start_ms"].to_numpy() // MS_PER_HOUR * MS_PER_HOUR)

    def running(values: pd.Series) -> np.ndarray:
        return np.append(0.0, np.cumsum(values.to_numpy(float)))[place]

    net = (hours["charge_ah"] - hours["discharge_ah"]).to_numpy(float)
    per_ah = scatter_per_ah(hours)
    here = np.append(per_ah, 0.0)[place]
    counted, spoke = _counted(hours, tables["tally"], net)
    alike = alike_h(hours, pack)
    sums = anchors.assign(
        counted_ah=running(pd.Series(counted)) + anchors["hour_counted_ah"],
        counted_s=running(pd.Series(spoke)) + anchors["hour_counted_s"],
        net_ah=running(hours["charge_ah"] - hours["discharge_ah"]) + anchors["hour_net_ah"] + anchors["shift_ah"],
        charge_ah=running(hours["charge_ah"]) + anchors["hour_charge_ah"],
        discharge_ah=running(hours["discharge_ah"]) + anchors["hour_discharge_ah"],
        logged_s=running(hours["logged_s"]) + anchors["hour_logged_s"],
        live_s=running(hours["live_s"]) + anchors["hour_live_s"],
        switched_ah=running(hours["switched_ah"]) + anchors["hour_switched_ah"],
        scatter_ah2=running(per_ah * (hours["charge_ah"] + hours["discharge_ah"]))
        + here * (anchors["hour_charge_ah"] + anchors["hour_discharge_ah"]),
        fed_zero_s=running(pd.Series(fed_zero_s(hours, pack))),
        alike_h2=running(alike * hours["live_s"] / S_PER_HOUR)
        + np.append(alike, 0.0)[place] * anchors["hour_live_s"] / S_PER_HOUR,
    )
    return sums[~_not_full(sums, pack)].reset_index(drop=True)


def _not_full(anchors: pd.DataFrame, pack: Pack) -> np.ndarray:
    """Rows of a full that next to nothing went into since the pack was empty: a charger at the terminals of an open board."""
    kind = anchors["kind"].to_numpy(object)
    in_ah = anchors["charge_ah"].to_numpy(float)
    unlogged_s = (anchors["start_ms"] / MS_PER_S - anchors["logged_s"]).to_numpy(float)
    empty = np.maximum.accumulate(np.where(kind == "empty", np.arange(len(kind)), -1))
    known = (empty >= 0) & (unlogged_s - unlogged_s[empty] <= MOST_UNLOGGED_S)
    return np.asarray(
        known & np.isin(kind, ("full", "nearly_full", "held")) & (in_ah - in_ah[empty] < LEAST_FILLING * pack.rated_ah)
    )


def _counted(hours: pd.DataFrame, tally: pd.DataFrame, net: np.ndarray) -> tuple[np.ndarray, np.ndarray]:
    """Charge by the monitor's counter in each hour, by the samples where it is silent, and the seconds it spoke for."""
    counted, spoke = net.copy(), np.zeros(len(net))
    place = np.searchsorted(hours["start_ms"].to_numpy(), tally["start_ms"].to_numpy(np.int64))
    counted[place], spoke[place] = tally["counted_ah"].to_numpy(float), tally["counted_s"].to_numpy(float)
    return counted, spoke


def bridges(tables: Mapping[str, pd.DataFrame], pack: Pack, scale: float | None) -> pd.DataFrame:
    """What flowed in the pauses the monitor counted through: start_ms, end_ms, bridged_ah, bridged_s, variance_ah2.

    `scale` is the typed-in capacity over the rated one, where the percentage is a count at all.
    """
    pauses = tables["pauses"]
    away_s = (pauses["end_ms"] - pauses["start_ms"]) / MS_PER_S
    by_counter = pauses["counted_ah"].notna()
    percent_ah = pack.rated_ah * (np.nan if scale is None else scale) / 100
    flowed = pauses["counted_ah"].where(by_counter, pauses["soc_change_percent"] * percent_ah)
    step_ah = pauses["counted_step_ah"].where(by_counter, pauses["soc_step_percent"] * percent_ah)
    doubt = np.where(by_counter, GAIN_SCATTER, SOC_COUNT_SIGMA) * flowed.abs()
    frame = pd.DataFrame(
        {
            "start_ms": pauses["start_ms"],
            "end_ms": pauses["end_ms"],
            "bridged_ah": flowed - pauses["held_ah"],
            "bridged_s": away_s - pauses["held_s"],
            "variance_ah2": step_ah**2 / 6 + doubt**2,
        }
    ).astype({"bridged_ah": float, "bridged_s": float, "variance_ah2": float})
    frame = frame[frame["bridged_ah"].notna()]
    heated = tables["cold"][tables["cold"]["heats"] == YES] if len(tables["cold"]) else tables["cold"]
    if len(heated):
        # what fed the pack's own heater was counted and not stored
        fed = heated[["start_ms", "end_ms"]].assign(
            bridged_ah=-heated["charge_ah"], bridged_s=0.0, variance_ah2=(HEATER_DOUBT * heated["charge_ah"]) ** 2
        )
        frame = pd.concat([frame, fed.astype({"bridged_ah": float, "variance_ah2": float})])
    return frame.sort_values("start_ms", ignore_index=True)


def spans(
    anchors: pd.DataFrame, tables: Mapping[str, pd.DataFrame], pack: Pack, bridged: pd.DataFrame | None = None
) -> pd.DataFrame:
    """Pair each anchor that ends a stretch with the one that began it.

    Columns: first, last (rows of `anchors`), net_ah, soc_change, hours, live_hours, zero_hours (board closed, nothing feeds the loads, the sensor shows exactly nothing), fed_hours (it shows nothing while something may feed them), charge_ah, discharge_ah,
    switched_ah, cold_ah (charge below the limit that is not known to have fed a heater), by_counter, scatter_ah2 (of the samples), bridged_s, variance_ah2 (of the count alone), middle_ms, refuted.
    """
    hours, hidden_a = tables["hours"], width_a(tables["dead_band"])
    leaving = anchors.index[anchors["edge"] != "enter"].to_numpy()
    entering = anchors.index[anchors["edge"] != "leave"].to_numpy()
    empties = anchors["kind"].to_numpy() == "empty"
    leaving = np.union1d(
        leaving[~(empties[leaving] & (anchors["edge"].to_numpy()[leaving] == "leave"))],
        anchors.index[empties & (anchors["edge"] == "enter")],
    )
    again = _still_flat(anchors, pack)
    leaving, entering = np.setdiff1d(leaving, again), np.setdiff1d(entering, again)
    before = np.searchsorted(leaving, entering) - 1
    first, last = leaving[np.maximum(before, 0)], entering
    good = before >= 0
    first, last = first[good], last[good]
    # the same run of full: entered and left, nothing to learn; and only nearest neighbours pair
    start, end = anchors.iloc[first].reset_index(drop=True), anchors.iloc[last].reset_index(drop=True)
    elapsed_s = (end["start_ms"] - start["start_ms"]) / MS_PER_S
    logged_s = end["logged_s"] - start["logged_s"]
    over_ah, over_s, over_ah2 = _over(bridged, start["start_ms"].to_numpy(), end["start_ms"].to_numpy())
    unlogged_s = np.maximum(elapsed_s - logged_s - over_s, 0.0)
    open_s = _open_s(tables["openings"], start["start_ms"].to_numpy(), end["start_ms"].to_numpy())
    fed_s = (end["fed_zero_s"] - start["fed_zero_s"]).clip(lower=0.0)
    edge_ah, edge_s = _at_the_edge(hours, hidden_a, start["start_ms"].to_numpy(), end["start_ms"].to_numpy())
    live_s = end["live_s"] - start["live_s"] - edge_s
    zero_s = (logged_s - live_s - open_s - fed_s).clip(lower=0.0)
    throughput_ah = (end["charge_ah"] - start["charge_ah"]) + (end["discharge_ah"] - start["discharge_ah"])
    missed_ah = unlogged_s / S_PER_HOUR * 0.2 * pack.rated_ah
    net_ah, counted_ah = end["net_ah"] - start["net_ah"], end["counted_ah"] - start["counted_ah"]
    switched_ah = end["switched_ah"] - start["switched_ah"]
    scatter_ah2 = np.maximum(end["scatter_ah2"] - start["scatter_ah2"], 0.0)
    hidden_ah = switched_ah + 3 * np.sqrt(scatter_ah2) + 0.02 * throughput_ah + 0.01 * pack.rated_ah
    by_counter = (end["counted_s"] - start["counted_s"] >= COUNTED_SHARE * logged_s) & (logged_s > 0)
    by_counter &= (switched_ah > COUNTER_WORTH * pack.rated_ah) & (np.abs(counted_ah - net_ah) <= hidden_ah)
    frame = pd.DataFrame(
        {
            "first": first,
            "last": last,
            "net_ah": np.where(by_counter, counted_ah, net_ah - edge_ah) + over_ah,
            "soc_change": end["soc"] - start["soc"],
            "hours": elapsed_s / S_PER_HOUR,
            "live_hours": (live_s + over_s) / S_PER_HOUR,
            "zero_hours": zero_s / S_PER_HOUR,
            "fed_hours": fed_s / S_PER_HOUR,
            "charge_ah": end["charge_ah"] - start["charge_ah"],
            "discharge_ah": end["discharge_ah"] - start["discharge_ah"],
            "switched_ah": np.where(by_counter, 0.0, switched_ah),
            "cold_ah": _charged_cold_ah(tables["cold"], start["start_ms"].to_numpy(), end["start_ms"].to_numpy()),
            "by_counter": by_counter,
            "scatter_ah2": np.where(by_counter, 0.0, scatter_ah2),
            "bridged_s": over_s,
            "variance_ah2": np.where(by_counter, 0.0, scatter_ah2)
            + over_ah2
            + (GAIN_SCATTER * throughput_ah) ** 2
            + missed_ah**2
            + (HIDDEN_SCATTER * hidden_a * zero_s / S_PER_HOUR) ** 2
            + (HIDDEN_SCATTER * hidden_a * fed_s / S_PER_HOUR) ** 2
            + (current_step_a(hours) / np.sqrt(12)) ** 2 * (end["alike_h2"] - start["alike_h2"])
            + (0.001 * pack.rated_ah) ** 2,
            "middle_ms": (start["start_ms"] + end["start_ms"]) // 2,
        }
    )
    frame = frame[(unlogged_s <= MOST_UNLOGGED_S) & (elapsed_s > 0)].reset_index(drop=True)
    return frame.assign(refuted=_refuted(frame, delivered(anchors, hours, pack), pack, hidden_a))


def _at_the_edge(
    hours: pd.DataFrame, dead_band_a: float, start_ms: np.ndarray, end_ms: np.ndarray
) -> tuple[np.ndarray, np.ndarray]:
    """What each span holds of readings that noise lifted over the edge of the dead band now and then: Ah net, and seconds.

    They show that edge and not what flows, which may be anything the dead band hides. A display that rounds has no dead
    band: there the share of the time in which it shows its step does tell.
    """
    if dead_band_a < LEAST_STEPS_HIDDEN * (current_step_a(hours) or FINEST_A):
        return np.zeros(len(start_ms)), np.zeros(len(start_ms))
    most_a = hours[["max_charge_a", "max_discharge_a"]].max(axis=1)
    small = hours.loc[most_a <= EDGE_WIDTHS * dead_band_a, ["start_ms", "live_s", "logged_s"]]
    of_day = small.groupby(small["start_ms"] // MS_PER_DAY)[["live_s", "logged_s"]].transform("sum")
    edge = hours.index.isin(small.index[of_day["live_s"] < EDGE_SHARE * of_day["logged_s"]])
    at = hours["start_ms"].to_numpy(np.int64)
    first, last = np.searchsorted(at, start_ms), np.searchsorted(at, end_ms - MS_PER_HOUR, side="right")

    def inside(values: pd.Series) -> np.ndarray:
        total = np.append(0.0, np.cumsum(np.where(edge, values, 0.0)))
        return np.asarray(total[np.maximum(last, first)] - total[first])

    return inside(hours["charge_ah"] - hours["discharge_ah"]), inside(hours["live_s"])


def _charged_cold_ah(cold: pd.DataFrame, start_ms: np.ndarray, end_ms: np.ndarray) -> np.ndarray:
    """Charge below the limit between two moments, Ah, but for what fed a heater."""
    cold = cold[cold["heats"] != YES] if len(cold) else cold
    if cold.empty:
        return np.zeros(len(start_ms))
    cold = cold.sort_values("start_ms")
    total = np.append(0.0, np.cumsum(cold["charge_ah"].to_numpy(float)))
    at = cold["start_ms"].to_numpy()
    return np.asarray(total[np.searchsorted(at, end_ms)] - total[np.searchsorted(at, start_ms)])


def _over(
    bridged: pd.DataFrame | None, start_ms: np.ndarray, end_ms: np.ndarray
) -> tuple[np.ndarray, np.ndarray, np.ndarray]:
    """Sums over the bridged pauses inside each span: Ah, seconds, variance in Ah²."""
    if bridged is None or bridged.empty:
        return np.zeros(len(start_ms)), np.zeros(len(start_ms)), np.zeros(len(start_ms))
    first = np.searchsorted(bridged["start_ms"].to_numpy(), start_ms)
    last = np.searchsorted(bridged["end_ms"].to_numpy(), end_ms, side="right")

    def inside(name: str) -> np.ndarray:
        total = np.append(0.0, np.cumsum(bridged[name].to_numpy(float)))
        return np.asarray(total[np.maximum(last, first)] - total[first])

    return inside("bridged_ah"), inside("bridged_s"), inside("variance_ah2")


def _open_s(openings: pd.DataFrame, start_ms: np.ndarray, end_ms: np.ndarray) -> np.ndarray:
    """Seconds for which the board was open inside each span: nothing flows then, shown or not."""
    if openings.empty:
        return np.zeros(len(start_ms))
    total = np.append(0.0, np.cumsum(openings["open_s"].to_numpy(float)))
    opened_ms = openings["start_ms"].to_numpy(np.int64)
    first, last = np.searchsorted(opened_ms, start_ms), np.searchsorted(opened_ms, end_ms)
    return np.asarray(total[last] - total[first])


def _still_flat(anchors: pd.DataFrame, pack: Pack) -> np.ndarray:
    """Rows of empties long after an empty with next to no charge in or out between: the cells have sunk below it unseen."""
    kind, edge = anchors["kind"].to_numpy(object), anchors["edge"].to_numpy(object)
    moved_ah = (anchors["charge_ah"] + anchors["discharge_ah"]).to_numpy(float)
    start_ms = anchors["start_ms"].to_numpy(np.int64)
    rows: list[int] = []
    flat_since: int | None = None
    for row in np.flatnonzero(edge != "leave").tolist():
        if kind[row] != "empty":
            flat_since = None
        elif (
            flat_since is None
            or moved_ah[row] - moved_ah[flat_since] >= MOVED * pack.rated_ah
            or start_ms[row] - start_ms[flat_since] < LONG_FLAT_MS
        ):
            flat_since = row
        else:
            rows.append(row)
    return np.array(rows, int)


def _refuted(frame: pd.DataFrame, deliveries: pd.DataFrame, pack: Pack, hidden_a: float) -> np.ndarray:
    """Spans that imply far less capacity than the pack delivered later, or absurdly little, whatever drained unseen."""
    if frame.empty or deliveries.empty:
        return np.zeros(len(frame), bool)
    change = frame["soc_change"].to_numpy(float)
    unseen_ah = OFFSET_DOUBT_A * frame["live_hours"] + LOSS_DOUBT_C_RATE * pack.rated_ah * frame["hours"]
    unseen_ah += hidden_a * (frame["zero_hours"] + frame["fed_hours"])
    moved_ah = frame["net_ah"].to_numpy(float) + np.sign(change) * unseen_ah.to_numpy(float)
    implied_ah = np.divide(moved_ah, change, out=np.full(len(frame), np.inf), where=change != 0)
    surely_ah = deliveries["out_ah"] - OFFSET_DOUBT_A * deliveries["live_hours"] - 0.5 * deliveries["switched_ah"]
    later_ah = np.maximum.accumulate(surely_ah.to_numpy(float)[::-1])[::-1]
    place = np.searchsorted(deliveries["start_ms"].to_numpy(), frame["middle_ms"].to_numpy())
    most_later = np.append(later_ah, 0.0)[place]
    most = float(later_ah[0]) if len(later_ah) else 0.0
    absurd = implied_ah < ABSURD_SHARE * most
    return np.asarray((np.abs(change) >= BEARING) & ((implied_ah < REFUTED_SHARE * most_later) | absurd))
