"""Cold: was this pack charged while its cells were frozen, when and how badly?."""

from __future__ import annotations

from typing import TYPE_CHECKING

from dash import html

from logbook.dashboard import parts
from logbook.dashboard.figures.cold import cold_events
from logbook.dashboard.figures.coverage import draw_unlogged, unlogged
from logbook.dashboard.figures.style import draw_notes
from logbook.dashboard.page import Page, Visit
from logbook.dashboard.pages.frame import no_readings, pack_page
from logbook.dashboard.view import between, lasting, quantity
from logbook.dashboard.wording import SEVERITY_WORDS, cold_answer, plural

if TYPE_CHECKING:
    from dash.development.base_component import Component

    from logbook.dashboard.view import View
    from logbook.schema.health import ColdBand, Health

PATH = "/pack/<pack>/cold"


def layout(visit: Visit) -> Component:
    """Answer, the events hanging from the limit, and what to do."""
    health = visit.health
    answer = cold_answer(health, visit.view)
    if health.readings.count == 0:
        return pack_page(visit, PATH, answer, no_readings(visit.pack), care=("frozen",))
    return pack_page(
        visit,
        PATH,
        answer,
        evidence(health, visit),
        bands(health, visit.view),
        heater(health),
        thaw(health, visit.view),
        parts.rests_on(health.readings, visit.view, health.cold_charging.basis),
        care=("frozen",),
    )


def evidence(health: Health, visit: Visit) -> Component | None:
    """Picture and table of the events."""
    events = health.cold_charging.events
    if not events:
        return None
    if len(events) == 1:
        return parts.section("When it happened", event_table(health, visit))
    caption = parts.key(
        ("slight", "slight"),
        ("marked", "marked"),
        ("severe", "severe"),
        *((("unlogged", "not logged"),) if health.readings.unlogged_hours > 0 else ()),
        ("none", "Graded by temperature and current; the larger the mark, the more Ah went in."),
    )
    count = f"{len(events)} {plural(len(events), 'charge')}"
    label = f"{count} below the limit, each hanging down to its coldest reading. The table below has the values."
    figure = cold_events(health, visit.view)
    draw_unlogged(figure, unlogged(visit.answers.hours(visit.pack.id)), visit.view)
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
            parts.readings_link(visit.pack.id, view, event.start_ms, event.end_ms),
        ]
        for event in events[: parts.MOST_ROWS]
    ]
    heads = ("Began", "Lasted", "Charge", "Coldest", "Highest current", "Severity", "Look closer")
    content = parts.table("Charges below the limit, newest first", heads, rows, numeric=(1, 2, 3, 4))
    return parts.data(len(events), content, visit.pack.id, "cold")


def bands(health: Health, view: View) -> Component | None:
    """Charge by temperature band."""
    found = health.cold_charging.bands
    if not any(band.charge_ah for band in found):
        return None
    rows = [[band_words(band, view), quantity(band.charge_ah, "Ah", 1)] for band in found]
    lead = (
        f"Charge that went in by temperature of the cells. Between {view.degrees(0)} and {view.degrees(5)} "
        "many sheets ask for a small current. The mean over half an hour decides on the band"
        f"{', as it does on the events above' if health.cold_charging.events else ''}."
    )
    return parts.section(
        "How cold, in all",
        parts.table("Charge by temperature", ("Temperature", "Charge"), rows, numeric=(1,)),
        lead=lead,
    )


def heater(health: Health) -> Component | None:
    """What its own heater took, which is no charging."""
    cold = health.cold_charging
    if not cold.heater_times:
        return None
    times = "once" if cold.heater_times == 1 else f"{cold.heater_times} times"
    charge = quantity(cold.heater_ah, "Ah", 1)
    words = (
        f"It ran {times}; {charge} went into it instead of the cells, which is no charging and is not counted above."
    )
    return parts.section("Its own heater", html.P(words))


def thaw(health: Health, view: View) -> Component | None:
    """Charge that went in before the cells had surely warmed up to what the thermometer showed."""
    cold = health.cold_charging
    if not cold.perhaps_frozen_ah:
        return None
    words = (
        f"After the thermometer had passed {view.degrees(cold.limit_c)}, and before the cells, which follow it by hours, "
        f"surely had, {between(cold.perhaps_frozen_ah, 'Ah', 1)} went in. They are not counted above. If the thermometer "
        "sits on the cells themselves, set its lag to 0 among the limits of this pack."
    )
    return parts.section("While it thawed", html.P(words))


def band_words(band: ColdBand, view: View) -> str:
    """A band of temperature."""
    if band.low_c is None:
        return f"Below {view.degrees(band.high_c or 0.0)}"
    if band.high_c is None:
        return f"Above {view.degrees(band.low_c)}"
    return f"{view.degrees(band.low_c)} to {view.degrees(band.high_c)}"


PAGE = Page("cold", PATH, "Was it charged frozen?", layout)
