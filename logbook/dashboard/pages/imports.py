"""Imports: bring files in, see them on their way, answer what they leave open, and look back at what came."""

from __future__ import annotations

import time
from typing import TYPE_CHECKING, Any

import dash_mantine_components as dmc
from dash import ALL, Input, Output, State, ctx, dcc, html, no_update
from dash.exceptions import PreventUpdate

from logbook.dashboard import parts
from logbook.dashboard.page import Page, Visit, first_zone, in_browser, reader_view
from logbook.dashboard.pages.job import job_entry
from logbook.dashboard.view import known_zone
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
NEW_NAME, NEW_AH, NEW_CELLS, NEW_ZONE, NEW_ADD, NEW_TOLD = (
    "new-name",
    "new-ah",
    "new-cells",
    "new-zone",
    "new-add",
    "new-told",
)


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
            dmc.TextInput(id=NEW_NAME, label="Name", placeholder="House", className="field"),
            dmc.NumberInput(
                id=NEW_AH,
                label="Rated amp-hours, from its label",
                value=100,
                min=0.1,
                hideControls=True,
                className="field",
            ),
            dmc.NumberInput(
                id=NEW_CELLS,
                label="Cells in series (4 make 12 V)",
                value=4,
                min=1,
                max=16,
                allowDecimal=False,
                hideControls=True,
                className="field",
            ),
            dmc.TextInput(
                id=NEW_ZONE,
                label="Time zone you read clocks in",
                description="For example Europe/Berlin",
                value=visit.view.zone,
                className="field",
            ),
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
        State(NEW_NAME, "value"),
        State(NEW_AH, "value"),
        State(NEW_CELLS, "value"),
        State(NEW_ZONE, "value"),
        prevent_initial_call=True,
    )
    def add(clicks: int | None, name: Any, rated_ah: Any, cells: Any, zone: Any) -> tuple[Any, str]:
        if not clicks:
            raise PreventUpdate
        trouble = pack_trouble(name, rated_ah, cells, zone)
        if trouble:
            return no_update, trouble
        try:
            answers.add_pack(
                name=name.strip(), rated_ah=float(rated_ah), cells_in_series=int(cells), time_zone=zone.strip()
            )
        except LogbookError as error:
            return no_update, f"{error.what} {error.mend}"
        return time.time(), ""

    in_browser(app, "fileSlot", Output(SLOT, "title"), Input(SLOT, "id"), State(PACK, "value"))
    in_browser(app, "packChosen", Output(SENDING, "title"), Input(PACK, "value"))


def pack_trouble(name: Any, rated_ah: Any, cells: Any, zone: Any) -> str:
    """What is missing of a new pack; empty where nothing is."""
    if not isinstance(name, str) or not name.strip():
        return "Give the pack a name."
    if not isinstance(rated_ah, (int, float)) or not 0 < rated_ah <= 10_000:
        return "Give its rated amp-hours as a number above 0."
    if not isinstance(cells, int) or not 1 <= cells <= 16:
        return "Give its cells in series as a whole number from 1 to 16."
    if not isinstance(zone, str) or not known_zone(zone.strip()):
        return "Give a time zone such as Europe/Berlin."
    return ""


def pressed() -> dict[str, Any]:
    """Id of the button that was really pressed; PreventUpdate where none was."""
    trigger = ctx.triggered_id
    if not trigger or not any(item["value"] for item in ctx.triggered):
        raise PreventUpdate
    return dict(trigger)


PAGE = Page("imports", "/imports", "Bring in readings", layout)
