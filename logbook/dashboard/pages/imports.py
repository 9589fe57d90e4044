"""Imports: bring files in, see them on their way, answer what they leave open, and look back at what came."""

from __future__ import annotations

import time
from typing import TYPE_CHECKING, Any

import dash_mantine_components as dmc
from dash import ALL, Input, Output, State, ctx, dcc, html, no_update
from dash.exceptions import PreventUpdate

from logbook.dashboard import parts
from logbook.dashboard.page import Page, Visit, first_zone, in_browser, reader_view
from logbook.dashboard.pages.details import PROPERTIES, pack_changes, pack_fields, pack_trouble, told
from logbook.dashboard.pages.job import job_entry
from logbook.errors import LogbookError

if TYPE_CHECKING:
    from dash import Dash
    from dash.development.base_component import Component

    from logbook.dashboard.answers import Answers
    from logbook.dashboard.intake import Intake
    from logbook.dashboard.view import View

JOBS, HISTORY, TICK, PACK, SLOT, SENDING = (
    "import-jobs",
    "import-history",
    "import-tick",
    "import-pack",
    "file-slot",
    "import-sending",
)
NEW_ADD, NEW_TOLD = "new-add", "new-told"


def layout(visit: Visit) -> Component:
    """A place for files first, then what is under way, then what came before."""
    packs = list(visit.answers.packs())
    head = [
        html.H1("Bring in readings"),
        html.P("CSV as your monitor exports it, also as .gz or .zip.", className="lead"),
    ]
    if not packs:
        return html.Div(
            [*head, parts.section("First, name the pack", new_pack_form(visit, opened=True))], className="sheet"
        )
    chosen = visit.query.get("pack", "")
    value = chosen if any(str(pack.id) == chosen for pack in packs) else str(packs[-1].id)
    return html.Div(
        [
            *head,
            html.Section(
                [
                    dmc.Select(
                        id=PACK,
                        label="They are of",
                        data=[{"value": str(pack.id), "label": pack.name} for pack in packs],
                        value=value,
                        allowDeselect=False,
                        className="field",
                    ),
                    html.Label(
                        [
                            html.Span("Choose files", className="drop-act"),
                            html.Span("or drop them here. Several at once are fine.", className="drop-or"),
                            html.Span(id=SLOT),
                        ],
                        className="drop",
                    ),
                    html.P(id=SENDING, role="status", className="sending"),
                ],
                **parts.named("Choose files"),
            ),
            html.Section(id=JOBS, **parts.named("Under way")),
            dcc.Interval(id=TICK, interval=700, disabled=False),
            html.Div(history(visit.answers, visit.view), id=HISTORY),
            parts.section("Another pack", parts.folded("Add a pack", new_pack_form(visit))),
        ],
        className="sheet",
    )


def history(answers: Answers, view: View) -> Component:
    """Imports, newest first."""
    names = {pack.id: pack.name for pack in answers.packs()}
    rows = [
        [
            view.moment(row.imported_ms),
            dcc.Link(row.file_name, href=f"/imports/{row.id}"),
            names.get(row.pack_id, ""),
            span_words(row.first_ms, row.last_ms, view),
        ]
        for row in sorted(answers.imports(), key=lambda row: -row.id)
    ]
    if not rows:
        return parts.section("What came in before", html.P("Nothing yet."))
    table = parts.table("Imports, newest first", ("Came in", "File", "Pack", "Readings of"), rows)
    return parts.section("What came in before", table)


def span_words(first_ms: int | None, last_ms: int | None, view: View) -> str:
    """First to last day."""
    if first_ms is None or last_ms is None:
        return "no readings"
    first, last = view.day(first_ms), view.day(last_ms)
    return first if first == last else f"{first} to {last}"


def new_pack_form(visit: Visit, *, opened: bool = False) -> Component:
    """Name, rating and cells; everything else has a default with a reason."""
    return html.Div(
        [
            *pack_fields("new", None, visit.view.zone),
            html.Button("Add this pack", id=NEW_ADD, className="main-button", n_clicks=0),
            html.P(id=NEW_TOLD, role="status", className="told"),
        ],
        className="form",
        **(parts.flagged("data-zone-guess") if opened else {}),
    )


def register(app: Dash, answers: Answers, intake: Intake) -> None:
    """Wire the jobs, the answers to their questions, and new packs."""

    @app.callback(
        Output(JOBS, "children"), Output(HISTORY, "children"), Output(TICK, "disabled"), Input(TICK, "n_intervals")
    )
    def look(_ticks: int | None) -> tuple[list[Component], Any, bool]:
        jobs = intake.jobs()
        active = any(job.active for job in jobs)
        past = no_update if active else history(answers, reader_view(first_zone(answers)))
        return [job_entry(job, answers) for job in jobs], past, not active

    @app.callback(
        Output(TICK, "disabled", allow_duplicate=True),
        Output(TICK, "n_intervals", allow_duplicate=True),
        Input({"type": "job-answer", "job": ALL, "choice": ALL}, "n_clicks"),
        State({"type": "job-text", "job": ALL}, "value"),
        State({"type": "job-text", "job": ALL}, "id"),
        prevent_initial_call=True,
    )
    def reply(_clicks: list[int | None], texts: list[str | None], ids: list[dict[str, str]]) -> tuple[bool, int]:
        trigger = pressed()
        typed = {entry["job"]: text or "" for entry, text in zip(ids, texts, strict=True)}
        words = str(trigger["choice"] or typed.get(trigger["job"], ""))
        if words:
            intake.reply(str(trigger["job"]), words)
        return False, 0

    @app.callback(
        Output(TICK, "n_intervals", allow_duplicate=True),
        Input({"type": "job-aside", "job": ALL}, "n_clicks"),
        prevent_initial_call=True,
    )
    def put_aside(_clicks: list[int | None]) -> int:
        intake.put_aside(str(pressed()["job"]))
        return 0

    @app.callback(
        Output("changed", "data", allow_duplicate=True),
        Output(NEW_TOLD, "children"),
        Input(NEW_ADD, "n_clicks"),
        *(State(f"new-{name}", "value") for name in PROPERTIES),
        prevent_initial_call=True,
    )
    def add(clicks: int | None, *given: Any) -> tuple[Any, str]:
        if not clicks:
            raise PreventUpdate
        fields = dict(zip(PROPERTIES, given, strict=True))
        trouble = pack_trouble(**fields)
        if trouble:
            return no_update, trouble
        try:
            answers.add_pack(**pack_changes(**fields))
        except LogbookError as error:
            return no_update, told(error)
        return time.time(), ""

    in_browser(app, "fileSlot", Output(SLOT, "title"), Input(SLOT, "id"), State(PACK, "value"))
    in_browser(app, "packChosen", Output(SENDING, "title"), Input(PACK, "value"))


def pressed() -> dict[str, Any]:
    """Id of the button that was really pressed; PreventUpdate where none was."""
    trigger = ctx.triggered_id
    if not trigger or not any(item["value"] for item in ctx.triggered):
        raise PreventUpdate
    return dict(trigger)


PAGE = Page("imports", "/imports", "Bring in readings", layout)
