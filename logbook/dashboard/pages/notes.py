"""Notes: what the owner writes down beside the readings, from any page of a pack."""

from __future__ import annotations

import time
from datetime import datetime
from typing import TYPE_CHECKING, Any
from zoneinfo import ZoneInfo

import dash_mantine_components as dmc
from dash import ALL, Input, Output, State, ctx, html
from dash.exceptions import PreventUpdate

from logbook.dashboard import parts
from logbook.dashboard.page import pack_numbered, reader_view
from logbook.units import ms_from_datetime

if TYPE_CHECKING:
    from dash import Dash
    from dash.development.base_component import Component

    from logbook.dashboard.answers import Answers
    from logbook.dashboard.page import Visit

LONGEST = 2000
WHEN, TEXT, SAVE, TOLD, PACK = "note-when", "note-text", "note-save", "note-told", "note-pack"


def notes_part(visit: Visit) -> Component:
    """The notes of the pack, and a place to write one."""
    entries = [
        html.Li(
            [
                html.Div([html.Span(visit.view.moment(note.ts_ms), className="quiet"), html.P(note.text)]),
                html.Button(
                    "Take away",
                    id={"type": "note-delete", "note": note.id},
                    className="plain-button small",
                    n_clicks=0,
                    **parts.named(f"Take away the note of {visit.view.moment(note.ts_ms)}"),
                ),
            ]
        )
        for note in sorted(visit.answers.notes(visit.pack.id), key=lambda note: -note.ts_ms)
    ]
    form = html.Div(
        [
            dmc.TextInput(
                id=WHEN,
                label="When it was",
                value=visit.view.local(int(time.time() * 1000)).strftime("%Y-%m-%dT%H:%M"),
                inputProps={"type": "datetime-local"},
                className="field",
            ),
            dmc.Textarea(
                id=TEXT,
                label="What to remember",
                placeholder="For example: new lugs on the negative cable",
                autosize=True,
                minRows=2,
                className="field",
            ),
            html.Button("Write it down", id=SAVE, className="main-button", n_clicks=0),
            html.P(id=TOLD, role="status"),
            html.Data(id=PACK, value=str(visit.pack.id)),
        ],
        className="form",
    )
    return parts.section(
        "Notes", html.Ul(entries, className="notes") if entries else None, parts.folded("Write a note", form)
    )


def register(app: Dash, answers: Answers) -> None:
    """Wire the form and the buttons."""

    @app.callback(
        Output("changed", "data", allow_duplicate=True),
        Output(TOLD, "children"),
        Input(SAVE, "n_clicks"),
        State(WHEN, "value"),
        State(TEXT, "value"),
        State(PACK, "value"),
        prevent_initial_call=True,
    )
    def save(clicks: int | None, when: str | None, text: str | None, pack_id: str) -> tuple[Any, str]:
        if not clicks:
            raise PreventUpdate
        from dash import no_update

        pack = pack_numbered(answers, pack_id)
        words = (text or "").strip()[:LONGEST]
        ts_ms = moment_of(when, reader_view(pack.time_zone).zone)
        if not words or ts_ms is None:
            return no_update, "Say what to remember." if not words else "Say when it was, with day and time."
        answers.add_note(pack.id, ts_ms, words)
        return time.time(), ""

    @app.callback(
        Output("changed", "data", allow_duplicate=True),
        Input({"type": "note-delete", "note": ALL}, "n_clicks"),
        prevent_initial_call=True,
    )
    def take_away(_clicks: list[int | None]) -> float:
        note = pressed("note")
        answers.delete_note(note)
        return time.time()


def pressed(key: str) -> int:
    """Number in the id of the button that was really pressed; PreventUpdate where none was."""
    trigger = ctx.triggered_id
    if not trigger or not any(item["value"] for item in ctx.triggered):
        raise PreventUpdate
    return int(trigger[key])


def moment_of(text: str | None, zone: str) -> int | None:
    """UTC milliseconds of a wall-clock text in a zone; None where it is no time."""
    try:
        return ms_from_datetime(datetime.fromisoformat(text or "").replace(tzinfo=ZoneInfo(zone)))
    except ValueError:
        return None
