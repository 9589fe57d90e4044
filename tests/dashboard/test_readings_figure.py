"""The readings figure: nothing lost, gaps left open, clocks right across summer time."""

from __future__ import annotations

import base64

import numpy as np
import plotly.graph_objects as go
import pytest

from logbook.dashboard.figures.readings import COLD, OPENED, Span, merged, readings_over_time, wall_clock
from logbook.dashboard.view import View
from logbook.jobs.window import Window
from logbook.schema.reading import QUANTITY_NAMES
from logbook.store import Note
from tests.dashboard.samples import ms

BERLIN = View("Europe/Berlin")


def window(ts_ms, low, mean=None, high=None, bucket_s=0.0):
    low = np.asarray(low, float)
    mean, high = low if mean is None else np.asarray(mean, float), low if high is None else np.asarray(high, float)
    ts_ms = np.asarray(ts_ms, np.int64)
    return Window(
        int(ts_ms[0]), int(ts_ms[-1]) + 1, bucket_s, ts_ms,
        dict.fromkeys(QUANTITY_NAMES, low), dict.fromkeys(QUANTITY_NAMES, mean), dict.fromkeys(QUANTITY_NAMES, high),
    )  # fmt: skip


def drawn(*given):
    """The figure, every part of it checked by plotly, with its numbers unpacked."""
    document = readings_over_time(*given)
    for item in document["data"]:
        for part in ("y", "customdata"):
            if isinstance(item.get(part), dict):
                values = np.frombuffer(base64.b64decode(item[part]["bdata"]), item[part]["dtype"])
                item[part] = values.reshape([int(size) for size in item[part].get("shape", "-1").split(",")])
    return go.Figure(document)


def trace(figure, name):
    return next(item for item in figure.data if item.name == name)


def test_least_and_greatest_values_are_drawn_beside_the_mean():
    start = ms("2026-02-03T05:00")
    figure = drawn(window([start, start + 900_000], [1, 2], [3, 4], [5, 90], bucket_s=900.0), BERLIN)

    assert list(trace(figure, "current_a reach").y) == [1, 5, 2, 90]
    assert list(trace(figure, "Current").y) == [3, 4]
    assert trace(figure, "Current").customdata.tolist() == [[1, 5], [2, 90]]


def test_a_gap_stays_a_gap():
    start = ms("2026-02-03T05:00")
    figure = drawn(window([start, start + 1, start + 2], [1, np.nan, 2]), BERLIN)

    assert np.isnan(trace(figure, "Voltage").y[1])
    assert not trace(figure, "Voltage").connectgaps


def test_where_clocks_are_set_back_the_line_breaks_and_no_reading_is_lost():
    """Europe/Berlin set its clocks back on 25 Oct 2026 at 01:00 UTC: 02:59 was followed by 02:00."""
    times = np.arange(ms("2026-10-25T00:30"), ms("2026-10-25T01:31"), 30 * 60_000)
    clock = wall_clock(times, BERLIN)
    figure = drawn(window(times, [1, 2, 3]), BERLIN)

    assert [text[11:16] for text in clock.wall] == ["02:30", "02:30", "02:00", "02:30"]
    line = np.asarray(trace(figure, "Voltage").y, float)
    assert np.isnan(line[1])
    assert line[~np.isnan(line)].tolist() == [1, 2, 3]


def test_the_four_panels_share_one_time_axis_and_name_their_units():
    figure = drawn(window([0, 60_000], [1, 2]), View("UTC", fahrenheit=True))
    words = {note.text for note in figure.layout.annotations}

    assert {item.xaxis for item in figure.data} <= {None, "x"}
    assert {"Voltage (V)", "Current, charging is up (A)", "Temperature (°F)", "Charge, as reported (%)"} <= words
    assert list(trace(figure, "Temperature").y) == pytest.approx([33.8, 35.6])  # 1 and 2 °C


def test_what_was_not_measured_is_said():
    figure = drawn(window([0, 60_000], [np.nan, np.nan]), BERLIN)

    assert sum(note.text == "not measured in this window" for note in figure.layout.annotations) == 4
    assert not figure.layout.yaxis.showticklabels
    assert drawn(window([0, 60_000], [1, 2]), BERLIN).layout.yaxis.showticklabels


def test_events_and_notes_of_the_window_are_marked_and_others_are_not():
    start = ms("2026-02-03T05:00")
    inside, outside = (
        Span(COLD, "cold charge", start + 1000, start + 2000),
        Span(COLD, "earlier", start - 9000, start - 8000),
    )
    notes = [Note(1, 1, start + 500, "<b>lugs</b>"), Note(2, 1, start - 500, "before")]
    figure = drawn(window([start, start + 3_600_000], [1, 2]), BERLIN, [inside, outside], notes)

    assert len([shape for shape in figure.layout.shapes if shape.type == "rect"]) == 1
    assert "cold charge" in {note.text for note in figure.layout.annotations}
    assert len(trace(figure, "notes").x) == 1
    assert "&lt;b&gt;lugs" in trace(figure, "notes").text[0]


def test_a_point_between_two_gaps_can_be_seen_and_a_lone_one_is_told():
    gaps = drawn(window([0, 1, 2], [np.nan, 13.2, np.nan]), BERLIN)
    line = next(trace for trace in gaps.data if trace.name == "Voltage")

    assert line.mode == "lines+markers"
    assert "one reading in this window" in [note.text for note in gaps.layout.annotations]
    none = drawn(window([0, 1], [np.nan, np.nan]), BERLIN)
    assert "no readings in this window" in [note.text for note in none.layout.annotations]


def test_dates_on_the_axis_are_written_as_in_the_text():
    """Day before month, as "5 Feb 2026" everywhere else."""
    figure = drawn(window([0, 1, 2], [1.0, 2.0, 3.0]), BERLIN)

    for stop in figure.layout.xaxis.tickformatstops:
        assert "%b %-d" not in stop.value
        assert "%-d" not in stop.value or "%-d %b" in stop.value


def test_thousands_of_events_are_drawn_as_a_few_stretches_and_none_is_lost():
    year = 365 * 86_400_000
    spans = [Span(COLD, "cold", place * year // 5000, place * year // 5000 + 1000) for place in range(5000)]
    alone = Span(OPENED, "opened", year // 2, year // 2 + 1)
    shown = merged([*spans, alone], window([0, year], [13.0, 13.1]))

    assert len(shown) == 2
    assert shown[0].start_ms == 0
    assert shown[0].end_ms >= spans[-1].end_ms
    assert shown[1].end_ms - shown[1].start_ms >= year // 400
