"""Job: one file on its way in, as the imports page shows it: waiting, asking, done or failed."""

from __future__ import annotations

import re
from typing import TYPE_CHECKING, Any

import dash_mantine_components as dmc
from dash import dcc, html

from logbook.dashboard import parts
from logbook.dashboard.columns import COLUMN_CHOICES, columns_of
from logbook.dashboard.page import first_zone, reader_view
from logbook.dashboard.view import number, quantity
from logbook.dashboard.wording import ah_decimals, quantity_words
from logbook.ingest.mapping import TARGETS

if TYPE_CHECKING:
    from collections.abc import Collection

    from dash.development.base_component import Component

    from logbook.dashboard.answers import Answers
    from logbook.dashboard.intake import Job
    from logbook.dashboard.view import View

CHOICE_WORDS = {
    "charge": "Positive is charging",
    "discharge": "Positive is discharging",
    "day-first": "Day first",
    "month-first": "Month first",
    "d°C": "Tenths of °C",
    "neither": "None of these",
}
FREE_HINTS = {"time_zone": "Europe/Berlin", "start": "2024-03-05 14:30:00"}


def job_entry(job: Job, answers: Answers, brought_ids: Collection[int], *, full: bool = True) -> Component:
    """One file on its way: what it does, asks, brought or lacks; in short where it is one of many."""
    body: dict[str, Any] = {
        "waiting": lambda: [parts.mark("open", "Waiting")],
        "running": lambda: [
            parts.mark("open", f"Reading, {number(100 * job.progress)} %"),
            html.Div(html.Span(style={"width": f"{100 * job.progress:.0f}%"}), className="coverage progress"),
        ],
        "asking": lambda: asking(job, reader_view(zone_of(job, answers))) if full else asking_in_short(job),
        "done": lambda: done(job) if is_in(job, brought_ids) else taken_out(job),
        "failed": lambda: failed(job) if full else failed_in_short(job),
    }
    tone = {"asking": "look", "failed": "act", "done": "good" if is_in(job, brought_ids) else "open"}.get(
        job.state, "open"
    )
    return html.Article([html.H2(job.file_name), *body[job.state]()], className=f"job tone-{tone}")


def job_sign(job: Job, brought_ids: Collection[int]) -> str:
    """Changes whenever its entry would look different."""
    return f"{job.state} {job.progress:.2f} {job.changed_ms} {is_in(job, brought_ids)}"


def is_in(job: Job, brought_ids: Collection[int]) -> bool:
    """Whether what it brought is still in the logbook."""
    import_id = (job.receipt or {}).get("import_id")
    return import_id is None or import_id in brought_ids


def zone_of(job: Job, answers: Answers) -> str:
    """The zone of the pack it is of."""
    pack = answers.pack(job.pack_id)
    return pack.time_zone if pack else first_zone(answers)


def asking(job: Job, view: View) -> list[Component | None]:
    """The question, its evidence, and what the file would say under each answer."""
    question = job.question or {}
    previews = [item for item in job.previews if item]
    fixed = bool(question.get("choices"))
    offered = [option(job, item, view) for item in previews]
    return [
        parts.mark("look", "A question"),
        html.P(plain_names(question.get("text", "")), className="flag-message"),
        html.P(question.get("evidence", ""), className="quiet"),
        html.Div(offered, className="choices") if offered else None,
        None if fixed or question.get("key") == "columns" else free_answer(job, question),
        trouble(job),
        raw_lines(job, opened=not previews),
        describing(job),
        aside_button(job, "Leave this file out"),
    ]


def asking_in_short(job: Job) -> list[Component]:
    """The question, and the way to answer it."""
    way = [opening(job, "Answer this"), aside_button(job, "Leave this file out")]
    return [
        parts.mark("look", "A question"),
        html.P(plain_names((job.question or {}).get("text", ""))),
        html.Div(way, className="row"),
    ]


def opening(job: Job, words: str) -> Component:
    """Way to an entry in full."""
    return dcc.Link(words, href=f"/imports?job={job.id}")


def option(job: Job, item: dict[str, Any], view: View) -> Component:
    """One answer, and what the file would then say."""
    choice = item["choice"]
    button = html.Button(
        choice_words(choice),
        id={"type": "job-answer", "job": str(job.id), "choice": choice},
        className="main-button",
        n_clicks=0,
    )
    return html.Div([button, preview(item, view)], className="choice")


def choice_words(choice: str) -> str:
    """An answer as a button says it."""
    return CHOICE_WORDS.get(choice) or (quantity_words(choice) if choice in TARGETS else choice)


def plain_names(text: str) -> str:
    """A question with the names of quantities as people say them."""
    return re.sub(r"\b[a-z_]+_(?:v|a|c|percent|w)\b", lambda found: quantity_words(found[0]).lower(), text)


def free_answer(job: Job, question: dict[str, Any]) -> Component:
    """A field for what cannot be chosen from a list, with a look before the answer counts."""
    hint = FREE_HINTS.get(question.get("key", ""), "")
    name = str(job.id)
    return html.Div(
        [
            dmc.TextInput(
                id={"type": "job-text", "job": name},
                label="Another answer" if job.previews else "Your answer",
                description=f"For example {hint}" if hint else None,
                value=str(job.outcome.get("typed", "")),
                className="field",
            ),
            html.Div(
                [
                    html.Button(
                        "Show me first", id={"type": "job-try", "job": name}, className="plain-button", n_clicks=0
                    ),
                    html.Button(
                        "Take this answer",
                        id={"type": "job-answer", "job": name, "choice": ""},
                        className="main-button",
                        n_clicks=0,
                    ),
                ],
                className="row",
            ),
        ],
        className="form",
    )


def trouble(job: Job) -> Component | None:
    """What was wrong with the answer that was tried."""
    if not job.error:
        return None
    return html.P(f"{job.error['what']} {job.error['mend']}".strip(), role="alert", className="told")


def preview(item: dict[str, Any], view: View) -> Component:
    """A few readings under one interpretation, a line each."""
    if "rows" not in item:
        return html.P(item["words"], className="quiet")
    lines = [html.Div([html.Dt(row["what"]), html.Dd(reading_words(row, view))]) for row in item["rows"]]
    came, went = (quantity(ah, "Ah", ah_decimals(ah)) for ah in (item["charge_ah"], item["discharge_ah"]))
    totals = f"In all, about {came} in and {went} out."
    head = f"The file would then say, in the time of {view.zone}:"
    return html.Div(
        [html.P(head, className="quiet"), html.Dl(lines, className="preview"), html.P(totals, className="quiet")]
    )


def reading_words(row: dict[str, Any], view: View) -> str:
    """One reading in a line."""
    told = (volts(row["voltage_v"]), flow_words(row["current_a"]), degrees(row.get("temperature_c"), view))
    return ", ".join(words for words in (view.moment(row["ts_ms"]), *told) if words)


def degrees(value: float | None, view: View) -> str:
    """A temperature, if there is one."""
    return "" if value is None else view.degrees(value, 1)


def volts(value: float | None) -> str:
    """A voltage, if there is one."""
    return "" if value is None else quantity(value, "V", 2)


def flow_words(current_a: float | None) -> str:
    """A current with its way."""
    if current_a is None:
        return ""
    way = "into the pack" if current_a > 0 else "out of the pack" if current_a < 0 else ""
    return f"{quantity(abs(current_a), 'A', 1)} {way}".strip()


def raw_lines(job: Job, *, opened: bool) -> Component | None:
    """The beginning of the file as it stands."""
    if not job.lines:
        return None
    text = html.Pre(
        html.Code("\n".join(job.lines)), className="command raw", tabIndex="0", **parts.named("First lines")
    )
    return parts.folded("Its first lines as they stand", text, opened=opened)


def describing(job: Job) -> Component | None:
    """Two ways to say what the columns are: here, or in a mapping file."""
    if not job.lines:
        return None
    delimiter, columns = columns_of(job.lines)
    choices = [{"value": value, "label": label} for value, label in COLUMN_CHOICES]
    fields = [
        dmc.Select(
            id={"type": "job-column", "job": str(job.id), "place": place},
            label=column.name,
            description=f"For example {column.example}" if column.example else None,
            data=choices,
            value="",
            allowDeselect=False,
            className="field",
        )
        for place, column in enumerate(columns, start=1)
    ]
    form = [
        html.Div(fields, className="form wide"),
        html.Button(
            "Read it like this",
            id={"type": "job-columns", "job": str(job.id), "delimiter": delimiter},
            className="main-button",
            n_clicks=0,
        ),
    ]
    upload = html.Label(
        [
            html.Span("Choose a mapping file", className="drop-act"),
            html.Span("a small text file that says what each column is", className="drop-or"),
            html.Span(**mapping_of_job(job)),
        ],
        className="drop small-drop",
    )
    return parts.folded(
        "Say what its columns are", *(form if len(columns) > 1 else ()), upload, opened=job.state == "failed"
    )


def done(job: Job) -> list[Component]:
    """What the file brought."""
    receipt = job.receipt or {}
    way = [
        dcc.Link("Read the receipt", href=f"/imports/{receipt['import_id']}") if receipt.get("import_id") else None,
        dcc.Link("See the answers", href=f"/pack/{job.pack_id}"),
        aside_button(job, "Clear"),
    ]
    return [parts.mark("good", "Is in"), html.P(brought(receipt)), html.Div(way, className="row")]


def mapping_of_job(job: Job) -> dict[str, Any]:
    """Attribute by which the browser finds the place of a mapping."""
    return {"data-mapping-of": str(job.id)}


def taken_out(job: Job) -> list[Component]:
    """It was in, and is no more."""
    words = "Its import was undone; the logbook holds none of what it brought. Send it again to bring it back."
    return [
        parts.mark("open", "Taken out again"),
        html.P(words),
        html.Div([aside_button(job, "Clear")], className="row"),
    ]


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


def failed(job: Job) -> list[Component | None]:
    """What is wrong and how to mend it."""
    error = job.error or {}
    words = [html.P(error.get("what", ""), className="flag-message"), html.P(error.get("mend", ""))]
    way = [
        dcc.Link("Its pack's rating and limits", href=f"/pack/{job.pack_id}/details")
        if "rating and limits" in error.get("mend", "")
        else None,
        aside_button(job, "Clear"),
    ]
    return [
        parts.mark("act", "Not taken in"),
        *words,
        html.P("Nothing was stored.", className="quiet"),
        raw_lines(job, opened=False),
        describing(job),
        html.Div(way, className="row"),
    ]


def failed_in_short(job: Job) -> list[Component]:
    """What is wrong, and the way to mend it."""
    way = [opening(job, "See how to mend it"), aside_button(job, "Clear")]
    return [
        parts.mark("act", "Not taken in"),
        html.P((job.error or {}).get("what", "")),
        html.Div(way, className="row"),
    ]


def aside_button(job: Job, words: str) -> Component:
    """Put a job aside."""
    return html.Button(words, id={"type": "job-aside", "job": str(job.id)}, className="plain-button small", n_clicks=0)
