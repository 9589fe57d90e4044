"""Notes: what the owner writes down beside the readings, from any page of a pack."""

from __future__ import annotations

import time
from datetime import datetime
from typing import TYPE_CHECKING, Any
from zoneinfo import ZoneInfo

import dash_mantine_components as dmc
from dash import ALL, Input, Output, State, ctx, html, no_update, set_props
from dash.exceptions import PreventUpdate

from logbook.dashboard import parts
from logbook.dashboard.page import pack_numbered, reader_view
from logbook.units import ms_from_datetime

if TYPE_CHECKING:
    from dash import Dash
    from dash.development.base_component import Component

    from logbook.dashboard.answers import Answers
    from logbook.dashboard.page import Visit
    from logbook.dashboard.view import View

LONGEST = 2000
WHEN, TEXT, SAVE, TOLD, PACK = "note-when", "note-text", "note-save", "note-told", "note-pack"


def notes_part(visit: Visit) -> Component:
    """The notes of the pack, each with a way to its readings, and a place to write one."""
    entries = [
        html.Li(
            [
                html.Div(
                    [
                        parts.readings_link(
                            visit.pack.id, visit.view, note.ts_ms, note.ts_ms, visit.view.moment(note.ts_ms)
                        ),
                        html.P(note.text),
                    ]
                ),
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
    form = note_form(visit.view, html.Data(id=PACK, value=str(visit.pack.id)))
    return parts.section(
        "Notes", html.Ul(entries, className="notes") if entries else None, parts.folded("Write a note", form)
    )


def note_anywhere(visit: Visit) -> Component | None:
    """A place to write a note on a page that is about no one pack; no answer is worked out for it."""
    packs = list(visit.answers.packs())
    if not packs:
        return None
    last = {row.pack_id: row.last_ms or 0 for row in sorted(visit.answers.imports(), key=lambda row: row.last_ms or 0)}
    newest = max(packs, key=lambda pack: (last.get(pack.id, 0), pack.id))
    choose = dmc.Select(
        id=PACK,
        label="About",
        data=[{"value": str(pack.id), "label": pack.name} for pack in packs],
        value=str(newest.id),
        allowDeselect=False,
        className="field",
    )
    return parts.section("Notes", parts.folded("Write a note", note_form(reader_view(newest.time_zone), choose)))


def note_form(view: View, which: Component) -> Component:
    """When, what, and the pack it is about."""
    return html.Div(
        [
            which,
            dmc.TextInput(
                id=WHEN,
                label="When it was",
                value=view.local(int(time.time() * 1000)).strftime("%Y-%m-%dT%H:%M"),
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
        ],
        className="form",
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
        pack = pack_numbered(answers, pack_id)
        words = (text or "").strip()[:LONGEST]
        ts_ms = moment_of(when, reader_view(pack.time_zone).zone)
        if not words or ts_ms is None:
            return no_update, "Say what to remember." if not words else "Say when it was, with day and time."
        answers.add_note(pack.id, ts_ms, words)
        set_props("done", {"children": f"Written down for {pack.name}."})
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
