"""Attention: what the owner should look at, gravest first, and what has been seen."""

from __future__ import annotations

import time
from typing import TYPE_CHECKING

from dash import ALL, Input, Output, State, ctx, html
from dash.exceptions import PreventUpdate

from logbook.dashboard import parts
from logbook.dashboard.page import Page, Visit, pack_numbered
from logbook.dashboard.pages.frame import no_readings, pack_page
from logbook.dashboard.wording import attention_answer

if TYPE_CHECKING:
    from dash import Dash
    from dash.development.base_component import Component

    from logbook.dashboard.answers import Answers
    from logbook.dashboard.view import View
    from logbook.schema.health import Flag

PATH = "/pack/<pack>/attention"
FLAG_ORDER = {"act": 0, "look": 1, "info": 2}
FLAG_TONES = {"act": ("act", "Act"), "look": ("look", "Look"), "info": ("open", "For information")}


def layout(visit: Visit) -> Component:
    """Answer, open flags, seen flags."""
    health = visit.health
    answer = attention_answer(health)
    if health.readings.count == 0:
        return pack_page(visit, PATH, answer, no_readings(visit.pack), care=("frozen", "dead", "current"))
    flags = sorted(health.flags, key=lambda flag: FLAG_ORDER.get(flag.severity, 3))
    waiting = [flag for flag in flags if not flag.acknowledged]
    seen = [flag for flag in flags if flag.acknowledged]
    return pack_page(
        visit,
        PATH,
        answer,
        html.Ul([entry(flag, visit) for flag in waiting], className="flags") if waiting else None,
        parts.section("Already seen", html.Ul([entry(flag, visit) for flag in seen], className="flags"))
        if seen
        else None,
        parts.rests_on(health.readings, visit.view),
        html.Data(id="attention-pack", value=str(visit.pack.id)),
        care=("frozen", "dead", "current"),
    )


def entry(flag: Flag, visit: Visit) -> Component:
    """One flag: what, when, what to do, and a button to put it aside."""
    tone, word = FLAG_TONES.get(flag.severity, FLAG_TONES["info"])
    button = html.Button(
        "Bring back" if flag.acknowledged else "I have seen it",
        id={"type": "flag-seen", "code": flag.code, "seen": int(not flag.acknowledged)},
        className="plain-button small",
        n_clicks=0,
        **parts.named(f"{'Bring back' if flag.acknowledged else 'I have seen it'}: {flag.message}"),
    )
    return html.Li(
        [
            html.P([parts.mark(tone, word), html.Span(days(flag, visit.view), className="quiet")]),
            html.P(flag.message, className="flag-message"),
            html.P(flag.advice),
            html.Div([closer(flag, visit), button], className="row"),
        ],
        className=f"flag tone-{tone}",
    )


def days(flag: Flag, view: View) -> str:
    """The day of a flag, or its first and last; nothing where it has none."""
    if flag.start_ms is None:
        return ""
    first, last = view.day(flag.start_ms), view.day(flag.start_ms if flag.end_ms is None else flag.end_ms)
    return first if first == last else f"{first} to {last}"


def closer(flag: Flag, visit: Visit) -> Component | None:
    """Way to the readings of a flag that has a time."""
    if flag.start_ms is None:
        return None
    end_ms = flag.start_ms if flag.end_ms is None else flag.end_ms
    return parts.readings_link(visit.pack.id, visit.view, flag.start_ms, end_ms, "See its readings")


def register(app: Dash, answers: Answers) -> None:
    """Wire the buttons."""

    @app.callback(
        Output("changed", "data", allow_duplicate=True),
        Input({"type": "flag-seen", "code": ALL, "seen": ALL}, "n_clicks"),
        State("attention-pack", "value"),
        prevent_initial_call=True,
    )
    def put_aside(_clicks: list[int | None], pack_id: str) -> float:
        trigger = ctx.triggered_id
        if not trigger or not any(item["value"] for item in ctx.triggered):
            raise PreventUpdate
        answers.acknowledge(pack_numbered(answers, pack_id).id, str(trigger["code"]), seen=bool(trigger["seen"]))
        return time.time()


PAGE = Page("attention", PATH, "What needs my attention?", layout, register)
