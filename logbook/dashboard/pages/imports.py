"""Imports: bring files in, see them on their way, answer what they leave open, and look back at what came."""

from __future__ import annotations

import time
from contextlib import suppress
from typing import TYPE_CHECKING, Any

import dash_mantine_components as dmc
from dash import ALL, Input, Output, Patch, State, ctx, dcc, html, no_update
from dash.exceptions import PreventUpdate

from logbook.dashboard import parts
from logbook.dashboard.columns import mapping_of
from logbook.dashboard.page import Page, Visit, in_browser, reader_view
from logbook.dashboard.pages.details import PROPERTIES, pack_changes, pack_fields, pack_trouble, told
from logbook.dashboard.pages.job import job_entry
from logbook.dashboard.pages.listed import Listed, listed
from logbook.errors import BadData, LogbookError, UnknownName

if TYPE_CHECKING:
    from collections.abc import Collection

    from dash import Dash
    from dash.development.base_component import Component

    from logbook.dashboard.answers import Answers
    from logbook.dashboard.intake import Intake
    from logbook.dashboard.view import View

JOBS, HISTORY, TICK, PACK, SLOT, SENDING, SEEN, OPENED = (
    "import-jobs",
    "import-history",
    "import-tick",
    "import-pack",
    "file-slot",
    "import-sending",
    "import-seen",
    "import-opened",
)
NEWEST, MOST_SHOWN = 6, 200
"""So many imports are shown at once, and so many at all: the page stays small in a long logbook."""
FAILED = "failed"
"""State of the files that were not taken in, and the name of them all."""
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
            dcc.Store(id=SEEN),
            dcc.Store(id=OPENED, data=visit.query.get("job", "")),
            dcc.Interval(id=TICK, interval=700, disabled=False),
            html.Div(history(visit.answers), id=HISTORY),
            parts.section("Another pack", parts.folded("Add a pack", new_pack_form(visit))),
        ],
        className="sheet",
    )


def history(answers: Answers) -> Component:
    """Imports, newest first, each on the clock of its pack, as its receipt is."""
    packs = {pack.id: pack for pack in answers.packs()}
    brought = sorted((row for row in answers.imports() if row.pack_id in packs), key=lambda row: -row.id)
    rows = [
        [
            view.moment(row.imported_ms),
            dcc.Link(row.file_name, href=f"/imports/{row.id}", className="name"),
            html.Span(packs[row.pack_id].name, className="name"),
            span_words(row.first_ms, row.last_ms, view),
        ]
        for row in brought[:MOST_SHOWN]
        for view in [reader_view(packs[row.pack_id].time_zone)]
    ]
    if not rows:
        return parts.section("What came in before", html.P("Nothing yet."))
    heads = ("Came in", "File", "Pack", "Readings of")
    newest, older, more = rows[:NEWEST], rows[NEWEST:], len(brought) - len(rows)
    return parts.section(
        "What came in before",
        parts.table("Imports, newest first", heads, newest),
        parts.folded(f"The {len(older)} before them", parts.table("Older imports", heads, older)) if older else None,
        html.P(f"And {more} older ones.", className="quiet") if more else None,
    )


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
        Output(JOBS, "children"),
        Output(HISTORY, "children"),
        Output(TICK, "disabled"),
        Output(SEEN, "data"),
        Input(TICK, "n_intervals"),
        State(SEEN, "data"),
        State(OPENED, "data"),
    )
    def look(_ticks: int | None, seen: list[list[str]] | None, opened: str | None) -> tuple[Any, Any, bool, Any]:
        intake.wake()
        jobs = intake.jobs()
        ids = {row.id for row in answers.imports()}
        chosen = listed(jobs, opened or "")
        signs = chosen.signs(ids)
        active = any(job.active for job in jobs)
        past = no_update if active else history(answers)
        return entries(chosen, answers, ids, signs, seen), past, not active, signs

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
    register_replies(app, intake)
    in_browser(app, "mappingSlots", Output(JOBS, "title"), Input(SEEN, "data"))
    in_browser(app, "packChosen", Output(SENDING, "title"), Input(PACK, "value"))


def register_replies(app: Dash, intake: Intake) -> None:
    """Wire what the owner says about a file that waits for it."""

    @app.callback(
        Output(TICK, "disabled", allow_duplicate=True),
        Output(TICK, "n_intervals", allow_duplicate=True),
        Input({"type": "job-answer", "job": ALL, "choice": ALL}, "n_clicks"),
        Input({"type": "job-try", "job": ALL}, "n_clicks"),
        State({"type": "job-text", "job": ALL}, "value"),
        State({"type": "job-text", "job": ALL}, "id"),
        prevent_initial_call=True,
    )
    def reply(_clicks: Any, _tries: Any, texts: list[str | None], ids: list[dict[str, str]]) -> tuple[bool, int]:
        trigger = pressed()
        typed = {entry["job"]: text or "" for entry, text in zip(ids, texts, strict=True)}
        words = str(trigger.get("choice") or typed.get(trigger["job"], "")).strip()
        if not words:
            raise BadData("Write an answer first.")
        if trigger["type"] == "job-try":
            intake.try_out(trigger["job"], words)
        else:
            intake.reply(trigger["job"], words)
        return False, 0

    @app.callback(
        Output(TICK, "disabled", allow_duplicate=True),
        Output(TICK, "n_intervals", allow_duplicate=True),
        Input({"type": "job-columns", "job": ALL, "delimiter": ALL}, "n_clicks"),
        State({"type": "job-column", "job": ALL, "place": ALL}, "value"),
        State({"type": "job-column", "job": ALL, "place": ALL}, "id"),
        prevent_initial_call=True,
    )
    def describe(_clicks: Any, values: list[str | None], ids: list[dict[str, Any]]) -> tuple[bool, int]:
        trigger = pressed()
        chosen = {
            int(entry["place"]): value or ""
            for entry, value in zip(ids, values, strict=True)
            if entry["job"] == trigger["job"]
        }
        intake.describe(trigger["job"], mapping_of(str(trigger["delimiter"]), chosen))
        return False, 0

    @app.callback(
        Output(TICK, "n_intervals", allow_duplicate=True),
        Input({"type": "job-aside", "job": ALL}, "n_clicks"),
        prevent_initial_call=True,
    )
    def put_aside(_clicks: list[int | None]) -> int:
        which = pressed()["job"]
        if which != FAILED:
            intake.put_aside(which)
        for job in intake.jobs() if which == FAILED else ():
            if job.state == FAILED:
                with suppress(UnknownName):  # another page was quicker
                    intake.put_aside(job.id)
        return int(time.time())


def entries(
    chosen: Listed, answers: Answers, ids: Collection[int], signs: list[list[str]], seen: list[list[str]] | None
) -> Any:
    """What is under way; where the same files were shown before, only what changed, so that typing is not disturbed."""

    def entry(place: int) -> Component:
        if place == len(chosen.jobs):
            return rest_of(chosen)
        job = chosen.jobs[place]
        return job_entry(job, answers, ids, full=job.id in chosen.full)

    if seen is None or [name for name, _ in seen] != [name for name, _ in signs]:
        return [entry(place) for place in range(len(signs))]
    changed = [place for place, sign in enumerate(signs) if sign != seen[place]]
    if not changed:
        return no_update
    patch = Patch()
    for place in changed:
        patch[place] = entry(place)
    return patch


def rest_of(chosen: Listed) -> Component:
    """The files that are only counted, with a way to clear what was not taken in, all at once."""
    words = f"Clear all {chosen.failed} that were not taken in"
    button = html.Button(words, id={"type": "job-aside", "job": FAILED}, className="plain-button small", n_clicks=0)
    return html.Div([html.P(chosen.rest, className="quiet"), button if chosen.failed else None], className="rest")


def pressed() -> dict[str, Any]:
    """Id of the button that was really pressed; PreventUpdate where none was."""
    trigger = ctx.triggered_id
    if not trigger or not any(item["value"] for item in ctx.triggered):
        raise PreventUpdate
    return dict(trigger)


PAGE = Page("imports", "/imports", "Bring in readings", layout)
