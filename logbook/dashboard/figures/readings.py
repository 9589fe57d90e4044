"""Readings over time: voltage, current, temperature and state of charge above each other, on one time axis."""

from __future__ import annotations

import base64
from dataclasses import dataclass, replace
from typing import TYPE_CHECKING, Any, Literal

import numpy as np
import pandas as pd

from logbook.dashboard.figures.style import (
    AXIS,
    BLUE,
    GREEN,
    GREY,
    LAYOUT,
    NOTE_AXIS,
    PURPLE,
    VERMILION,
    note_flags,
    note_lines,
)
from logbook.schema.reading import QUANTITIES
from logbook.units import MS_PER_S, fahrenheit_from_celsius

if TYPE_CHECKING:
    from collections.abc import Sequence

    from numpy.typing import NDArray

    from logbook.dashboard.view import View
    from logbook.jobs.window import Window
    from logbook.store import Note


@dataclass(frozen=True)
class Panel:
    """A quantity, its words and colour, and the share of the height it has."""

    name: str
    words: str
    colour: str
    domain: tuple[float, float]


PANELS = (
    Panel("voltage_v", "Voltage", BLUE, (0.78, 1.0)),
    Panel("current_a", "Current, charging is up", GREEN, (0.53, 0.75)),
    Panel("temperature_c", "Temperature", VERMILION, (0.28, 0.50)),
    Panel("soc_percent", "Charge, as reported", PURPLE, (0.03, 0.25)),
)
"""From the top down."""
UNITS = {quantity.name: quantity.unit for quantity in QUANTITIES}
SEEN_PARTS = 400
"""A stretch shorter than this part of the window is drawn so wide that it can be seen."""
FEW = 80
"""Up to so many points each is marked, so that one between two gaps can be seen."""
COLD, OPENED = "cold", "opened"
MARK_COLOURS = {COLD: "rgba(0,114,178,.14)", OPENED: "rgba(213,94,0,.16)"}


@dataclass(frozen=True)
class Span:
    """A stretch of time to be marked."""

    kind: str
    words: str
    start_ms: int
    end_ms: int


def readings_over_time(
    window: Window, view: View, spans: Sequence[Span] = (), notes: Sequence[Note] = ()
) -> dict[str, Any]:
    """Draw a window: a fine line for the mean, and every least and greatest value behind it.

    A plain document of plotly's, as its objects take a hundred times as long to make; the tests have plotly check it.
    """
    clock = wall_clock(window.ts_ms, view)
    panels = [panel_traces(place, panel, window, clock, view) for place, panel in enumerate(PANELS)]
    seen = [span for span in spans if span.end_ms >= window.start_ms and span.start_ms < window.end_ms]
    written = [note for note in notes if window.start_ms <= note.ts_ms < window.end_ms]
    flags = [note_flags(written, view)] if written else []
    layout = {
        **LAYOUT,
        "margin": {**LAYOUT["margin"], "t": 48},
        "autosize": True,
        "hovermode": "x unified",
        "hoversubplots": "axis",
        "uirevision": f"{window.start_ms}-{window.end_ms}",
        "xaxis": {
            **LAYOUT["xaxis"],
            "type": "date",
            "anchor": "y4",
            "range": [view.wall(window.start_ms), view.wall(window.end_ms)],
            "hoverformat": "%-d %b %Y, %H:%M:%S",
        },
        **{f"yaxis{axis_number(place)}": panel_axis(panel, window) for place, panel in enumerate(PANELS)},
        "yaxis99": NOTE_AXIS,
        "shapes": [span_shape(span, window, view) for span in merged(seen, window)] + note_lines(written, view),
        "annotations": nothing_there(window)
        + [words for panel in PANELS for words in panel_words(panel, window, view)]
        + [span_words(span, window, view) for span in seen if len(seen) == 1],
    }
    return {"data": [trace for traces in panels for trace in traces] + flags, "layout": layout}


def axis_number(place: int) -> str:
    """How plotly counts axes: none, 2, 3, 4."""
    return "" if place == 0 else str(place + 1)


def panel_axis(panel: Panel, window: Window) -> dict[str, Any]:
    """The upright axis of one quantity; without numbers where there is nothing to read off."""
    measured = is_measured(panel, window)
    return {**AXIS, "domain": list(panel.domain), "anchor": "x", "nticks": 5, "showticklabels": measured}


def is_measured(panel: Panel, window: Window) -> bool:
    """Whether a window holds any value of a quantity."""
    return bool(np.isfinite(window.mean[panel.name]).any())


def panel_traces(place: int, panel: Panel, window: Window, clock: Clock, view: View) -> list[dict[str, Any]]:
    """One quantity: its reach from least to greatest where a point stands for several readings, and its mean."""
    low, mean, high = (
        clock.broken(convert(part[panel.name], panel.name, view))
        for part in (window.lowest, window.mean, window.highest)
    )
    mode = "lines+markers" if np.isfinite(mean).sum() <= FEW else "lines"
    common = {"type": "scatter", "mode": mode, "marker": {"size": 5}, "yaxis": f"y{axis_number(place)}"}
    unit = panel_unit(panel, view)
    line = {
        **common,
        "name": panel.words.split(",")[0],
        "x": clock.wall,
        "y": typed(mean),
        "line": {"color": panel.colour, "width": 1.5},
        "hovertemplate": f"%{{y:.2f}} {unit}<extra>%{{fullData.name}}</extra>",
    }
    if not window.bucket_s:
        return [line]
    ends = np.empty(2 * len(low))
    ends[0::2], ends[1::2] = low, high
    reach = {
        **common,
        "mode": "lines",
        "name": f"{panel.name} reach",
        "x": [text for text in clock.wall for _ in (0, 1)],
        "y": typed(ends),
        "line": {"color": panel.colour, "width": 1},
        "opacity": 0.45,
        "hoverinfo": "skip",
    }
    line["customdata"] = typed(np.stack([low, high], axis=1))
    line["hovertemplate"] = (
        f"%{{y:.2f}}, from %{{customdata[0]:.2f}} to %{{customdata[1]:.2f}} {unit}<extra>%{{fullData.name}}</extra>"
    )
    return [reach, line]


def typed(values: NDArray[np.float64]) -> dict[str, str]:
    """Numbers as plotly takes them in bulk: base64 of 32-bit floats, exact to a millionth of their size."""
    document = {"dtype": "f4", "bdata": base64.b64encode(values.astype("<f4").tobytes()).decode("ascii")}
    return document if values.ndim == 1 else {**document, "shape": ",".join(str(size) for size in values.shape)}


def panel_unit(panel: Panel, view: View) -> str:
    """The unit it is drawn in."""
    return view.temperature_unit if panel.name == "temperature_c" else UNITS[panel.name]


def panel_words(panel: Panel, window: Window, view: View) -> list[dict[str, Any]]:
    """Its name above it, and in the middle that it is empty, where it is."""
    above = {
        "x": 0,
        "xref": "paper",
        "xanchor": "left",
        "y": panel.domain[1],
        "yref": "paper",
        "yanchor": "bottom",
        "text": f"{panel.words} ({panel_unit(panel, view)})",
        "showarrow": False,
        "font": {"size": 13, "color": GREY},
    }
    if is_measured(panel, window):
        return [above]
    empty = {
        "x": 0.5,
        "xref": "paper",
        "y": sum(panel.domain) / 2,
        "yref": "paper",
        "text": "not measured in this window",
        "showarrow": False,
        "font": {"size": 14, "color": GREY},
    }
    return [above, empty]


def nothing_there(window: Window) -> list[dict[str, Any]]:
    """Say in words that a window holds no reading, or only one."""
    count = int(max(np.isfinite(values).sum() for values in window.mean.values()))
    if count > 1:
        return []
    words = "one reading in this window" if count else "no readings in this window"
    place = {"x": 1, "xref": "paper", "xanchor": "right", "y": 1, "yref": "paper", "yanchor": "bottom"}
    return [{**place, "text": words, "showarrow": False, "font": {"size": 13, "color": GREY}}]


def merged(spans: Sequence[Span], window: Window) -> list[Span]:
    """Stretches as wide as can be seen; those of a kind that then touch are one, so that there are only so many."""
    least = (window.end_ms - window.start_ms) // SEEN_PARTS
    found: dict[str, list[Span]] = {}
    for span in sorted(spans, key=lambda span: span.start_ms):
        wide = replace(span, end_ms=max(span.end_ms, span.start_ms + least))
        row = found.setdefault(span.kind, [])
        if row and wide.start_ms <= row[-1].end_ms:
            row[-1] = replace(row[-1], end_ms=max(row[-1].end_ms, wide.end_ms))
        else:
            row.append(wide)
    return [span for row in found.values() for span in row]


def span_shape(span: Span, window: Window, view: View) -> dict[str, Any]:
    """A stretch shaded across all panels."""
    start, end = max(span.start_ms, window.start_ms), min(span.end_ms, window.end_ms)
    return {
        "type": "rect",
        "x0": view.wall(start),
        "x1": view.wall(end),
        "y0": 0,
        "y1": 1,
        "yref": "paper",
        "fillcolor": MARK_COLOURS[span.kind],
        "line": {"width": 0},
        "layer": "below",
    }


def span_words(span: Span, window: Window, view: View) -> dict[str, Any]:
    """What a stretch is, above it, turned to the side where there is room."""
    start = max(span.start_ms, window.start_ms)
    late = start - window.start_ms > 0.55 * (window.end_ms - window.start_ms)
    return {
        "x": view.wall(start),
        "y": 1,
        "yref": "paper",
        "yanchor": "bottom",
        "yshift": 18,
        "xanchor": "right" if late else "left",
        "text": span.words,
        "showarrow": False,
        "font": {"size": 13, "color": GREY},
    }


@dataclass(frozen=True, eq=False)
class Clock:
    """Wall-clock times to draw at; where clocks are set back, a point is put in that breaks the line."""

    wall: list[str]
    breaks: NDArray[np.int64]

    def broken(self, values: NDArray[np.float64]) -> NDArray[np.float64]:
        """Values with a hole at each break."""
        return np.insert(values, self.breaks, np.nan)


def wall_clock(ts_ms: NDArray[np.int64], view: View) -> Clock:
    """Local times without offset, the only ones a chart leaves alone."""
    local = pd.to_datetime(ts_ms, unit="ms", utc=True).tz_convert(view.zone).tz_localize(None)
    times: NDArray[np.datetime64] = local.to_numpy().astype("datetime64[ms]")
    breaks = np.flatnonzero(np.diff(times.astype(np.int64)) < 0) + 1
    unit: Literal["ms", "s"] = "ms" if (ts_ms % MS_PER_S).any() else "s"
    return Clock(np.datetime_as_string(np.insert(times, breaks, times[breaks - 1]), unit=unit).tolist(), breaks)


def convert(values: NDArray[np.float64], name: str, view: View) -> NDArray[np.float64]:
    """Temperatures in the reader's unit, everything else as it is."""
    if name == "temperature_c" and view.fahrenheit:
        return np.asarray(fahrenheit_from_celsius(values))  # type: ignore[arg-type]
    return values
