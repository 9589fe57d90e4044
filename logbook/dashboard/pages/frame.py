"""Frame of a pack's pages: contents beside the sheet, heading, answer, then evidence and data, notes and cautions."""

from __future__ import annotations

import shlex
from typing import TYPE_CHECKING, Any

from dash import dcc, html

from logbook.dashboard import parts
from logbook.dashboard.pages import notes
from logbook.dashboard.view import rated
from logbook.dashboard.wording import plural
from logbook.schema.pack import chemistry

if TYPE_CHECKING:
    from dash.development.base_component import Component

    from logbook.dashboard.page import Visit
    from logbook.dashboard.wording import Answer
    from logbook.schema.pack import Pack

CONTENTS = (
    ("/pack/<pack>", "At a glance"),
    ("/pack/<pack>/capacity", "Does it still deliver?"),
    ("/pack/<pack>/cold", "Was it charged frozen?"),
    ("/pack/<pack>/parked", "What drains it parked?"),
    ("/pack/<pack>/use", "How is it used and worn?"),
    ("/pack/<pack>/monitor", "Can I believe the monitor?"),
    ("/pack/<pack>/attention", "What needs my attention?"),
    ("/pack/<pack>/readings", "What happened when?"),
    ("/pack/<pack>/details", "Its rating and limits"),
)
"""The questions about a pack, in the order of a first reading."""


def pack_page(visit: Visit, path: str, answer: Answer | None, *content: Any, care: tuple[str, ...] = ()) -> Component:
    """One question about a pack, answered."""
    pack = visit.pack
    question = dict(CONTENTS)[path]
    head = [html.P(dcc.Link(pack.name, href=f"/pack/{pack.id}"), className="over"), html.H1(question)]
    if path == CONTENTS[0][0]:
        details: list[Any] = [
            f"{describe(pack)}. ",
            dcc.Link("Change", href=f"/pack/{pack.id}/details", title="Its rating and limits"),
        ]
        head = [html.H1(pack.name), html.P(details, className="quiet")]
    sheet = [
        html.Header(head, className="page-head"),
        None if answer is None else parts.answer_block(answer),
        *content,
        notes.notes_part(visit),
        parts.cautions(*care),
        html.P(
            [
                "Times are shown in ",
                html.Strong(visit.view.zone),
                f", temperatures in {visit.view.temperature_unit}. ",
                dcc.Link("Change", href="/settings"),
            ],
            className="quiet",
        ),
    ]
    links = contents(pack.id, path)
    return html.Div(
        [
            html.Nav(html.Ul(links), className="contents contents-wide", **parts.named(f"Questions about {pack.name}")),
            html.Div(
                [
                    html.Details(
                        [
                            html.Summary("Questions"),
                            html.Nav(html.Ul(contents(pack.id, path)), **parts.named("Questions")),
                        ],
                        className="contents contents-narrow",
                    ),
                    *sheet,
                ],
                className="sheet",
            ),
        ],
        className="with-contents",
    )


def contents(pack_id: int, path: str) -> list[Component]:
    """Links to the questions, the present one marked."""
    return [
        html.Li(
            dcc.Link(
                words,
                href=address.replace("<pack>", str(pack_id)),
                className="here" if address == path else "",
            )
        )
        for address, words in CONTENTS
    ]


def describe(pack: Pack) -> str:
    """Chemistry, cells and rating."""
    label = chemistry(pack.chemistry).label
    cells = f"{pack.cells_in_series} {plural(pack.cells_in_series, 'cell')} in series"
    return f"{label}, {cells}, {rated(pack.rated_ah)}"


def no_readings(pack: Pack) -> Component:
    """A pack without readings says how to get them."""
    return parts.section(
        "Take in its readings",
        html.P(
            [
                "Export the log of your monitor as CSV and ",
                dcc.Link("bring it in here", href="/imports"),
                ", or in a terminal:",
            ]
        ),
        parts.command(import_command(pack.name)),
    )


def import_command(pack_name: str) -> str:
    """The command that takes a file in for the pack of that name."""
    quoted = shlex.quote(pack_name) if set(pack_name) & set('"$`\\') else f'"{pack_name}"'
    return f"logbook import trip.csv --pack {quoted}"
