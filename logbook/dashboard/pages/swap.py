"""Swap: another pack took this one's place; from then on a monitor's files are shared out between the two."""

from __future__ import annotations

import time
from typing import TYPE_CHECKING, Any

import dash_mantine_components as dmc
from dash import Input, Output, State, dcc, html, no_update, set_props
from dash.exceptions import PreventUpdate

from logbook.dashboard import parts
from logbook.dashboard.page import pack_numbered, reader_view
from logbook.dashboard.pages.notes import moment_of
from logbook.dashboard.plain import page_words
from logbook.errors import LogbookError

if TYPE_CHECKING:
    from dash import Dash
    from dash.development.base_component import Component

    from logbook.dashboard.answers import Answers
    from logbook.dashboard.page import Visit

OTHER, WHEN, SAVE, TOLD, PACK = "swap-other", "swap-when", "swap-save", "swap-told", "swap-pack"


def swap_part(visit: Visit) -> Component:
    """A small form, and the imports that hold readings of the other pack's time."""
    pack, view = visit.pack, visit.view
    others = [other for other in visit.answers.packs() if other.id != pack.id]
    if not others:
        way = html.P(["Add the new pack first, under ", dcc.Link("Bring in", href="/imports"), "."])
        return parts.section("Was it swapped for another?", way)
    form = html.Div(
        [
            dmc.Select(
                id=OTHER,
                label="The pack that took its place",
                data=[{"value": str(other.id), "label": other.name} for other in others],
                className="field",
            ),
            dmc.TextInput(
                id=WHEN,
                label="When",
                value=view.local(int(time.time() * 1000)).strftime("%Y-%m-%dT%H:%M"),
                inputProps={"type": "datetime-local"},
                className="field",
            ),
            html.Button("Write the swap down", id=SAVE, className="main-button", n_clicks=0),
            html.P(id=TOLD, role="alert", className="told"),
            html.Data(id=PACK, value=str(pack.id)),
        ],
        className="form",
    )
    beyond = visit.answers.imports_beyond(pack)
    return parts.section(
        "Was it swapped for another?",
        parts.folded("Write a swap down", form),
        html.P("These imports hold readings of the other pack's time. Undo them and bring their files in again:")
        if beyond
        else None,
        html.Ul([html.Li(dcc.Link(row.file_name, href=f"/imports/{row.id}")) for row in beyond]) if beyond else None,
        lead="A file that spans the swap is then shared out: each pack takes its own time.",
    )


def register(app: Dash, answers: Answers) -> None:
    """Wire the form."""

    @app.callback(
        Output("changed", "data", allow_duplicate=True),
        Output(TOLD, "children"),
        Input(SAVE, "n_clicks"),
        State(OTHER, "value"),
        State(WHEN, "value"),
        State(PACK, "value"),
        prevent_initial_call=True,
    )
    def save(clicks: int | None, other_id: str | None, when: str | None, pack_id: str) -> tuple[Any, str]:
        if not clicks:
            raise PreventUpdate
        pack = pack_numbered(answers, pack_id)
        at_ms = moment_of(when, reader_view(pack.time_zone).zone)
        if not other_id or at_ms is None:
            return no_update, "Choose the other pack." if not other_id else "Say when it was, with day and time."
        other = pack_numbered(answers, other_id)
        try:
            answers.swap_packs(pack, other, at_ms)
        except LogbookError as error:
            return no_update, page_words(f"{error.what} {error.mend}")
        set_props("done", {"children": f"Written down in the notes of {pack.name} and {other.name}."})
        return time.time(), ""
