"""Monitor: can what the monitor says be believed."""

from __future__ import annotations

from typing import TYPE_CHECKING

from dash import html

from logbook.dashboard import parts
from logbook.dashboard.page import Page, Visit
from logbook.dashboard.pages.frame import no_readings, pack_page
from logbook.dashboard.view import between, number, quantity
from logbook.dashboard.wording import monitor_answer

if TYPE_CHECKING:
    from dash.development.base_component import Component

    from logbook.dashboard.view import View
    from logbook.schema.health import Health

PATH = "/pack/<pack>/monitor"


def layout(visit: Visit) -> Component:
    """Answer, then current, percentage and what the percentage is made of."""
    health = visit.health
    answer = monitor_answer(health)
    if health.readings.count == 0:
        return pack_page(visit, PATH, answer, no_readings(visit.pack), care=("current",))
    return pack_page(
        visit,
        PATH,
        answer,
        current_part(health, visit.view),
        dead_band_part(health),
        percentage_part(health),
        false_fulls_part(health, visit),
        parts.rests_on(health.readings, visit.view),
        care=("current",),
    )


def current_part(health: Health, view: View) -> Component:
    """The zero of the current sensor."""
    offset = health.monitor.current_offset_a
    title = "Does its current read zero at rest?"
    if offset is None:
        why = (
            "The log cannot tell, while charge passes the sensor by. With everything disconnected the monitor itself shows it."
            if health.monitor.past_sensor_a is not None
            else "The log cannot tell. Two full charges with complete logging between them would."
        )
        return parts.section(title, html.P(why))
    per_day, zero = offset.scaled(24), offset.low <= 0 <= offset.high
    scale = parts.scale(offset, zero=True, unit="A", places=3)
    way = "high" if offset.value > 0 else "low"
    doubt = f"({between(offset, 'A', 3)}, 90\u00a0% confidence)"
    words = (
        f"As far as the log can tell, it does: its error lies {between(offset, 'A', 3)}, with 90\u00a0% confidence."
        if zero
        else f"Every reading is {quantity(abs(offset.value), 'A', 3)} too {way} {doubt}."
    )
    meaning = (
        "The answers here allow for either."
        if zero
        else f"Over a day that makes {quantity(abs(per_day.value), 'Ah', 1)} of error in its count. "
        "The answers here allow for it."
    )
    advice = "" if zero else "Set its zero anew with every load and charger off, as its manual says."
    changed = zero_changes(health, view)
    return parts.section(
        title,
        html.P(words),
        scale,
        html.P(meaning),
        html.P(advice) if advice else None,
        html.P(changed) if changed else None,
    )


def zero_changes(health: Health, view: View) -> str:
    """When its zero changed at once."""
    return " ".join(
        f"It changed by {quantity(abs(change.by_a), 'A', 2)} about {view.day(change.time_ms)}, as if set anew or replaced; "
        "what was logged before is read accordingly."
        for change in health.monitor.zero_changes
    )


def dead_band_part(health: Health) -> Component | None:
    """What it is too coarse to show."""
    width_a = health.monitor.dead_band_a
    if width_a is None:
        return None
    words = (
        f"It shows nothing below about {quantity(width_a, 'A', 2)}. What draws less than that goes uncounted, and in a "
        "month of parking that can be much. If its settings have a threshold for small currents, lower it."
    )
    return parts.section("How small a current does it see?", html.P(words))


def percentage_part(health: Health) -> Component:
    """The state of charge it shows."""
    error, assumed = health.monitor.soc_error_percent, health.monitor.soc_assumes_rated_capacity
    found = []
    if error is not None:
        way = "too high" if error.value > 0 else "too low"
        found.append(
            f"Before the next full charge it shows {number(abs(error.value), 1)} points {way} "
            f"({between(error, 'points', 1)}, 90\u00a0% confidence)."
        )
    if assumed:
        found.append(
            "It only counts amp-hours against the rated capacity typed into it. That is no evidence of what the pack "
            "holds, and it is not used as such here. Set its capacity to the measured one."
        )
    if assumed is False:
        found.append("It does not simply count against the rated capacity.")
    if not found:
        found.append("The log cannot tell. It needs a state of charge in the readings and full charges in the log.")
    scale = parts.scale(error, zero=True, unit="points", places=1) if error is not None else None
    first, *others = (html.P(words) for words in found)
    return parts.section("Is its percentage right?", first, scale, *others)


def false_fulls_part(health: Health, visit: Visit) -> Component | None:
    """Times it jumped to 100 % although the pack was not full."""
    found = sorted(health.monitor.false_fulls, key=lambda item: -item.time_ms)
    if not found:
        return None
    rows = [
        [
            visit.view.moment(item.time_ms),
            quantity(item.from_percent, "%"),
            quantity(item.voltage_v, "V", 2),
            parts.readings_link(visit.pack.id, visit.view, item.time_ms, item.time_ms),
        ]
        for item in found[: parts.MOST_ROWS]
    ]
    heads = ("When", "Jumped from", "At", "Look closer")
    return parts.section(
        "Did it call the pack full when it was not?",
        html.P("It jumped to 100 % although the pack was not full. Every percentage after that is too high."),
        parts.folded(
            parts.table_words(len(found)),
            parts.table("False fulls, newest first", heads, rows, numeric=(1, 2)),
            opened=len(rows) <= 4,
        ),
    )


PAGE = Page("monitor", PATH, "Can I believe the monitor?", layout)
