"""Spans: what was counted between one anchor and the next, where the log does not pause between them."""

from __future__ import annotations

from typing import TYPE_CHECKING

import numpy as np
import pandas as pd

from logbook.analysis.delivered import delivered
from logbook.units import MS_PER_HOUR, MS_PER_S, S_PER_HOUR

if TYPE_CHECKING:
    from collections.abc import Mapping

    from logbook.schema.pack import Pack

BEARING = 0.5
REFUTED_SHARE = 0.85
OFFSET_DOUBT_A = 0.1
"""How far a sensor's zero may be off before anything is known of it (common practice, no source)."""
MOST_UNLOGGED_S = 900.0
"""A span may miss a quarter of an hour in all; what could have flowed then widens its error."""
GAIN_SCATTER = 0.003
"""Share of the throughput by which two counts of the same thing differ; common practice, no source."""


def placed(tables: Mapping[str, pd.DataFrame]) -> pd.DataFrame:
    """Anchors with running sums over the whole ledger: net_ah, charge_ah, discharge_ah, logged_s, live_s, scatter_ah2."""
    hours, anchors = tables["hours"], tables["anchors"]
    if anchors.empty:
        return anchors.assign(
            net_ah=0.0, charge_ah=0.0, discharge_ah=0.0, logged_s=0.0, live_s=0.0, switched_ah=0.0, scatter_ah2=0.0
        )
    anchors = anchors.sort_values(["start_ms", "edge"], ignore_index=True)
    place = np.searchsorted(hours["start_ms"].to_numpy(), anchors["start_ms"].to_numpy() // MS_PER_HOUR * MS_PER_HOUR)

    def running(values: pd.Series) -> np.ndarray:
        return np.append(0.0, np.cumsum(values.to_numpy()))[place]

    return anchors.assign(
        net_ah=running(hours["charge_ah"] - hours["discharge_ah"]) + anchors["hour_net_ah"] + anchors["shift_ah"],
        charge_ah=running(hours["charge_ah"]) + anchors["hour_charge_ah"],
        discharge_ah=running(hours["discharge_ah"]) + anchors["hour_discharge_ah"],
        logged_s=running(hours["logged_s"]) + anchors["hour_logged_s"],
        live_s=running(hours["live_s"]) + anchors["hour_live_s"],
        switched_ah=running(hours["switched_ah"]) + anchors["hour_switched_ah"],
        scatter_ah2=running(hours["sampling_var_ah2"]) + anchors["hour_scatter_ah2"],
    )


def spans(anchors: pd.DataFrame, hours: pd.DataFrame, pack: Pack) -> pd.DataFrame:
    """Pair each anchor that ends a stretch with the one that began it.

    Columns: first, last (rows of `anchors`), net_ah, soc_change, hours, live_hours, charge_ah, discharge_ah,
    switched_ah,     variance_ah2 (of the count alone), middle_ms, refuted.
    """
    leaving = anchors.index[anchors["edge"] != "enter"].to_numpy()
    entering = anchors.index[anchors["edge"] != "leave"].to_numpy()
    empties = anchors["kind"].to_numpy() == "empty"
    leaving = np.union1d(
        leaving[~(empties[leaving] & (anchors["edge"].to_numpy()[leaving] == "leave"))],
        anchors.index[empties & (anchors["edge"] == "enter")],
    )
    before = np.searchsorted(leaving, entering) - 1
    first, last = leaving[np.maximum(before, 0)], entering
    good = before >= 0
    first, last = first[good], last[good]
    # the same run of full: entered and left, nothing to learn; and only nearest neighbours pair
    start, end = anchors.iloc[first].reset_index(drop=True), anchors.iloc[last].reset_index(drop=True)
    elapsed_s = (end["start_ms"] - start["start_ms"]) / MS_PER_S
    unlogged_s = np.maximum(elapsed_s - (end["logged_s"] - start["logged_s"]), 0.0)
    throughput_ah = (end["charge_ah"] - start["charge_ah"]) + (end["discharge_ah"] - start["discharge_ah"])
    missed_ah = unlogged_s / S_PER_HOUR * 0.2 * pack.rated_ah
    frame = pd.DataFrame(
        {
            "first": first,
            "last": last,
            "net_ah": end["net_ah"] - start["net_ah"],
            "soc_change": end["soc"] - start["soc"],
            "hours": elapsed_s / S_PER_HOUR,
            "live_hours": (end["live_s"] - start["live_s"]) / S_PER_HOUR,
            "charge_ah": end["charge_ah"] - start["charge_ah"],
            "discharge_ah": end["discharge_ah"] - start["discharge_ah"],
            "switched_ah": end["switched_ah"] - start["switched_ah"],
            "variance_ah2": np.maximum(end["scatter_ah2"] - start["scatter_ah2"], 0.0)
            + (GAIN_SCATTER * throughput_ah) ** 2
            + missed_ah**2
            + (0.001 * pack.rated_ah) ** 2,
            "middle_ms": (start["start_ms"] + end["start_ms"]) // 2,
        }
    )
    frame = frame[(unlogged_s <= MOST_UNLOGGED_S) & (elapsed_s > 0)].reset_index(drop=True)
    return frame.assign(refuted=_refuted(frame, delivered(anchors, hours)))


def _refuted(frame: pd.DataFrame, deliveries: pd.DataFrame) -> np.ndarray:
    """Spans that imply far less capacity than the pack delivered later: their empty end was none."""
    if frame.empty or deliveries.empty:
        return np.zeros(len(frame), bool)
    change = frame["soc_change"].to_numpy(float)
    implied_ah = np.divide(frame["net_ah"].to_numpy(float), change, out=np.full(len(frame), np.inf), where=change != 0)
    surely_ah = deliveries["out_ah"] - OFFSET_DOUBT_A * deliveries["live_hours"] - 0.5 * deliveries["switched_ah"]
    later_ah = np.maximum.accumulate(surely_ah.to_numpy(float)[::-1])[::-1]
    place = np.searchsorted(deliveries["start_ms"].to_numpy(), frame["middle_ms"].to_numpy())
    most_later = np.append(later_ah, 0.0)[place]
    return np.asarray((np.abs(change) >= BEARING) & (implied_ah < REFUTED_SHARE * most_later))
