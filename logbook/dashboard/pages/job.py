"""Job: one file on its way in, as the imports page shows it: waiting, asking, done or failed."""

from __future__ import annotations

from typing import TYPE_CHECKING, Any

import dash_mantine_components as dmc
from dash import dcc, html

from logbook.dashboard import parts
from logbook.dashboard.page import first_zone, reader_view
from logbook.dashboard.view import number, quantity

if TYPE_CHECKING:
    from dash.development.base_component import Component

    from logbook.dashboard.answers import Answers
    from logbook.dashboard.intake import Job
    from logbook.dashboard.view import View

CHOICE_WORDS = {
    "charge": "Positive is charging",
    "discharge": "Positive is discharging",
    "day-first": "Day first",
    "month-first": "Month first",
}
FREE_HINTS = {"time_zone": "Europe/Berlin", "start": "2024-03-05 14:30:00"}


def job_entry(job: Job, answers: Answers) -> Component:
    """One file on its way: what it does, asks, brought or lacks."""
    view = reader_view(first_zone(answers))
    body: dict[str, Any] = {
        "waiting": lambda: [parts.mark("open", "Waiting")],
        "running": lambda: [
            parts.mark("open", f"Reading, {number(100 * job.progress)} %"),
            html.Div(html.Span(style={"width": f"{100 * job.progress:.0f}%"}), className="coverage progress"),
        ],
        "asking": lambda: asking(job, view),
        "done": lambda: done(job),
        "failed": lambda: failed(job),
    }
    tone = {"asking": "look", "failed": "act", "done": "good"}.get(job.state, "open")
    return html.Article([html.H2(job.file_name), *body[job.state]()], className=f"job tone-{tone}")


def asking(job: Job, view: View) -> list[Component]:
    """The question, its evidence, and what the file would say under each answer."""
    question = job.question or {}
    previews = {item["choice"]: item for item in job.previews}
    choices = [
        html.Div(
            [
                html.Button(
                    CHOICE_WORDS.get(choice, choice),
                    id={"type": "job-answer", "job": job.id, "choice": choice},
                    className="main-button",
                    n_clicks=0,
                ),
                preview(previews[choice], view) if choice in previews else None,
            ],
            className="choice",
        )
        for choice in question.get("choices", ())
    ]
    free = [
        dmc.TextInput(
            id={"type": "job-text", "job": job.id},
            label="Your answer",
            placeholder=FREE_HINTS.get(question.get("key", ""), ""),
            className="field",
        ),
        html.Button(
            "Go on", id={"type": "job-answer", "job": job.id, "choice": ""}, className="main-button", n_clicks=0
        ),
    ]
    return [
        parts.mark("look", "A question"),
        html.P(question.get("text", ""), className="flag-message"),
        html.P(question.get("evidence", ""), className="quiet"),
        html.Div(choices or free, className="choices"),
        aside_button(job, "Leave this file out"),
    ]


def preview(item: dict[str, Any], view: View) -> Component:
    """A few readings under one interpretation."""
    rows = [
        [row["what"], view.moment(row["ts_ms"]), volts(row["voltage_v"]), flow_words(row["current_a"])]
        for row in item["rows"]
    ]
    totals = f"In all, about {quantity(item['charge_ah'], 'Ah')} in and {quantity(item['discharge_ah'], 'Ah')} out."
    table = parts.table("The file would then say", ("Reading", "Time", "Voltage", "Current"), rows, numeric=(2,))
    return html.Div([table, html.P(totals, className="quiet")])


def volts(value: float | None) -> str:
    """A voltage, if there is one."""
    return "" if value is None else quantity(value, "V", 2)


def flow_words(current_a: float | None) -> str:
    """A current with its way."""
    if current_a is None:
        return ""
    way = "into the pack" if current_a > 0 else "out of the pack" if current_a < 0 else ""
    return f"{quantity(abs(current_a), 'A', 1)} {way}".strip()


def done(job: Job) -> list[Component]:
    """What the file brought."""
    receipt = job.receipt or {}
    way = [
        dcc.Link("Read the receipt", href=f"/imports/{receipt['import_id']}") if receipt.get("import_id") else None,
        dcc.Link("See the answers", href=f"/pack/{job.pack_id}"),
        aside_button(job, "Clear"),
    ]
    return [parts.mark("good", "Is in"), html.P(brought(receipt)), html.Div(way, className="row")]


def brought(receipt: dict[str, Any]) -> str:
    """A receipt in a sentence."""
    if receipt.get("already_imported"):
        return "This very file was here already. Nothing was changed."
    stored = f"{number(receipt.get('rows_stored', 0))} new readings"
    known = receipt.get("rows_already_known", 0)
    aside = receipt.get("rows_set_aside", 0)
    more = [f"{number(known)} were known already"] if known else []
    more += [f"{number(aside)} rows were set aside"] if aside else []
    return f"It brought {stored}" + (f"; {' and '.join(more)}." if more else ".")


def failed(job: Job) -> list[Component]:
    """What is wrong and how to mend it."""
    error = job.error or {}
    words = [html.P(error.get("what", ""), className="flag-message"), html.P(error.get("mend", ""))]
    return [
        parts.mark("act", "Not taken in"),
        *words,
        html.P("Nothing was stored.", className="quiet"),
        aside_button(job, "Clear"),
    ]


def aside_button(job: Job, words: str) -> Component:
    """Put a job aside."""
    return html.Button(words, id={"type": "job-aside", "job": job.id}, className="plain-button small", n_clicks=0)
