"""Parts the pages are built from: answer, evidence, data, cautions; the style sheet gives them their looks."""

from __future__ import annotations

import re
from typing import TYPE_CHECKING, Any

from dash import dcc, html

from logbook.dashboard.figures.style import GRAPH_CONFIG
from logbook.dashboard.view import between, number, quantity, rated
from logbook.dashboard.window import window_query
from logbook.dashboard.wording import ah_decimals, basis_sentence, coverage_sentence
from logbook.units import MS_PER_HOUR

if TYPE_CHECKING:
    from collections.abc import Sequence

    import plotly.graph_objects as go
    from dash.development.base_component import Component

    from logbook.dashboard.view import View
    from logbook.dashboard.wording import Answer
    from logbook.schema.estimate import Estimate
    from logbook.schema.health import Basis, ReadingsSummary

RULE_SPAN = 1.15
"""The measuring rule ends at 115 % of rated, so that a pack above its rating has room."""

CAUTIONS = {
    "frozen": "Never charge a pack whose cells are below the limit on its own sheet: warm it first. "
    "Charging frozen can leave metal inside the cells that no log shows.",
    "dead": "Do not try to revive cells that have been below 2.0 V, do not open a pack and do not bypass its "
    "protection board. Swelling, smell or warmth at rest: disconnect, move it outdoors, ask a professional.",
    "current": "A pack of this kind can drive thousands of amperes through a slipped spanner. Fuse it close to the "
    "terminal, cover the terminals, take off rings, and let inverter capacitors discharge before touching them.",
    "sheet": "The pack's own sheet, local codes and licensed practice come before anything said here. "
    "logbook reads logs; it does not certify that a pack is safe.",
}
"""Usual cautions of the trade."""


HIDDEN: dict[str, Any] = {"aria-hidden": "true"}
"""For what is there to be seen only."""


def named(label: str, **others: Any) -> dict[str, Any]:
    """Attributes that name a thing for those who cannot see it."""
    return {"aria-label": label, **others}


def flagged(attribute: str) -> dict[str, Any]:
    """A data attribute that is simply there."""
    return {attribute: "yes"}


def mark(tone: str, words: str) -> Component:
    """A verdict: a shape for the tone and words for the meaning."""
    return html.Span([html.Span(className=f"mark-shape mark-{tone}", **HIDDEN), words], className="mark")


def answer_block(answer: Answer, *extra: Component | None) -> Component:
    """The answer of a page: verdict, sentence, what stands behind it, and what to do next."""
    return html.Div(
        [
            mark(answer.tone, answer.verdict),
            html.P(answer.sentence, className="sentence"),
            html.P(answer.detail, className="detail") if answer.detail else None,
            html.P(answer.next_step, className="detail") if answer.next_step else None,
            *extra,
        ],
        className=f"answer tone-{answer.tone}",
    )


def section(title: str, *children: Any, lead: str = "") -> Component:
    """A part of a page under its heading."""
    return html.Section([html.H2(title), html.P(lead, className="lead") if lead else None, *children], className="part")


def chart(figure: go.Figure, label: str, caption: Any = "", *, height: str = "", graph_id: str = "") -> Component:
    """A figure with a name for those who cannot see it, and a line on how to read it."""
    options: dict[str, Any] = {"config": GRAPH_CONFIG, **({"id": graph_id} if graph_id else {})}
    graph = dcc.Graph(figure=figure, className="graph", **options)
    style = {"height": height} if height else None
    return html.Figure(
        [
            html.Div(graph, role="img", className="graph-box", style=style, **named(label)),
            html.Figcaption(caption) if caption else None,
        ],
        className="chart",
    )


def key(*entries: tuple[str, str]) -> Component:
    """The key of a chart: (class of the sample, words)."""
    return html.Span(
        [html.Span([html.Span(className=f"key-{name}", **HIDDEN), words]) for name, words in entries],
        className="key",
    )


def table(
    caption: str, heads: Sequence[str], rows: Sequence[Sequence[Any]], *, numeric: Sequence[int] = ()
) -> Component:
    """A table that becomes a list of small records on a phone; `numeric` names the columns set to the right."""
    head = html.Tr([html.Th(text, scope="col", className=side(place, numeric)) for place, text in enumerate(heads)])
    body = [
        html.Tr(
            [html.Td(cell, className=side(place, numeric), **label_of(heads[place])) for place, cell in enumerate(row)]
        )
        for row in rows
    ]
    parts = [html.Caption(caption), html.Thead(head), html.Tbody(body)]
    return html.Table(parts, className="records" if len(heads) > 2 else "records slim")


def label_of(head: str) -> dict[str, Any]:
    """Attribute with the column's name, which a phone shows beside the cell."""
    return {"data-label": head}


def side(place: int, numeric: Sequence[int]) -> str:
    """Class of a cell."""
    return "number" if place in numeric else ""


def folded(summary: str, *children: Any, opened: bool = False) -> Component:
    """Something that may stay closed."""
    return html.Details([html.Summary(summary), *children], open=opened, className="folded")


MOST_ROWS = 40
"""A table shows so many rows at most, the newest; its CSV has them all."""


def table_words(count: int) -> str:
    """What a table holds that may have been cut."""
    if count == 1:
        return "As a table"
    return f"All {count} as a table" if count <= MOST_ROWS else f"The newest {MOST_ROWS} of {number(count)} as a table"


def data(count: int, content: Component, pack_id: int, name: str) -> Component:
    """A table of `count` rows, at most `MOST_ROWS` of them shown, which opens where it is long; all of it as CSV."""
    link = html.A("Download as CSV", href=f"/api/v1/packs/{pack_id}/{name}.csv", download="", className="download")
    return html.Div([folded(table_words(count), content, opened=count <= 4), link], className="data")


def readings_link(pack_id: int, view: View, start_ms: int, end_ms: int, words: str = "Readings") -> Component:
    """Way to the readings around an event, with as much room on both sides as it lasted, or two hours."""
    room = max(2 * MS_PER_HOUR, end_ms - start_ms)
    address = f"/pack/{pack_id}/readings{window_query(start_ms - room, end_ms + room)}"
    return dcc.Link(words, href=address, title=f"Readings of {view.moment(start_ms)}")


def coverage_bar(readings: ReadingsSummary) -> Component:
    """The logged share of the time as a bar; what is not logged is hatched."""
    whole = readings.logged_hours + readings.unlogged_hours
    logged = 100 * readings.logged_hours / whole if whole else 0.0
    filled = html.Span(style={"width": f"{logged:.2f}%"})
    return html.Div(filled, className="coverage", role="img", **named(f"{number(logged)} % of the time is logged"))


def rests_on(readings: ReadingsSummary, view: View, basis: Basis | None = None, more: str = "") -> Component:
    """What an answer rests on: the log, and how much of it this answer saw."""
    return section(
        "What it rests on",
        html.P(coverage_sentence(readings, view)),
        coverage_bar(readings),
        html.P(basis_sentence(basis)) if basis and basis.interval_s is not None else None,
        html.P(more, className="quiet") if more else None,
    )


def facts(*pairs: tuple[str, Any]) -> Component:
    """Names and values."""
    return html.Dl([html.Div([html.Dt(name), html.Dd(value)]) for name, value in pairs], className="facts")


def cautions(*names: str) -> Component:
    """The cautions that belong to a page, the pack's own sheet always last."""
    return html.Aside(
        [html.H2("Take care"), html.Ul([html.Li(CAUTIONS[name]) for name in (*names, "sheet")])],
        className="cautions",
        **named("Take care"),
    )


def rule(rated_ah: float, estimate: Estimate | None, at_least_ah: float | None = None) -> Component:
    """A measuring rule from nothing to a little over rated Ah, with the interval laid on it."""

    def at(ah: float) -> str:
        return f"{100 * min(max(ah / rated_ah / RULE_SPAN, 0.0), 1.0):.2f}%"

    marks = []
    label = "No capacity is known yet"
    if estimate is not None:
        style = {"left": at(estimate.low), "right": f"calc(100% - {at(estimate.high)})"}
        marks = [html.Span(className="rule-span", style=style)]
        marks.append(html.Span(className="rule-value", style={"left": at(estimate.value)}))
        value = quantity(estimate.value, "Ah", estimate.decimals)
        label = f"{value} {between(estimate, 'Ah')}, of {rated(rated_ah)} rated"
    elif at_least_ah is not None:
        marks = [html.Span(className="rule-bound", style={"left": "0", "right": f"calc(100% - {at(at_least_ah)})"})]
        least = quantity(at_least_ah, "Ah", ah_decimals(at_least_ah))
        label = f"At least {least}, of {rated(rated_ah)} rated"
    notches = [
        html.Span(
            className="notch notch-long" if tenth in {0, 5, 8, 10} else "notch",
            style={"left": at(tenth * rated_ah / 10)},
        )
        for tenth in range(12)
    ]
    words = [
        html.Span("0", className="rule-word", style={"left": at(0.0)}),
        html.Span(rated(0.8 * rated_ah), className="rule-word", style={"left": at(0.8 * rated_ah)}),
        html.Span("rated", className="rule-word", style={"left": at(rated_ah)}),
    ]
    return html.Div([*notches, *marks, *words], className="rule", role="img", **named(label))


def scale(estimate: Estimate, *, zero: bool, unit: str, places: int) -> Component:
    """A value with its interval on a short scale of its own, with zero on it where zero is what it is judged by."""
    reach = max(abs(estimate.low), abs(estimate.high), 1e-9) * 1.25
    low, high = (-reach, reach) if zero else (min(estimate.low, 0.0), reach)

    def at(value: float) -> str:
        return f"{100 * (value - low) / (high - low):.2f}%"

    ends = {"left": at(estimate.low), "right": f"calc(100% - {at(estimate.high)})"}
    children = [
        html.Span(className="notch notch-long", style={"left": at(0.0)}),
        html.Span(className="rule-span", style=ends),
        html.Span(className="rule-value", style={"left": at(estimate.value)}),
        html.Span("0", className="rule-word", style={"left": at(0.0)}),
        html.Span(
            quantity(estimate.value, unit, places), className="rule-word rule-named", style={"left": at(estimate.value)}
        ),
    ]
    label = f"{quantity(estimate.value, unit, places)}, {between(estimate, unit, places)}; zero is marked"
    return html.Div(children, className="rule rule-short", role="img", **named(label))


def command(text: str) -> Component:
    """A command to type, on its own line; where a phone must break it, no option is torn apart."""
    pieces = [
        html.Span(piece, className="option") if piece.startswith("--") else piece
        for piece in re.split(r"(--[\w-]+)", text)
    ]
    return html.Pre(html.Code(pieces), className="command", tabIndex="0", **named("Command to type"))
