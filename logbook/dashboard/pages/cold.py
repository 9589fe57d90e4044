"""Cold: was this pack charged while its cells were frozen, when and how badly?."""

from __future__ import annotations

from typing import TYPE_CHECKING

from dash import dcc, html

from logbook.dashboard import parts
from logbook.dashboard.figures.cold import cold_events
from logbook.dashboard.figures.style import draw_notes
from logbook.dashboard.page import Page, Visit
from logbook.dashboard.pages.frame import no_readings, pack_page
from logbook.dashboard.view import lasting, quantity
from logbook.dashboard.window import window_query
from logbook.dashboard.wording import SEVERITY_WORDS, cold_answer, coverage_sentence, plural
from logbook.units import MS_PER_HOUR

if TYPE_CHECKING:
    from dash.development.base_component import Component

    from logbook.schema.health import ColdChargeEvent, Health

PATH = "/pack/<pack>/cold"


def layout(visit: Visit) -> Component:
    """Answer, the events hanging from the limit, and what to do."""
    health = visit.health
    answer = cold_answer(health, visit.view)
    if health.readings.count == 0:
        return pack_page(visit, PATH, answer, no_readings(), care=("frozen",))
    return pack_page(
        visit,
        PATH,
        answer,
        evidence(health, visit),
        bands(visit),
        parts.section(
            "What it rests on",
            html.P(coverage_sentence(health.readings, visit.view)),
            parts.coverage_bar(health.readings),
        ),
        care=("frozen",),
    )


def evidence(health: Health, visit: Visit) -> Component | None:
    """Picture and table of the events."""
    events = health.cold_charging.events
    if not events:
        return None
    caption = parts.key(
        ("slight", "slight"),
        ("marked", "marked"),
        ("severe", "severe, by temperature and current; the larger, the more Ah went in"),
    )
    count = f"{len(events)} {plural(len(events), 'charge')}"
    label = f"{count} below the limit, each hanging down to its coldest reading. The table below has the values."
    figure = cold_events(health, visit.view)
    draw_notes(figure, visit.answers.notes(visit.pack.id), visit.view)
    return parts.section("When it happened", parts.chart(figure, label, caption), event_table(health, visit))


def event_table(health: Health, visit: Visit) -> Component:
    """The events as records, newest first, each with a way to its readings."""
    view = visit.view
    events = sorted(health.cold_charging.events, key=lambda event: event.start_ms, reverse=True)
    rows = [
        [
            view.moment(event.start_ms),
            lasting(event.duration_s),
            quantity(event.charge_ah, "Ah", 2),
            view.degrees(event.min_temperature_c, 1),
            quantity(event.max_current_a, "A", 1),
            SEVERITY_WORDS.get(event.severity, event.severity),
            dcc.Link(
                "Readings", href=moment_link(visit.pack.id, event), title=f"Readings of {view.moment(event.start_ms)}"
            ),
        ]
        for event in events
    ]
    heads = ("Began", "Lasted", "Charge", "Coldest", "Highest current", "Severity", "Look closer")
    content = parts.table("Charges below the limit, newest first", heads, rows, numeric=(1, 2, 3, 4))
    return parts.data(len(rows), content, visit.pack.id, "cold")


def moment_link(pack_id: int, event: ColdChargeEvent) -> str:
    """Address of the readings around an event, with as much before and after as it lasted, or two hours."""
    room = max(2 * MS_PER_HOUR, event.end_ms - event.start_ms)
    return f"/pack/{pack_id}/readings{window_query(event.start_ms - room, event.end_ms + room)}"


def bands(visit: Visit) -> Component | None:
    """Charge by temperature band, from the digest of every hour."""
    hours = visit.answers.hours(visit.pack.id)
    names = {
        "cold_ah_below_m10": (None, -10),
        "cold_ah_m10_m5": (-10, -5),
        "cold_ah_m5_0": (-5, 0),
        "cold_ah_0_5": (0, 5),
    }
    if not set(names) <= set(hours.columns):
        return None
    view = visit.view
    rows = []
    for name, (low, high) in names.items():
        reach = f"below {view.degrees(high)}" if low is None else f"{view.degrees(low)} to {view.degrees(high)}"
        rows.append([reach, quantity(float(hours[name].sum()), "Ah", 1)])
    lead = "Charge that went in by temperature of the cells. From 0 to 5 °C many sheets ask for a small current only."
    content = parts.table("Charge by temperature", ("Temperature", "Charge"), rows, numeric=(1,))
    return parts.section("How cold, in all", content, lead=lead)


PAGE = Page("cold", PATH, "Was it charged frozen?", layout)
