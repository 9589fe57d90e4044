"""Overview: the packs of this logbook, and how each one is."""

from __future__ import annotations

from typing import TYPE_CHECKING

from dash import dcc, html

from logbook.dashboard import parts
from logbook.dashboard.page import Page, Visit, reader_view
from logbook.dashboard.pages.frame import describe, import_command
from logbook.dashboard.wording import Answer, capacity_answer, coverage_sentence, plural

if TYPE_CHECKING:
    from dash.development.base_component import Component

    from logbook.dashboard.view import View
    from logbook.schema.health import Health
    from logbook.schema.pack import Pack


def layout(visit: Visit) -> Component:
    """List the packs, the one that was read last first; without any, say how to begin."""
    packs = [(pack, visit.answers.health(pack)) for pack in visit.answers.packs()]
    if not packs:
        return empty()
    packs.sort(key=lambda pair: pair[1].readings.last_ms or 0, reverse=True)
    count = f"{len(packs)} {plural(len(packs), 'pack')} in this logbook"
    entries = [entry(pack, health, reader_view(pack.time_zone)) for pack, health in packs]
    return html.Div(
        [
            html.H1("Packs"),
            html.P(count, className="lead"),
            html.Ol(entries, className="ledger"),
            how_to_import(packs[0][0]),
        ],
        className="sheet",
    )


def entry(pack: Pack, health: Health, view: View) -> Component:
    """One line of the ledger: name, answer, rule, and what asks for attention."""
    answer = capacity_answer(health)
    name = dcc.Link(pack.name, href=f"/pack/{pack.id}", className="entry-name")
    return html.Li(
        [
            html.Div(
                [html.H2(name), html.P(describe(pack), className="quiet"), parts.mark(answer.tone, answer.verdict)]
            ),
            html.Div(
                [
                    html.P(answer.sentence, className="entry-sentence"),
                    parts.rule(pack.rated_ah, health.capacity.ah, health.capacity.at_least_ah),
                    html.P(attention(health), className="entry-attention"),
                    html.P(coverage_sentence(health.readings, view), className="quiet"),
                ]
            ),
        ],
        className=f"entry tone-{answer.tone}",
    )


def attention(health: Health) -> str:
    """How much asks for attention."""
    open_flags = [flag for flag in health.flags if not flag.acknowledged and flag.severity != "info"]
    if not open_flags:
        return ""
    first = next((flag for flag in open_flags if flag.severity == "act"), open_flags[0])
    others = len(open_flags) - 1
    return f"{first.message} And {others} more to look at." if others else first.message


def empty() -> Component:
    """What the very first visit sees."""
    answer = Answer(
        "open",
        "An empty logbook",
        "No pack is in this logbook yet.",
        "Name your pack once, then give it the files your monitor exports after each trip.",
    )
    steps = html.Ol(
        [
            html.Li(
                [
                    html.P(
                        [
                            "Add the pack, with its rated amp-hours and its cells in series: ",
                            dcc.Link("here in the browser", href="/imports"),
                            " or in a terminal.",
                        ]
                    ),
                    parts.command('logbook pack add "House" --rated-ah 100 --cells 4'),
                ]
            ),
            html.Li(
                [
                    html.P(
                        [
                            "Take in a file of readings, ",
                            dcc.Link("here in the browser", href="/imports"),
                            " or in a terminal.",
                        ]
                    ),
                    parts.command(import_command("House")),
                ]
            ),
            html.Li([html.P("Or look around first, with an invented camper van."), parts.command("logbook demo")]),
        ],
        className="steps",
    )
    begin = html.P(dcc.Link("Name your pack", href="/imports", className="main-button"))
    return html.Div(
        [
            html.H1("Packs"),
            parts.answer_block(answer, begin),
            parts.section("How to begin", steps),
            parts.cautions("frozen", "current"),
        ],
        className="sheet",
    )


def how_to_import(pack: Pack) -> Component:
    """How the next trip gets in."""
    return parts.section(
        "After the next trip",
        html.P([dcc.Link("Bring in the file", href="/imports"), " your monitor exports, or in a terminal:"]),
        parts.command(import_command(pack.name)),
    )


PAGE = Page("overview", "/", "Packs", layout)
