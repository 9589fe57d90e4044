"""Readings: what happened at this moment; any window of time, with events and notes marked."""

from __future__ import annotations

import math
from datetime import datetime
from typing import TYPE_CHECKING, Any
from zoneinfo import ZoneInfo

import dash_mantine_components as dmc
import numpy as np
from dash import Input, Output, State, ctx, dcc, html
from dash.exceptions import PreventUpdate
from flask import has_request_context, request

from logbook.dashboard import parts
from logbook.dashboard.figures.readings import COLD, OPENED, Span, readings_over_time
from logbook.dashboard.figures.style import GRAPH_CONFIG, blank
from logbook.dashboard.page import Page, Visit, in_browser, pack_numbered, reader_view
from logbook.dashboard.pages.frame import no_readings, pack_page
from logbook.dashboard.view import UNKNOWN, lasting, quantity
from logbook.dashboard.window import ALL, Moved, moved, start_window
from logbook.dashboard.wording import NOTHING_LOGGED, SEVERITY_WORDS, protection_words
from logbook.schema.reading import QUANTITY_NAMES, Readings
from logbook.units import MS_PER_DAY, MS_PER_HOUR, ms_from_datetime

if TYPE_CHECKING:
    from dash import Dash
    from dash.development.base_component import Component

    from logbook.dashboard.answers import Answers
    from logbook.dashboard.view import View
    from logbook.schema.health import Health
    from logbook.schema.pack import Pack

PATH = "/pack/<pack>/readings"
GRAPH, VIEW, JUMP, SAID, SAVE, PACK, FROM, TO, SHOW, TABLE, MORE, REACHED = (
    "readings-graph",
    "readings-view",
    "readings-jump",
    "readings-said",
    "readings-save",
    "readings-pack",
    "readings-from",
    "readings-to",
    "readings-show",
    "readings-table",
    "readings-more",
    "readings-reached",
)
MOVES = (
    ("earlier", "Earlier"),
    ("later", "Later"),
    ("closer", "Closer"),
    ("wider", "Wider"),
    ("day", "A day"),
    ("week", "A week"),
    ("month", "A month"),
    ("year", "A year"),
    (ALL, "All"),
)
CONFIG: dict[str, Any] = {"config": GRAPH_CONFIG}
MOST_JUMPS = 500
"""So many events and notes, the newest, can be jumped to; older ones are in the tables of their pages."""
TABLE_ROWS = 50
FIRST_STEP_MS = MS_PER_HOUR
"""So much is read at first for the table; twice as much each time it was too little."""
POINTER_COOKIE = "logbook-pointer"


def layout(visit: Visit) -> Component:
    """Tools, charts, download."""
    health, pack = visit.health, visit.pack
    if health.readings.first_ms is None or health.readings.last_ms is None:
        return pack_page(visit, PATH, NOTHING_LOGGED, no_readings(visit.pack))
    start, end = start_window(visit.query, health.readings.first_ms, health.readings.last_ms)
    return pack_page(
        visit,
        PATH,
        None,
        html.P(id=SAID, role="status", className="sentence span-said"),
        tools(visit, health),
        html.Figure(
            [
                html.Div(
                    dcc.Graph(id=GRAPH, figure=blank(), className="graph", responsive=True, **CONFIG),
                    role="img",
                    className="graph-box graph-tall",
                    **parts.named(
                        "Voltage, current, temperature and reported state of charge over time; download the window as CSV for its values."
                    ),
                ),
                html.Figcaption(
                    parts.key(
                        ("cold", "charged below the limit"),
                        ("opened", "protection open or blocking"),
                        ("note", "a note"),
                        (
                            "none",
                            "A break in a line is a gap in the log. Pale strokes reach from the least to the greatest value.",
                        ),
                    )
                ),
            ],
            className="chart",
        ),
        html.P(html.A("Download this window as CSV", id=SAVE, href="", download="", className="download")),
        html.Section(
            [
                html.Div(id=TABLE),
                html.Button("Show them as a table", id=MORE, className="plain-button", n_clicks=0),
                dcc.Store(id=REACHED),
            ],
            className="readings-table",
            **parts.named("Readings of this window as a table"),
        ),
        dcc.Store(
            id=VIEW,
            data={"start": start, "end": end, "first": health.readings.first_ms, "last": health.readings.last_ms},
        ),
        html.Data(id=PACK, value=str(pack.id)),
        care=("frozen",),
    )


def tools(visit: Visit, health: Health) -> Component:
    """Ways to move the window."""
    events = happenings(health, visit)
    buttons = [html.Button(words, id=f"readings-{name}", className="plain-button", n_clicks=0) for name, words in MOVES]
    jump = dmc.Select(
        id=JUMP,
        label="Jump to",
        placeholder="An event or a note",
        data=[
            {"value": f"{span.start_ms}-{span.end_ms}-{place}", "label": label}
            for place, (label, span) in enumerate(events[:MOST_JUMPS])
        ],
        searchable=True,
        limit=100,
        className="field",
    )
    exact = parts.folded(
        "Exact times",
        html.Div(
            [
                dmc.TextInput(id=FROM, label="From", inputProps={"type": "datetime-local"}, className="field"),
                dmc.TextInput(id=TO, label="To", inputProps={"type": "datetime-local"}, className="field"),
                html.Button("Show", id=SHOW, className="plain-button", n_clicks=0),
            ],
            className="row bottom",
        ),
    )
    found = jump if events else html.Div(dcc.Input(id=JUMP, type="hidden"), hidden=True)
    return html.Div(
        [html.Div(buttons, className="row"), html.Div([found, exact], className="row jump")], className="tools"
    )


def happenings(health: Health, visit: Visit) -> list[tuple[str, Span]]:
    """Events and notes of the pack in words, newest first."""
    view = visit.view
    found = [(f"{view.moment(span.start_ms)}: {span.words}", span) for span in spans_of(health)]
    for note in visit.answers.notes(visit.pack.id):
        words = f"note, {note.text[:60]}"
        found.append((f"{view.moment(note.ts_ms)}: {words}", Span("note", words, note.ts_ms, note.ts_ms)))
    return sorted(found, key=lambda pair: -pair[1].start_ms)


def spans_of(health: Health) -> list[Span]:
    """Cold charges and openings of the protection board."""
    cold = [
        Span(
            COLD,
            f"{SEVERITY_WORDS.get(event.severity, event.severity).lower()} cold charge, {quantity(event.charge_ah, 'Ah', 1)}",
            event.start_ms,
            event.end_ms,
        )
        for event in health.cold_charging.events
    ]
    opened = [
        Span(OPENED, protection_words(event).lower(), event.start_ms, event.end_ms or event.start_ms)
        for event in health.protection.events
    ]
    return [*cold, *opened]


def drawn(answers: Answers, pack: Pack, start: int, end: int, view: View, *, drag: bool) -> dict[str, Any]:
    """The figure of one window."""
    window = answers.window(pack.id, start, end)
    figure = readings_over_time(window, view, spans_of(answers.health(pack)), answers.notes(pack.id))
    figure["layout"] |= {"dragmode": "zoom" if drag else False}
    figure["layout"]["xaxis"] |= {"fixedrange": not drag}
    return figure


def said(start: int, end: int, view: View) -> str:
    """The window in words."""
    return f"{view.moment(start)} to {view.moment(end)} ({lasting((end - start) / 1000)})"


def fine_pointer() -> bool:
    """Whether the reader has a mouse; a finger drags the page, not the chart."""
    return has_request_context() and request.cookies.get(POINTER_COOKIE) == "fine"


def register(app: Dash, answers: Answers) -> None:
    """Wire the tools to the window, and the window to chart, words, download and address."""

    @app.callback(
        Output(VIEW, "data"),
        [Input(f"readings-{name}", "n_clicks") for name, _ in MOVES],
        Input(JUMP, "value"),
        Input(SHOW, "n_clicks"),
        State(FROM, "value"),
        State(TO, "value"),
        State(VIEW, "data"),
        State(PACK, "value"),
        prevent_initial_call=True,
    )
    def move(*given: Any) -> dict[str, int]:
        *_clicks, jump, _show, first, last, now, pack_id = given
        zone = reader_view(pack_numbered(answers, pack_id).time_zone).zone
        trigger = str(ctx.triggered_id).removeprefix("readings-")
        if not any(item["value"] for item in ctx.triggered):
            raise PreventUpdate
        wanted = {
            "jump": lambda: jumped(jump),
            "show": lambda: typed(first, last, zone),
        }.get(trigger)
        found = moved(Moved(**now), trigger, wanted() if wanted else None)
        if found is None:
            raise PreventUpdate
        return found.as_dict()

    @app.callback(
        Output(VIEW, "data", allow_duplicate=True),
        Input(GRAPH, "relayoutData"),
        State(VIEW, "data"),
        State(PACK, "value"),
        prevent_initial_call=True,
    )
    def drag(relayout: dict[str, Any] | None, now: dict[str, int], pack_id: str) -> dict[str, int]:
        """Apart from the buttons: a chart also tells that it was resized, which must not overtake a click."""
        wanted = dragged(relayout, reader_view(pack_numbered(answers, pack_id).time_zone).zone)
        found = moved(Moved(**now), "graph", wanted) if wanted else None
        if found is None:
            raise PreventUpdate
        return found.as_dict()

    @app.callback(
        Output(GRAPH, "figure"),
        Output(SAID, "children"),
        Output(SAVE, "href"),
        Output(FROM, "value"),
        Output(TO, "value"),
        Input(VIEW, "data"),
        State(PACK, "value"),
    )
    def draw(data: dict[str, int], pack_id: str) -> tuple[dict[str, Any], str, str, str, str]:
        pack = pack_numbered(answers, pack_id)
        view, now = reader_view(pack.time_zone), Moved(**data)
        figure = drawn(answers, pack, now.start, now.end, view, drag=fine_pointer())
        link = f"/api/v1/packs/{pack.id}/readings.csv?from={now.start}&to={now.end}"
        return figure, said(now.start, now.end, view), link, view.wall(now.start)[:16], view.wall(now.end)[:16]

    @app.callback(
        Output(TABLE, "children"),
        Output(MORE, "children"),
        Output(REACHED, "data"),
        Input(VIEW, "data"),
        Input(MORE, "n_clicks"),
        State(REACHED, "data"),
        State(PACK, "value"),
        prevent_initial_call=True,
    )
    def tabulate(data: dict[str, int], clicks: int | None, reached: int | None, pack_id: str) -> tuple[Any, str, Any]:
        now = Moved(**data)
        if ctx.triggered_id != MORE or not clicks:
            return None, "Show them as a table", None
        pack = pack_numbered(answers, pack_id)
        start = now.start if reached is None or not now.start <= reached < now.end else reached
        shown = first_readings(answers, pack.id, start, now.end)
        words, following = (
            ("Show the next ones", int(shown.ts_ms[-1]) + 1) if len(shown) else ("From the beginning", None)
        )
        return readings_table(shown, reader_view(pack.time_zone)), words, following

    in_browser(app, "keepAddress", Output(VIEW, "storage_type"), Input(VIEW, "data"), prevent_initial_call=True)


def first_readings(answers: Answers, pack_id: int, start: int, end: int) -> Readings:
    """The first readings from a time on, however many there are after them: read in growing steps, gaps leapt over."""
    found: list[Readings] = []
    at, step = start, FIRST_STEP_MS
    while at < end and sum(map(len, found)) < TABLE_ROWS:
        part = answers.readings(pack_id, at, min(at + step, end))
        at += step
        if len(part):
            found.append(part)
        elif at < end:
            ahead = answers.window(pack_id, at, end).ts_ms
            at = max(at, int(ahead[0])) if len(ahead) else end
        step = min(2 * step, MS_PER_DAY)
    return joined(found).taken(slice(0, TABLE_ROWS)) if found else Readings.empty()


def joined(found: list[Readings]) -> Readings:
    """Readings one after the other."""
    names = ("ts_ms", *QUANTITY_NAMES)
    return Readings(*(np.concatenate([getattr(part, name) for part in found]) for name in names))


def readings_table(shown: Readings, view: View) -> Component:
    """Readings as a table, in the reader's units, as they were measured."""
    if not len(shown):
        return html.P("No more readings in this window.")
    rows = [
        [
            view.second(int(shown.ts_ms[place])),
            measured(shown.voltage_v[place], "V", 3),
            measured(shown.current_a[place], "A", 3),
            measured(view.temperature(shown.temperature_c[place]), view.temperature_unit, 1),
            measured(shown.soc_percent[place], "%", 1),
        ]
        for place in range(len(shown))
    ]
    heads = ("Time", "Voltage", "Current, charging is positive", "Temperature", "Charge, as reported")
    caption = f"{len(rows)} readings from {view.moment(int(shown.ts_ms[0]))} on; the CSV has all of this window"
    return parts.table(caption, heads, rows, numeric=(1, 2, 3, 4))


def measured(value: float, unit: str, decimals: int) -> str:
    """A value to the decimals it was logged with, at most so many."""
    if not math.isfinite(value):
        return UNKNOWN
    text = f"{value:.{decimals}f}".rstrip("0").rstrip(".")
    return quantity(float(value), unit, len(text.partition(".")[2]))


def dragged(relayout: dict[str, Any] | None, zone: str) -> tuple[int, int] | None:
    """The window a drag over the chart asked for; the chart speaks in wall-clock text."""
    if not relayout or "xaxis.range[0]" not in relayout:
        return None
    return from_wall(relayout["xaxis.range[0]"], relayout.get("xaxis.range[1]"), zone)


def jumped(choice: str | None) -> tuple[int, int] | None:
    """The window around an event: as much room on both sides as it lasted, two hours at least."""
    numbers = (choice or "").split("-")
    if len(numbers) != 3 or not all(part.isdecimal() for part in numbers):
        return None
    start, end = int(numbers[0]), int(numbers[1])
    room = max(2 * MS_PER_HOUR, end - start)
    return start - room, end + room


def typed(first: str | None, last: str | None, zone: str) -> tuple[int, int] | None:
    """The window of two fields."""
    return from_wall(first, last, zone)


def from_wall(first: str | None, last: str | None, zone: str) -> tuple[int, int] | None:
    """UTC milliseconds of wall-clock texts; of the hour that comes twice, first the earlier and last the later one."""
    try:
        start = datetime.fromisoformat(str(first)).replace(tzinfo=ZoneInfo(zone), fold=0)
        end = datetime.fromisoformat(str(last)).replace(tzinfo=ZoneInfo(zone), fold=1)
        return ms_from_datetime(start), ms_from_datetime(end)
    except (ValueError, OverflowError):
        return None


PAGE = Page("readings", PATH, "What happened when?", layout, register)
