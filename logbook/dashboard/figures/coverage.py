"""Coverage: the stretches of a chart about which the log says nothing, shaded behind its marks."""

from __future__ import annotations

from typing import TYPE_CHECKING

import numpy as np
import plotly.graph_objects as go

from logbook.units import MS_PER_DAY, MS_PER_HOUR

if TYPE_CHECKING:
    import pandas as pd

    from logbook.dashboard.view import View

SHADE = "rgba(124,133,133,.16)"
AXIS = {"overlaying": "y", "range": [0, 1], "visible": False, "fixedrange": True, "tickmode": "auto"}


def unlogged(hours: pd.DataFrame, least_ms: int = MS_PER_DAY) -> list[tuple[int, int]]:
    """Stretches without a logged hour, from the digest of hours; shorter ones than `least_ms` are not told."""
    if hours.empty:
        return []
    logged = hours["start_ms"].to_numpy(np.int64)[hours["logged_s"].to_numpy() > 0]
    ends = logged + MS_PER_HOUR
    gaps = np.flatnonzero(logged[1:] - ends[:-1] >= least_ms)
    return [(int(ends[place]), int(logged[place + 1])) for place in gaps]


def draw_unlogged(figure: go.Figure, stretches: list[tuple[int, int]], view: View) -> None:
    """Shade them over the whole height, in one trace however many there are."""
    if not stretches:
        return
    x: list[str | None] = []
    y: list[float | None] = []
    for start_ms, end_ms in stretches:
        start, end = view.wall(start_ms), view.wall(end_ms)
        x += [start, start, end, end, start, None]
        y += [0.0, 1.0, 1.0, 0.0, 0.0, None]
    figure.add_trace(
        go.Scatter(
            name="not logged",
            x=x,
            y=y,
            yaxis="y98",
            mode="none",
            fill="toself",
            fillcolor=SHADE,
            hoverinfo="skip",
        )
    )
    figure.update_layout(yaxis98=AXIS)
