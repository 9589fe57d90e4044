"""Pack: the answers for one pack on one page, each with its evidence."""

from __future__ import annotations

from typing import TYPE_CHECKING

from dash import html

from logbook.dashboard import parts
from logbook.dashboard.figures.capacity import capacity_over_time
from logbook.dashboard.figures.cold import cold_events
from logbook.dashboard.page import Page, Visit
from logbook.dashboard.pages.overview import IMPORT_COMMAND, describe
from logbook.dashboard.view import UNKNOWN, View, lasting, number, quantity
from logbook.dashboard.wording import (
    SEVERITY_WORDS,
    capacity_answer,
    cold_answer,
    coverage_sentence,
    plural,
)

if TYPE_CHECKING:
    from dash.development.base_component import Component

    from logbook.schema.health import Flag, Health

FLAG_ORDER = {"act": 0, "look": 1, "info": 2}
FLAG_TONES = {"act": ("act", "Act"), "look": ("look", "Look"), "info": ("open", "For information")}


def layout(visit: Visit) -> Component:
    """Answer, evidence, data, for capacity first and frozen charging second."""
    pack, view = visit.pack, visit.view
    health = visit.answers.health(pack)
    answer = capacity_answer(health)
    head = html.Header([html.H1(pack.name), html.P(describe(pack), className="quiet")], className="page-head")
    if health.readings.count == 0:
        return html.Div([head, parts.answer_block(answer), no_readings()])
    return html.Div(
        [
            head,
            parts.answer_block(answer, parts.rule(pack.rated_ah, health.capacity.ah, health.capacity.at_least_ah)),
            capacity_part(health, view),
            cold_part(health, view),
            attention_part(health, view),
            coverage_part(health, view),
            parts.cautions("frozen", "dead", "current"),
        ]
    )


def no_readings() -> Component:
    """A pack without readings says how to get them."""
    return parts.section(
        "Take in its readings",
        html.P("Export the log of your monitor as CSV, then:"),
        parts.command(IMPORT_COMMAND),
    )


def capacity_part(health: Health, view: View) -> Component:
    """Every observation the answer rests on."""
    observations = health.capacity.observations
    title = "What it has delivered, measurement by measurement"
    if not observations:
        words = health.capacity.reason or "No discharge from proven full to proven empty is in the log."
        return parts.section(title, html.P(words))
    caption = parts.key(
        ("used", "a measurement with its 90 % interval"),
        ("left-out", "left out of the answer, with a reason in the table"),
        ("band", "the answer, as of the last reading"),
    )
    count = f"{len(observations)} {plural(len(observations), 'measurement')}"
    label = f"Capacity in Ah over time: {count}, with rated and end-of-life lines. The table below has the values."
    return parts.section(
        title, parts.chart(capacity_over_time(health, view), label, caption), observation_table(health, view)
    )


def observation_table(health: Health, view: View) -> Component:
    """The observations as records, newest first."""
    rows = [
        [
            view.day(item.end_ms),
            quantity(item.ah, "Ah", 1),
            f"{number(item.low, 1)} to {number(item.high, 1)}",
            UNKNOWN if item.temperature_c is None else view.degrees(item.temperature_c),
            item.method,
            "Used" if item.used else "Left out",
            item.note or "",
        ]
        for item in sorted(health.capacity.observations, key=lambda item: item.end_ms, reverse=True)
    ]
    heads = ("Ended", "Delivered", "90 % interval (Ah)", "Temperature", "Method", "In the answer", "Note")
    content = parts.table(f"Capacity measurements, times in {view.zone}", heads, rows, numeric=(1, 2, 3))
    return parts.folded(f"All {len(rows)} as a table", content, opened=len(rows) <= 4)


def cold_part(health: Health, view: View) -> Component:
    """Cold charging as picture and table."""
    answer = cold_answer(health, view)
    title = "Was it charged frozen?"
    block = parts.answer_block(answer)
    if not health.cold_charging.events:
        return parts.section(title, block)
    caption = parts.key(
        ("slight", "slight"),
        ("marked", "marked"),
        ("severe", "severe, by temperature and current; the larger, the more Ah went in"),
    )
    count = f"{len(health.cold_charging.events)} {plural(len(health.cold_charging.events), 'charge')}"
    label = f"{count} below the limit, each hanging down to its coldest reading. The table below has the values."
    return parts.section(title, block, parts.chart(cold_events(health, view), label, caption), cold_table(health, view))


def cold_table(health: Health, view: View) -> Component:
    """The events as records, newest first."""
    events = sorted(health.cold_charging.events, key=lambda event: event.start_ms, reverse=True)
    rows = [
        [
            view.moment(event.start_ms),
            lasting(event.duration_s),
            quantity(event.charge_ah, "Ah", 2),
            view.degrees(event.min_temperature_c, 1),
            quantity(event.max_current_a, "A", 1),
            SEVERITY_WORDS.get(event.severity, event.severity),
        ]
        for event in events
    ]
    heads = ("Began", "Lasted", "Charge", "Coldest", "Highest current", "Severity")
    content = parts.table(f"Charges below the limit, times in {view.zone}", heads, rows, numeric=(1, 2, 3, 4))
    return parts.folded(f"All {len(rows)} as a table", content, opened=len(rows) <= 4)


def attention_part(health: Health, view: View) -> Component | None:
    """What the owner should look at, gravest first."""
    flags = sorted(health.flags, key=lambda flag: (flag.acknowledged, FLAG_ORDER.get(flag.severity, 3)))
    if not flags:
        return None
    return parts.section("What needs attention", html.Ul([flag_entry(flag, view) for flag in flags], className="flags"))


def flag_entry(flag: Flag, view: View) -> Component:
    """One flag: what, when, what to do."""
    when = "" if flag.start_ms is None else view.day(flag.start_ms)
    return html.Li(
        [
            html.P(
                [parts.mark(*FLAG_TONES.get(flag.severity, FLAG_TONES["info"])), html.Span(when, className="quiet")]
            ),
            html.P(flag.message, className="flag-message"),
            html.P(flag.advice),
        ],
        className=f"flag tone-{FLAG_TONES.get(flag.severity, FLAG_TONES['info'])[0]}",
    )


def coverage_part(health: Health, view: View) -> Component:
    """How much of the time is known at all."""
    readings = health.readings
    whole = readings.logged_hours + readings.unlogged_hours
    logged = 100 * readings.logged_hours / whole if whole else 0.0
    bar = html.Div(
        html.Span(style={"width": f"{logged:.2f}%"}),
        className="coverage",
        role="img",
        **parts.named(f"{number(logged)} % of the time is logged"),
    )
    return parts.section(
        "How much of the time is logged",
        html.P(coverage_sentence(readings, view)),
        bar,
        parts.facts(
            ("Logged", lasting(readings.logged_hours * 3600)),
            ("Not logged", lasting(readings.unlogged_hours * 3600)),
            ("Usual time between readings", UNKNOWN if readings.interval_s is None else lasting(readings.interval_s)),
        ),
        html.P(["Times are shown in ", html.Strong(view.zone), "."], className="quiet"),
    )


PAGE = Page("pack", "/pack/<pack>", "Pack", layout)
