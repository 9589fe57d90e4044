"""At a glance: every question about one pack with its answer in a line, and what it has delivered."""

from __future__ import annotations

from typing import TYPE_CHECKING

from dash import dcc, html

from logbook.dashboard import parts
from logbook.dashboard.page import Page, Visit
from logbook.dashboard.pages.capacity import capacity_evidence
from logbook.dashboard.pages.frame import CONTENTS, no_readings, pack_page
from logbook.dashboard.view import UNKNOWN, lasting, number, spent
from logbook.dashboard.wording import (
    Answer,
    attention_answer,
    capacity_answer,
    cold_answer,
    coverage_sentence,
    days_logged,
    idle_answer,
    monitor_answer,
    plural,
    use_answer,
)

if TYPE_CHECKING:
    from dash.development.base_component import Component

    from logbook.dashboard.view import View
    from logbook.schema.health import Health

PATH = "/pack/<pack>"


def layout(visit: Visit) -> Component:
    """Capacity first, then the contents with an answer in each line."""
    health, pack = visit.health, visit.pack
    answer = capacity_answer(health)
    if health.readings.count == 0:
        return pack_page(visit, PATH, answer, no_readings(visit.pack), care=("frozen", "current"))
    return pack_page(
        visit,
        PATH,
        None,
        parts.answer_block(answer, parts.rule(pack.rated_ah, health.capacity.ah, health.capacity.at_least_ah)),
        html.P(dcc.Link("How this was measured", href=f"/pack/{pack.id}/capacity"), className="more"),
        questions(visit, health),
        capacity_evidence(health, visit),
        coverage_part(health, visit.view),
        care=("frozen", "dead", "current"),
    )


def questions(visit: Visit, health: Health) -> Component:
    """The contents, answered."""
    answers: dict[str, Answer] = {
        "/pack/<pack>/cold": cold_answer(health, visit.view),
        "/pack/<pack>/parked": idle_answer(health),
        "/pack/<pack>/use": use_answer(health),
        "/pack/<pack>/monitor": monitor_answer(health),
        "/pack/<pack>/attention": attention_answer(health),
        "/pack/<pack>/readings": readings_answer(health, visit.view),
    }
    lines = [
        html.Li(
            [
                html.H3(dcc.Link(words, href=path.replace("<pack>", str(visit.pack.id)))),
                html.Div(
                    [
                        parts.mark(answers[path].tone, answers[path].verdict),
                        html.P(answers[path].sentence),
                        html.P(what_is_missing(answers[path]), className="quiet"),
                    ]
                ),
            ],
            className=f"line tone-{answers[path].tone}",
        )
        for path, words in CONTENTS
        if path in answers
    ]
    return parts.section("The other questions", html.Ul(lines, className="lines"))


def what_is_missing(answer: Answer) -> str:
    """Why it cannot be told yet, where it cannot."""
    return answer.detail if answer.tone == "open" else ""


def readings_answer(health: Health, view: View) -> Answer:
    """Last of the contents: the readings themselves."""
    count = health.readings.count
    return Answer("open", f"{number(count)} {plural(count, 'reading')}", f"{days_logged(health.readings, view)}.")


def coverage_part(health: Health, view: View) -> Component:
    """How much of the time is known at all."""
    readings = health.readings
    return parts.section(
        "How much of the time is logged",
        html.P(coverage_sentence(readings, view)),
        parts.coverage_bar(readings),
        parts.facts(
            ("Logged", spent(readings.logged_hours)),
            ("Not logged", spent(readings.unlogged_hours)),
            ("Usual time between readings", UNKNOWN if readings.interval_s is None else lasting(readings.interval_s)),
        ),
    )


PAGE = Page("glance", PATH, "At a glance", layout)
