"""Style all figures share; text, axes and grid take their colours from the page's style sheet, by theme and print."""

from __future__ import annotations

from typing import TYPE_CHECKING, Any

import plotly.graph_objects as go

if TYPE_CHECKING:
    from collections.abc import Sequence

    from logbook.dashboard.view import View
    from logbook.store import Note

BLUE, VERMILION, GREEN, PURPLE, GREY = "#0072B2", "#D55E00", "#00825F", "#B0568C", "#7C8585"
"""Blue and vermilion after Okabe and Ito (2008); green and purple darkened to 3:1 contrast on paper and on dark."""

GRAPH_CONFIG: dict[str, Any] = {
    "displaylogo": False,
    "showSendToCloud": False,
    "plotlyServerURL": "",
    "responsive": True,
    "scrollZoom": False,
    "doubleClick": "reset",
    "displayModeBar": False,
}
"""No button that could send a chart anywhere; a chart leaves this machine only as the owner's own download."""

FONT = "'Source Sans 3', system-ui, sans-serif"


TICKS = [
    {"dtickrange": ["M12", None], "value": "%Y"},
    {"dtickrange": ["M1", "M12"], "value": "%b\n%Y"},
    {"dtickrange": [86_400_000, "M1"], "value": "%-d %b\n%Y"},
    {"dtickrange": [60_000, 86_400_000], "value": "%H:%M\n%-d %b %Y"},
    {"dtickrange": [None, 60_000], "value": "%H:%M:%S\n%-d %b %Y"},
]
"""Dates on an axis as they stand in the text: the day before the month; the year below where it begins.

The first that fits is taken, so the coarse ones come first."""
AXIS: dict[str, Any] = {
    "showline": False,
    "zeroline": False,
    "gridcolor": "rgba(124,133,133,.25)",
    "ticks": "",
    "automargin": True,
    "fixedrange": True,
    "tickfont": {"size": 13},
    "title": {"standoff": 8},
}
LAYOUT: dict[str, Any] = {
    "paper_bgcolor": "rgba(0,0,0,0)",
    "plot_bgcolor": "rgba(0,0,0,0)",
    "font": {"family": FONT, "size": 14, "color": GREY},
    "margin": {"l": 8, "r": 12, "t": 12, "b": 8},
    "showlegend": False,
    "dragmode": False,
    "hovermode": "closest",
    "hoverlabel": {"font": {"family": FONT, "size": 14, "color": "#ffffff"}, "bgcolor": "#26302f"},
    "xaxis": {**AXIS, "tickformatstops": TICKS},
    "yaxis": AXIS,
    "uirevision": "keep",
}
"""Transparent paper with the shared axes, margins and labels."""


def paper(**layout: Any) -> go.Figure:
    """Return an empty figure on the shared paper."""
    figure = go.Figure(layout={**LAYOUT, "template": "none"})
    figure.update_layout(layout)
    return figure


def blank() -> go.Figure:
    """Return paper without axes, for a figure that is yet to come, or cannot be drawn."""
    return paper(xaxis={"visible": False}, yaxis={"visible": False})


def plain(text: str) -> str:
    """Text from an owner or a file, safe inside a figure, which reads a little markup."""
    return text.replace("&", "&amp;").replace("<", "&lt;").replace(">", "&gt;")


def level(figure: go.Figure, y: float, words: str, dash: str, *, below: bool = False) -> None:
    """Draw a named horizontal line right across."""
    figure.add_hline(y=y, line={"color": GREY, "width": 1.5, "dash": dash})
    figure.add_annotation(
        x=0,
        xref="paper",
        xanchor="left",
        y=y,
        yanchor="top" if below else "bottom",
        text=words,
        showarrow=False,
        font={"size": 13, "color": GREY},
    )


def draw_notes(figure: go.Figure, notes: Sequence[Note], view: View) -> None:
    """Mark the owner's notes along the top edge: a fine line, a small flag, the text when touched."""
    if not notes:
        return
    for shape in note_lines(notes, view):
        figure.add_shape(shape)
    figure.add_trace(go.Scatter(note_flags(notes, view)))
    figure.update_layout(yaxis99=NOTE_AXIS)


NOTE_AXIS = {"overlaying": "y", "range": [0, 1], "visible": False, "fixedrange": True, "tickmode": "auto"}
"""An axis of their own along the top, over the first panel."""


def note_lines(notes: Sequence[Note], view: View) -> list[dict[str, Any]]:
    """An upright line a note, right across the paper."""
    line = {"color": GREEN, "width": 1, "dash": "dot"}
    at = [view.wall(note.ts_ms) for note in notes]
    return [{"type": "line", "x0": x, "x1": x, "y0": 0, "y1": 1, "yref": "paper", "line": line} for x in at]


def note_flags(notes: Sequence[Note], view: View) -> dict[str, Any]:
    """The flags at the top of the lines, as a trace on `NOTE_AXIS`."""
    return {
        "type": "scatter",
        "name": "notes",
        "mode": "markers",
        "x": [view.wall(note.ts_ms) for note in notes],
        "y": [1.0] * len(notes),
        "yaxis": "y99",
        "marker": {"symbol": "triangle-down", "size": 13, "color": GREEN},
        "text": [f"{view.moment(note.ts_ms)}<br>{plain(shortened(note.text))}" for note in notes],
        "hovertemplate": "%{text}<extra>note</extra>",
    }


def shortened(text: str, most: int = 80) -> str:
    """The beginning of a text, as much as a hover label can bear."""
    return text if len(text) <= most else f"{text[: most - 1].rstrip()}\u2026"
