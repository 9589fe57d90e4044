"""Capacity: does this pack still deliver its rated amp-hours, and how fast does that fade?."""

from __future__ import annotations

from typing import TYPE_CHECKING, Any

from dash import html

from logbook.dashboard import parts
from logbook.dashboard.figures.capacity import capacity_over_time
from logbook.dashboard.figures.coverage import draw_unlogged, unlogged
from logbook.dashboard.figures.style import draw_notes
from logbook.dashboard.page import Page, Visit
from logbook.dashboard.pages.frame import no_readings, pack_page
from logbook.dashboard.view import UNKNOWN, number, quantity
from logbook.dashboard.wording import capacity_answer, fade_answer, plural

if TYPE_CHECKING:
    from dash.development.base_component import Component

    from logbook.schema.health import Health

PATH = "/pack/<pack>/capacity"


def layout(visit: Visit) -> Component:
    """Answer with its rule, the measurements, the fade."""
    health, pack = visit.health, visit.pack
    answer = capacity_answer(health)
    if health.readings.count == 0:
        return pack_page(visit, PATH, answer, no_readings(visit.pack), care=("dead",))
    return pack_page(
        visit,
        PATH,
        None,
        parts.answer_block(answer, parts.rule(pack.rated_ah, health.capacity.ah, health.capacity.at_least_ah)),
        capacity_evidence(health, visit),
        parts.section("How fast does it fade?", parts.answer_block(fade_answer(health)), losses(health, visit)),
        parts.rests_on(health.readings, visit.view, health.capacity.basis, DEFINITION),
        care=("dead",),
    )


DEFINITION = (
    "Capacity here is the charge from proven full to the cut-off, at 25 °C and a fifth of the rated capacity an hour, "
    "as of the last reading. A monitor's own percentage tells at most what was missed between samples, never how much the pack holds."
)


def capacity_evidence(health: Health, visit: Visit) -> Component:
    """Every observation the answer rests on."""
    observations = health.capacity.observations
    title = "What it has delivered, measurement by measurement"
    if not observations:
        return parts.section(title, html.P("No measurement is in the log yet."))
    if len(observations) == 1:
        alone = html.P("One measurement is in the log so far; a picture over time needs two.")
        return parts.section(title, alone, observation_table(health, visit))
    samples = (
        ("used", "a measurement with its 90 % interval", any(item.used for item in observations)),
        ("left-out", "left out of the answer, with a reason in the table", any(not item.used for item in observations)),
        ("band", "the answer, as of the last reading", health.capacity.ah is not None),
        ("unlogged", "not logged", health.readings.unlogged_hours > 0),
    )
    caption = parts.key(*((name, words) for name, words, drawn in samples if drawn))
    count = f"{len(observations)} {plural(len(observations), 'measurement')}"
    label = f"Capacity in Ah over time: {count}, with rated and end-of-life lines. The table below has the values."
    figure = capacity_over_time(health, visit.view)
    draw_unlogged(figure, unlogged(visit.answers.hours(visit.pack.id)), visit.view)
    draw_notes(figure, visit.answers.notes(visit.pack.id), visit.view)
    return parts.section(title, parts.chart(figure, label, caption), observation_table(health, visit))


def observation_table(health: Health, visit: Visit) -> Component:
    """The observations as records, newest first."""
    view = visit.view
    newest = sorted(health.capacity.observations, key=lambda item: item.end_ms, reverse=True)
    rows = [
        [
            view.day(item.end_ms),
            quantity(item.ah, "Ah", 1),
            f"{number(item.low, 1)} to {number(item.high, 1)}",
            UNKNOWN if item.temperature_c is None else view.degrees(item.temperature_c),
            item.method,
            "Used" if item.used else "Left out",
            item.note or "",
            parts.readings_link(visit.pack.id, view, item.start_ms, item.end_ms),
        ]
        for item in newest[: parts.MOST_ROWS]
    ]
    heads = (
        "Ended",
        "Delivered",
        "90 % interval (Ah)",
        "Temperature",
        "Method",
        "In the answer",
        "Note",
        "Look closer",
    )
    content = parts.table("Capacity measurements, newest first", heads, rows, numeric=(1, 2, 3))
    return parts.data(len(newest), content, visit.pack.id, "capacity")


def losses(health: Health, visit: Visit) -> Component | None:
    """Steps down, each with a way to its readings."""
    view = visit.view
    steps = health.fade.sudden_losses
    if not steps:
        return None
    lines: list[list[Any]] = [
        [
            f"{view.day(step.time_ms)}: ",
            f"about {quantity(step.ah_lost.value, 'Ah')} lost at once. " if step.ah_lost else "capacity lost at once. ",
            parts.readings_link(visit.pack.id, view, step.time_ms, step.time_ms),
        ]
        for step in steps
    ]
    return html.Ul([html.Li(line) for line in lines])


PAGE = Page("capacity", PATH, "Does it still deliver?", layout)
