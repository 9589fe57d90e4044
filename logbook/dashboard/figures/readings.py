"""Readings over time: voltage, current, temperature and state of charge above each other, on one time axis."""

from __future__ import annotations

from dataclasses import dataclass
from typing import TYPE_CHECKING, Any

import numpy as np
import pandas as pd
import plotly.graph_objects as go

from logbook.dashboard.figures.style import BLUE, GREEN, GREY, PURPLE, VERMILION, draw_notes, paper
from logbook.schema.reading import QUANTITIES
from logbook.units import fahrenheit_from_celsius

if TYPE_CHECKING:
    from collections.abc import Sequence

    from numpy.typing import NDArray

    from logbook.dashboard.view import View
    from logbook.jobs.window import Window
    from logbook.store import Note

PANELS = (
    ("voltage_v", "Voltage", BLUE, (0.78, 1.0)),
    ("current_a", "Current, in is up", GREEN, (0.53, 0.75)),
    ("temperature_c", "Temperature", VERMILION, (0.28, 0.50)),
    ("soc_percent", "Charge, as reported", PURPLE, (0.03, 0.25)),
)
"""Quantity, words, colour and the share of the height it has, from the top down."""
UNITS = {quantity.name: quantity.unit for quantity in QUANTITIES}
COLD, OPENED = "cold", "opened"
MARK_COLOURS = {COLD: "rgba(0,114,178,.14)", OPENED: "rgba(213,94,0,.16)"}


@dataclass(frozen=True)
class Span:
    """A stretch of time to be marked."""

    kind: str
    words: str
    start_ms: int
    end_ms: int


def readings_over_time(window: Window, view: View, spans: Sequence[Span] = (), notes: Sequence[Note] = ()) -> go.Figure:
    """Draw a window: a fine line for the mean, and every least and greatest value behind it."""
    figure = paper(hovermode="x unified", hoversubplots="axis", uirevision=f"{window.start_ms}-{window.end_ms}")
    clock = wall_clock(window.ts_ms, view)
    for place, panel in enumerate(PANELS):
        draw_panel(figure, place, panel, window, clock, view)
    seen = [span for span in spans if span.end_ms >= window.start_ms and span.start_ms < window.end_ms]
    for span in seen:
        draw_span(figure, span, window, view)
    if len(seen) == 1:
        name_span(figure, seen[0], window, view)
    draw_notes(figure, [note for note in notes if window.start_ms <= note.ts_ms < window.end_ms], view)
    edges = [view.wall(window.start_ms), view.wall(window.end_ms)]
    figure.update_layout(
        xaxis={"anchor": "y4", "range": edges, "hoverformat": "%-d %b %Y, %H:%M:%S"}, margin={"t": 48}, autosize=True
    )
    return figure


def draw_panel(
    figure: go.Figure,
    place: int,
    panel: tuple[str, str, str, tuple[float, float]],
    window: Window,
    clock: Clock,
    view: View,
) -> None:
    """One quantity with its axis and its name above it."""
    name, words, colour, domain = panel
    axis = "" if place == 0 else str(place + 1)
    unit = view.temperature_unit if name == "temperature_c" else UNITS[name]
    low, mean, high = (
        clock.broken(convert(part[name], name, view)) for part in (window.lowest, window.mean, window.highest)
    )
    common: dict[str, Any] = {"yaxis": f"y{axis}", "mode": "lines"}
    if window.bucket_s:
        ends = np.empty(2 * len(low))
        ends[0::2], ends[1::2] = low, high
        line = {"color": colour, "width": 1}
        figure.add_trace(
            go.Scatter(
                name=f"{name} reach",
                x=np.repeat(clock.wall, 2),
                y=ends,
                line=line,
                opacity=0.45,
                hoverinfo="skip",
                **common,
            )
        )
    hover = "%{y:.2f}" if not window.bucket_s else "%{y:.2f}, from %{customdata[0]:.2f} to %{customdata[1]:.2f}"
    figure.add_trace(
        go.Scatter(
            name=words.split(",")[0],
            x=clock.wall,
            y=mean,
            line={"color": colour, "width": 1.5},
            customdata=np.stack([low, high], axis=1) if window.bucket_s else None,
            hovertemplate=f"{hover} {unit}<extra>%{{fullData.name}}</extra>",
            **common,
        )
    )
    if not np.isfinite(mean).any():
        say_nothing(figure, domain)
    base = figure.layout.yaxis.to_plotly_json()
    figure.update_layout({f"yaxis{axis}": {**base, "domain": list(domain), "anchor": "x", "nticks": 5}})
    figure.add_annotation(
        x=0, xref="paper", xanchor="left", y=domain[1], yref="paper", yanchor="bottom",
        text=f"{words} ({unit})", showarrow=False, font={"size": 13, "color": GREY},
    )  # fmt: skip


def say_nothing(figure: go.Figure, domain: tuple[float, float]) -> None:
    """Say in an empty panel that it is empty."""
    figure.add_annotation(
        x=0.5, xref="paper", y=sum(domain) / 2, yref="paper", text="not measured in this window", showarrow=False,
        font={"size": 14, "color": GREY},
    )  # fmt: skip


@dataclass(frozen=True, eq=False)
class Clock:
    """Wall-clock times to draw at; where clocks are set back, a point is put in that breaks the line."""

    wall: NDArray[np.str_]
    breaks: NDArray[np.int64]

    def broken(self, values: NDArray[np.float64]) -> NDArray[np.float64]:
        """Values with a hole at each break."""
        return np.insert(values, self.breaks, np.nan)


def wall_clock(ts_ms: NDArray[np.int64], view: View) -> Clock:
    """Local times without offset, the only ones a chart leaves alone."""
    local = pd.to_datetime(ts_ms, unit="ms", utc=True).tz_convert(view.zone).tz_localize(None)
    times = local.to_numpy().astype("datetime64[ms]")
    breaks = np.flatnonzero(np.diff(times.astype(np.int64)) < 0) + 1
    return Clock(np.datetime_as_string(np.insert(times, breaks, times[breaks - 1]), unit="ms"), breaks)


def convert(values: NDArray[np.float64], name: str, view: View) -> NDArray[np.float64]:
    """Temperatures in the reader's unit, everything else as it is."""
    if name == "temperature_c" and view.fahrenheit:
        return np.asarray(fahrenheit_from_celsius(values))  # type: ignore[arg-type]
    return values


def draw_span(figure: go.Figure, span: Span, window: Window, view: View) -> None:
    """Shade a stretch across all panels, at least as wide as can be seen."""
    length = window.end_ms - window.start_ms
    start = max(span.start_ms, window.start_ms)
    end = min(max(span.end_ms, span.start_ms + length // 400), window.end_ms)
    figure.add_shape(
        type="rect",
        x0=view.wall(start),
        x1=view.wall(end),
        y0=0,
        y1=1,
        yref="paper",
        fillcolor=MARK_COLOURS[span.kind],
        line={"width": 0},
        layer="below",
    )


def name_span(figure: go.Figure, span: Span, window: Window, view: View) -> None:
    """Write what a stretch is above it, turned to the side where there is room."""
    start = max(span.start_ms, window.start_ms)
    late = start - window.start_ms > 0.55 * (window.end_ms - window.start_ms)
    figure.add_annotation(
        x=view.wall(start),
        y=1,
        yref="paper",
        yanchor="bottom",
        yshift=18,
        xanchor="right" if late else "left",
        text=span.words,
        showarrow=False,
        font={"size": 13, "color": GREY},
    )
