"""Cold charging over time: each event hangs from the limit down to its coldest reading, as large as its charge."""

from __future__ import annotations

import math
from typing import TYPE_CHECKING

import plotly.graph_objects as go

from logbook.dashboard.figures.style import BLUE, PURPLE, VERMILION, level, paper
from logbook.dashboard.view import quantity
from logbook.dashboard.wording import SEVERITY_WORDS
from logbook.units import MS_PER_DAY

if TYPE_CHECKING:
    from logbook.dashboard.view import View
    from logbook.schema.health import ColdChargeEvent, Health

LOOKS = {"slight": ("circle", BLUE), "marked": ("square", PURPLE), "severe": ("diamond", VERMILION)}
"""Severity to (shape, colour): the shape says it without the colour."""
SMALLEST, LARGEST, FEW = 8.0, 30.0, 20
"""Sizes of a mark in pixels; with more than a few events the largest shrinks, so that they do not hide each other."""


def cold_events(health: Health, view: View) -> go.Figure:
    """Draw coldest temperature of each event over dates in the reader's zone."""
    cold = health.cold_charging
    figure = paper(yaxis_title=f"Coldest while charging ({view.temperature_unit})")
    limit = view.temperature(cold.limit_c)
    most = max(SMALLEST + 1, LARGEST * min(1.0, FEW / max(len(cold.events), 1)))
    figure.add_trace(stems(cold.events, limit, view))
    for severity in SEVERITY_WORDS:
        figure.add_trace(heads([event for event in cold.events if event.severity == severity], severity, view, most))
    level(figure, limit, f"limit {view.degrees(cold.limit_c)}", "solid")
    lowest = min([view.temperature(event.min_temperature_c) for event in cold.events], default=limit)
    depth = max(limit - lowest, 2.0)
    figure.update_yaxes(range=[limit - 1.25 * depth, limit + 0.25 * depth])
    figure.update_xaxes(range=event_range(cold.events, view))
    return figure


def event_range(events: tuple[ColdChargeEvent, ...], view: View) -> list[str] | None:
    """Dates from first to last event with some room, so that a frosty week is not a single stroke in a long log."""
    if not events:
        return None
    first, last = min(event.start_ms for event in events), max(event.end_ms for event in events)
    room = max(2 * MS_PER_DAY, (last - first) // 12)
    return [view.wall(first - room), view.wall(last + room)]


def stems(events: tuple[ColdChargeEvent, ...], limit: float, view: View) -> go.Scatter:
    """Thin lines from the limit down, broken between events."""
    x: list[str | None] = []
    y: list[float | None] = []
    for event in events:
        at = view.wall(event.start_ms)
        x += [at, at, None]
        y += [limit, view.temperature(event.min_temperature_c), None]
    line = {"width": 1.2, "color": "rgba(124,133,133,.8)"}
    return go.Scatter(name="depth", x=x, y=y, mode="lines", line=line, hoverinfo="skip")


def size_of(event: ColdChargeEvent, most: float) -> float:
    """Size of a mark in pixels; its area goes with the charge, down to a size that can still be seen."""
    return min(most, SMALLEST + 5 * math.sqrt(max(event.charge_ah, 0.0)) * most / LARGEST)


def heads(events: list[ColdChargeEvent], severity: str, view: View, most: float) -> go.Scatter:
    """One marker an event, in the shape of its severity."""
    shape, colour = LOOKS[severity]
    return go.Scatter(
        name=severity,
        mode="markers",
        x=[view.wall(event.start_ms) for event in events],
        y=[view.temperature(event.min_temperature_c) for event in events],
        marker={
            "symbol": shape,
            "color": colour,
            "opacity": 0.9,
            "size": [size_of(event, most) for event in events],
        },
        text=[event_words(event, view) for event in events],
        hovertemplate="%{text}<extra></extra>",
    )


def event_words(event: ColdChargeEvent, view: View) -> str:
    """Tell one event, line by line."""
    return "<br>".join(
        (
            f"{view.moment(event.start_ms)}: {SEVERITY_WORDS.get(event.severity, event.severity).lower()}",
            f"{quantity(event.charge_ah, 'Ah', 1)} at up to {quantity(event.max_current_a, 'A', 1)}",
            f"down to {view.degrees(event.min_temperature_c)}",
        )
    )
