"""Use: how deep the cycles went, and how much went in and out month by month."""

from __future__ import annotations

from typing import TYPE_CHECKING

import numpy as np
import pandas as pd
import plotly.graph_objects as go

from logbook.dashboard.figures.style import BLUE, GREEN, VERMILION, paper
from logbook.dashboard.view import number

if TYPE_CHECKING:
    from logbook.dashboard.view import View
    from logbook.schema.health import Health


def cycle_depths(health: Health) -> go.Figure:
    """Draw counted cycles by depth of discharge."""
    bins = health.cycles.depth_histogram
    figure = paper(xaxis_title="Depth of discharge (% of rated)", yaxis_title="Cycles", bargap=0.08)
    figure.add_trace(
        go.Bar(
            name="cycles",
            x=[(entry.depth_low_percent + entry.depth_high_percent) / 2 for entry in bins],
            width=[0.94 * (entry.depth_high_percent - entry.depth_low_percent) for entry in bins],
            y=[entry.count for entry in bins],
            marker={"color": BLUE},
            text=[f"{number(entry.depth_low_percent)} to {number(entry.depth_high_percent)} %" for entry in bins],
            textposition="none",
            hovertemplate="%{text}<br>%{y} cycles<extra></extra>",
        )
    )
    figure.update_xaxes(dtick=20, range=[0, max([100.0, *(entry.depth_high_percent for entry in bins)])])
    return figure


def monthly(hours: pd.DataFrame, view: View) -> pd.DataFrame:
    """Sum the digest of hours by calendar month of the reader's zone.

    Columns: month (its first day), charge_ah, discharge_ah, logged_s.
    """
    when = pd.to_datetime(hours["start_ms"], unit="ms", utc=True).dt.tz_convert(view.zone)
    months = when.dt.strftime("%Y-%m-01").rename("month")
    return hours.groupby(months)[["charge_ah", "discharge_ah", "logged_s"]].sum().reset_index()


def monthly_charge(months: pd.DataFrame) -> go.Figure:
    """Draw Ah into the pack upwards and out of it downwards, each bar within its month however long the pauses are."""
    figure = paper(yaxis_title="Ah out · Ah in", barmode="relative")
    places = list(months["month"])
    begins = pd.to_datetime(months["month"])
    month_ms = ((begins + pd.offsets.MonthBegin(1) - begins) // pd.Timedelta(milliseconds=1)).to_numpy(float)
    for name, values, colour, shape in (
        ("in", months["charge_ah"], GREEN, ""),
        ("out", -months["discharge_ah"], VERMILION, "/"),
    ):
        figure.add_trace(
            go.Bar(
                name=name,
                x=places,
                offset=(0.1 * month_ms).tolist(),
                width=(0.8 * month_ms).tolist(),
                y=np.round(values, 3).tolist(),
                marker={"color": colour, "pattern": {"shape": shape, "size": 6, "solidity": 0.3}},
                customdata=np.round(np.abs(values), 1).tolist(),
                hovertemplate=f"%{{x|%B %Y}}<br>%{{customdata}} Ah {name}<extra></extra>",
            )
        )
    figure.update_xaxes(type="date", hoverformat="%B %Y", ticklabelmode="period")
    figure.add_hline(y=0, line={"width": 1.2, "color": "rgba(124,133,133,.9)"})
    return figure
