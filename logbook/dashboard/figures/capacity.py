"""Capacity over time: every observation with its interval, the answer as a band, rated and end of life as lines."""

from __future__ import annotations

from typing import TYPE_CHECKING

import plotly.graph_objects as go

from logbook.dashboard.figures.style import BLUE, GREY, VERMILION, level, paper, plain
from logbook.dashboard.view import quantity, rated
from logbook.units import MS_PER_DAY

if TYPE_CHECKING:
    from collections.abc import Sequence

    from logbook.dashboard.view import View
    from logbook.schema.health import CapacityObservation, Health

END_OF_LIFE = 0.8
"""Four fifths of rated: the usual end of life of traction and storage cells; a convention, not a cliff."""


def capacity_over_time(health: Health, view: View) -> go.Figure:
    """Draw observations in Ah over dates in the reader's zone."""
    rated_ah = health.pack.rated_ah
    figure = paper(yaxis_title="Capacity (Ah)")
    draw_answer(figure, health, view)
    observations = health.capacity.observations
    figure.add_trace(observed([item for item in observations if not item.used], view, used=False))
    figure.add_trace(observed([item for item in observations if item.used], view, used=True))
    draw_losses(figure, health, view)
    level(figure, rated_ah, f"rated {rated(rated_ah)}", "solid", below=above_rated(health))
    level(figure, END_OF_LIFE * rated_ah, "end of life, 80 % of rated", "dash", below=True)
    # what was left out may be unsure beyond measure, and must not press the rest into a line
    lows = [item.low if item.used else item.ah for item in observations] + [0.74 * rated_ah]
    highs = [item.high if item.used else item.ah for item in observations] + [1.06 * rated_ah]
    if health.capacity.ah is not None:
        lows.append(health.capacity.ah.low)
        highs.append(health.capacity.ah.high)
    figure.update_yaxes(range=[max(0.0, min(lows) - 0.02 * rated_ah), max(highs) + 0.03 * rated_ah])
    figure.update_xaxes(range=time_range(health, view))
    return figure


def above_rated(health: Health) -> bool:
    """Whether what was measured lies above the rated line on the whole, so that its words belong below it."""
    used = [item.ah for item in health.capacity.observations if item.used]
    return 2 * sum(ah >= health.pack.rated_ah for ah in used) > len(used)


def observed(items: Sequence[CapacityObservation], view: View, *, used: bool) -> go.Scatter:
    """Points with error bars; open markers took no part in the answer."""
    return go.Scatter(
        name="used" if used else "left out",
        mode="markers",
        x=[view.wall(item.end_ms) for item in items],
        y=[item.ah for item in items],
        error_y={
            "type": "data",
            "symmetric": False,
            "array": [item.high - item.ah for item in items],
            "arrayminus": [item.ah - item.low for item in items],
            "thickness": 1.6,
            "width": 5,
            "color": BLUE if used else GREY,
        },
        marker={
            "symbol": "circle" if used else "diamond-open",
            "size": 10,
            "color": BLUE if used else GREY,
            "line": {"width": 1.8, "color": BLUE if used else GREY},
        },
        text=[observation_words(item, view) for item in items],
        hovertemplate="%{text}<extra></extra>",
    )


def observation_words(item: CapacityObservation, view: View) -> str:
    """Tell one observation, line by line."""
    lines = [
        f"{view.day(item.end_ms)}: {quantity(item.ah, 'Ah', 1)}",
        f"between {quantity(item.low, 'Ah', 1)} and {quantity(item.high, 'Ah', 1)}",
    ]
    if item.temperature_c is not None:
        lines.append(f"at {view.degrees(item.temperature_c)}")
    if item.note:
        lines.append(plain(item.note))
    return "<br>".join(lines)


def draw_answer(figure: go.Figure, health: Health, view: View) -> None:
    """Shade the interval of the answer at its date, the last reading, running back over the observations."""
    estimate = health.capacity.ah
    if estimate is None or health.readings.last_ms is None:
        return
    used = [item.end_ms for item in health.capacity.observations if item.used]
    start, end = min([*used, health.readings.last_ms]), health.readings.last_ms
    rate = health.fade.percent_of_rated_per_year
    slope = (rate.value / 100 * health.pack.rated_ah / 365.25 / MS_PER_DAY) if rate and not losses(health) else 0.0
    start = max([start, *losses(health)]) if losses(health) else start
    then = slope * (end - start)
    x = [view.wall(start), view.wall(end)]
    edges = {"mode": "lines", "line": {"width": 0}, "hoverinfo": "skip", "x": x}
    figure.add_trace(go.Scatter(y=[estimate.low + then, estimate.low], name="low", **edges))
    band = {"fill": "tonexty", "fillcolor": "rgba(0,114,178,.16)"}
    figure.add_trace(go.Scatter(y=[estimate.high + then, estimate.high], name="high", **edges, **band))
    figure.add_trace(
        go.Scatter(
            name="answer",
            x=x,
            y=[estimate.value + then, estimate.value],
            mode="lines",
            line={"color": BLUE, "width": 2},
            hoverinfo="skip",
        )
    )


def losses(health: Health) -> list[int]:
    """Times of sudden losses."""
    return [loss.time_ms for loss in health.fade.sudden_losses]


def draw_losses(figure: go.Figure, health: Health, view: View) -> None:
    """Mark each step down with an upright line and words."""
    for loss in health.fade.sudden_losses:
        amount = f" {quantity(loss.ah_lost.value, 'Ah')}" if loss.ah_lost else ""
        figure.add_vline(x=view.wall(loss.time_ms), line={"color": VERMILION, "width": 1.5, "dash": "dot"})
        figure.add_annotation(
            x=view.wall(loss.time_ms),
            y=1,
            yref="paper",
            yanchor="top",
            xanchor="left",
            xshift=4,
            text=f"sudden loss{amount}",
            showarrow=False,
            font={"color": VERMILION, "size": 13},
        )


def time_range(health: Health, view: View) -> list[str] | None:
    """Dates from first to last reading with some room; at least a month, so that one point has a place."""
    first, last = health.readings.first_ms, health.readings.last_ms
    if first is None or last is None:
        return None
    room = max(15 * MS_PER_DAY, (last - first) // 25)
    return [view.wall(first - room), view.wall(last + room)]
