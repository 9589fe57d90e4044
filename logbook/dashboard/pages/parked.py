"""Parked: what drains this pack while it stands, and when must its owner be back."""

from __future__ import annotations

from typing import TYPE_CHECKING

from logbook.dashboard import parts
from logbook.dashboard.figures.parked import AS_IT_IS, LONGEST_DAYS, RESERVE, Drain, drain_lines, drains, usable_ah
from logbook.dashboard.page import Page, Visit
from logbook.dashboard.pages.frame import no_readings, pack_page
from logbook.dashboard.view import number, quantity
from logbook.dashboard.wording import idle_answer

if TYPE_CHECKING:
    from dash.development.base_component import Component

    from logbook.schema.health import Health

PATH = "/pack/<pack>/parked"


def layout(visit: Visit) -> Component:
    """Answer, how long a full pack lasts, and the numbers behind it."""
    health = visit.health
    answer = idle_answer(health)
    if health.readings.count == 0:
        return pack_page(visit, PATH, answer, no_readings(visit.pack), care=("dead",))
    return pack_page(
        visit,
        PATH,
        answer,
        come_back(health),
        parts.rests_on(
            health.readings,
            visit.view,
            health.idle.basis,
            "Parked means logged hours without charging or use. A gap in the log is never counted as parked.",
        ),
        care=("dead", "frozen"),
    )


def come_back(health: Health) -> Component | None:
    """How long it may be left."""
    found = drains(health)
    if not found:
        return None
    full = usable_ah(health)
    measured = "its measured" if health.capacity.ah else "its rated"
    rows = [[drain.words.capitalize(), quantity(drain.value, "Ah", 2), *spans(drain, full)] for drain in found]
    heads = ("How it is left", "Loss a day", "From full to 20 %", "At the earliest")
    marks = {drain.words: "line-solid" if drain.words == AS_IT_IS else "line-dash" for drain in found}
    caption = parts.key(*((mark, words) for words, mark in marks.items()), ("band", "90 % interval"))
    label = "Charge left over days parked from full. The table below has the values."
    return parts.section(
        "When must I come back?",
        parts.chart(drain_lines(health), label, caption),
        parts.table("Days from full down to 20 %", heads, rows, numeric=(1, 2, 3)),
        lead=f"Starting full with {measured} {quantity(full, 'Ah')}. Check earlier in heat: warm cells lose faster.",
    )


def spans(drain: Drain, full: float) -> list[str]:
    """Days to the reserve: expected and earliest."""
    value, earliest, _ = drain.days(full, RESERVE * full)
    return ["more than two years" if days >= LONGEST_DAYS else f"{number(days)} days" for days in (value, earliest)]


PAGE = Page("parked", PATH, "What drains it parked?", layout)
