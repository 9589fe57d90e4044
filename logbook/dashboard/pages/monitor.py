"""Monitor: can what the monitor says be believed."""

from __future__ import annotations

from typing import TYPE_CHECKING

from dash import html

from logbook.dashboard import parts
from logbook.dashboard.page import Page, Visit
from logbook.dashboard.pages.frame import no_readings, pack_page
from logbook.dashboard.view import between, quantity
from logbook.dashboard.wording import monitor_answer

if TYPE_CHECKING:
    from dash.development.base_component import Component

    from logbook.dashboard.view import View
    from logbook.schema.estimate import Estimate
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
    zero = offset.low <= 0 <= offset.high
    scale = parts.scale(offset, zero=True, unit="A", places=offset.decimals)
    words = (
        f"As far as the log can tell, it does: its error lies {between(offset, 'A')}, with 90\u00a0% confidence."
        if zero
        else f"Every reading is {off_words(offset, 'A')}."
    )
    meaning = (
        "The answers here allow for an error of that size."
        if zero
        else f"Over a day that makes {quantity(abs(24 * offset.value), 'Ah', 1)} of error in its count. "
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


def off_words(error: Estimate, unit: str) -> str:
    """How far a reading is off, and which way; the interval counts that way too."""
    size = error if error.value > 0 else error.scaled(-1.0)
    way = "high" if error.value > 0 else "low"
    return f"{quantity(size.value, unit, size.decimals)} too {way} ({between(size, unit)}, 90\u00a0% confidence)"


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
        found.append(
            f"Before the next full charge it is right, as far as the log can tell: its error lies "
            f"{between(error, 'points')}, with 90\u00a0% confidence."
            if error.low <= 0 <= error.high
            else f"Before the next full charge it shows {off_words(error, 'points')}."
        )
    if assumed:
        found.append(
            "A count against a typed-in capacity is not used as evidence of capacity here."
            + (" Set that capacity to the measured one." if health.capacity.ah is not None else "")
        )
    if assumed is False:
        found.append("It does not simply count against the rated capacity.")
    if not found:
        found.append("The log cannot tell. It needs a state of charge in the readings and full charges in the log.")
    scale = parts.scale(error, zero=True, unit="points", places=error.decimals) if error is not None else None
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
