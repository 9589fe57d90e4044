"""Use: how hard was this pack used, how deep, how hot, and what has that done to its resistance."""

from __future__ import annotations

from typing import TYPE_CHECKING

import pandas as pd
from dash import html

from logbook.dashboard import parts
from logbook.dashboard.figures.style import draw_notes
from logbook.dashboard.figures.use import cycle_depths, monthly, monthly_charge
from logbook.dashboard.page import Page, Visit
from logbook.dashboard.pages import load
from logbook.dashboard.pages.frame import no_readings, pack_page
from logbook.dashboard.pages.load import load_part
from logbook.dashboard.view import UNKNOWN, between, lasting, number, quantity, spent
from logbook.dashboard.wording import (
    fade_answer,
    joined,
    plural,
    protection_words,
    resistance_answer,
    use_answer,
)

if TYPE_CHECKING:
    from dash import Dash
    from dash.development.base_component import Component

    from logbook.dashboard.answers import Answers
    from logbook.dashboard.view import View
    from logbook.schema.health import Health, ProtectionEvent, ReadingsSummary

PATH = "/pack/<pack>/use"
REFUSED = "charge_blocked_cold"
COARSE_S = 5.0
"""Readings further apart than this may miss an opening, for a board may close again some seconds after a surge has
gone (common practice, no source)."""
MOST_SEEN = 12
"""Of so many events, the newest, the last minutes are told; the others are a step away among the readings."""


def layout(visit: Visit) -> Component:
    """Answer, month by month, depths, stress, resistance, protection."""
    health = visit.health
    answer = use_answer(health)
    if health.readings.count == 0:
        return pack_page(visit, PATH, answer, no_readings(visit.pack), care=("current",))
    return pack_page(
        visit,
        PATH,
        answer,
        month_by_month(visit),
        depths(health),
        stress(health),
        parts.section("Has its resistance grown?", parts.answer_block(resistance_answer(health))),
        load_part(visit),
        parts.section("How fast does it fade?", parts.answer_block(fade_answer(health))),
        cells_part(health),
        openings(health, visit),
        parts.rests_on(health.readings, visit.view, health.cycles.basis),
        care=("current", "dead"),
    )


def month_by_month(visit: Visit) -> Component | None:
    """Charge in and out."""
    hours = visit.answers.hours(visit.pack.id)
    if hours.empty or not hours["logged_s"].any():
        return None
    months = monthly(hours, visit.view)
    rows = [
        [
            f"{pd.Timestamp(row.month):%b %Y}",
            quantity(float(row.charge_ah), "Ah", 1),
            quantity(float(row.discharge_ah), "Ah", 1),
            lasting(float(row.logged_s)),
        ]
        for row in months.iloc[::-1][: parts.MOST_ROWS].itertuples()
    ]
    table = parts.table("Charge by month, newest first", ("Month", "In", "Out", "Logged"), rows, numeric=(1, 2, 3))
    caption = parts.key(("in", "into the pack"), ("out", "out of the pack; only logged time counts"))
    title, lead = "Month by month", "As the sensor counted it; the sums above are corrected for its error at zero."
    if len(rows) == 1:
        words = html.P("One month is in the log so far; a picture over time needs two.")
        return parts.section(title, words, parts.data(1, table, visit.pack.id, "months"), lead=lead)
    label = "Charge into and out of the pack by month. The table below has the values."
    figure = monthly_charge(months)
    draw_notes(figure, visit.answers.notes(visit.pack.id), visit.view)
    content = parts.data(len(months), table, visit.pack.id, "months")
    return parts.section(title, parts.chart(figure, label, caption), content, lead=lead)


def depths(health: Health) -> Component | None:
    """Counted cycles by depth."""
    bins = health.cycles.depth_histogram
    if not bins:
        return None
    lead = "Small dips are counted with the deep cycle they ride on, by the rainflow method (ASTM E1049)."
    label = "Number of cycles by depth of discharge. The table below has the values."
    rows = [
        [f"{number(entry.depth_low_percent)} to {number(entry.depth_high_percent)} %", number(entry.count, 1)]
        for entry in bins
    ]
    table = parts.table("Cycles by depth of discharge", ("Depth", "Cycles"), rows, numeric=(1,))
    return parts.section(
        "How deep",
        parts.chart(cycle_depths(health), label),
        parts.folded(f"All {len(rows)} as a table", table),
        lead=lead,
    )


def stress(health: Health) -> Component | None:
    """Logged time spent where packs age."""
    cycles = health.cycles
    if health.readings.logged_hours <= 0:
        return None
    return parts.section(
        "Time where packs age",
        parts.facts(
            ("Above its warm limit", spent(cycles.hot_hours)),
            ("Full above 30 °C", spent(cycles.full_and_warm_hours)),
            ("Below 3.0 V a cell", spent(cycles.nearly_empty_hours)),
        ),
        lead="Heat ages a full pack faster than use does. Only logged time counts.",
    )


def openings(health: Health, visit: Visit) -> Component | None:
    """When the protection board opened."""
    events = sorted(health.protection.events, key=lambda event: event.start_ms, reverse=True)
    reason, unseen = health.protection.reason, between_readings(health.readings)
    if not events:
        return parts.section(
            "Did the protection open?",
            html.P("No opening of the protection board is in the logged time."),
            unseen,
            html.P(reason) if reason else None,
        )
    rows = [
        [
            visit.view.moment(event.start_ms),
            "open at the end of the log" if event.end_ms is None else lasting((event.end_ms - event.start_ms) / 1000),
            protection_words(event),
            parts.readings_link(visit.pack.id, visit.view, event.start_ms, event.end_ms or event.start_ms),
        ]
        for event in events[: parts.MOST_ROWS]
    ]
    table = parts.table(
        "Openings of the protection board, newest first", ("Began", "Lasted", "Why", "Look closer"), rows
    )
    refused = sum(event.kind == REFUSED for event in events)
    told = [
        f"{verb} {'once' if count == 1 else f'{count} times'}"
        for verb, count in (("opened", len(events) - refused), ("refused a charge in the cold", refused))
        if count
    ]
    words = html.P(f"It {joined(told)} in the logged time.")
    seen = [event for event in events if event.before][:MOST_SEEN]
    return parts.section(
        "Did the protection open?",
        words,
        unseen,
        html.P(reason) if reason else None,
        parts.data(len(events), table, visit.pack.id, "protection"),
        parts.folded("The last minutes before each", *(last_minutes(event, visit.view) for event in seen))
        if seen
        else None,
    )


def between_readings(readings: ReadingsSummary) -> Component | None:
    """Remind that a trip which is over before the next reading leaves nothing in the log."""
    if readings.interval_s is None or readings.interval_s < COARSE_S:
        return None
    between = f"{lasting(readings.interval_s)} between two readings"
    return html.P(f"One that was over within the {between} may have passed unseen.", className="quiet")


def last_minutes(event: ProtectionEvent, view: View) -> Component:
    """What was logged shortly before the board acted: the evidence for the reason given."""
    rows = [
        [
            view.second(sight.time_ms),
            known(sight.voltage_v, "V", 2),
            known(sight.current_a, "A", 1),
            UNKNOWN if sight.temperature_c is None else view.degrees(sight.temperature_c, 1),
            known(sight.soc_percent, "%", 0),
            known(sight.lowest_cell_v, "V", 3),
        ]
        for sight in event.before
    ]
    heads = ["Time", "Voltage", "Current, charging is positive", "Temperature", "Charge, as reported", "Lowest cell"]
    kept = [place for place in range(len(heads)) if place == 0 or any(row[place] != UNKNOWN for row in rows)]
    return parts.table(
        f"Before {view.moment(event.start_ms)}: {protection_words(event).lower()}",
        [heads[place] for place in kept],
        [[row[place] for place in kept] for row in rows],
        numeric=range(1, len(kept)),
    )


def known(value: float | None, unit: str, places: int) -> str:
    """A value, if there is one."""
    return UNKNOWN if value is None else quantity(value, unit, places)


def cells_part(health: Health) -> Component:
    """Whether its cells are in step at both ends."""
    cells = health.cells
    lines = []
    for spread, cell, days, end, first in (
        (cells.spread_full_v, cells.first_full_cell, cells.days_full, "full", "reaches full first"),
        (cells.spread_empty_v, cells.first_empty_cell, cells.days_empty, "the bottom", "runs low first"),
    ):
        if spread is not None:
            words = f"At {end} they are {quantity(spread.value, 'V', spread.decimals)} apart ({between(spread, 'V')}, {days} {plural(days, 'day')})"
            lines.append(f"{words}; cell {cell} mostly {first}." if cell is not None else f"{words}.")
    if cells.reason:
        lines.append(cells.reason)
    return parts.section("Are its cells in step?", *(html.P(line) for line in lines))


def register(app: Dash, answers: Answers) -> None:
    """Wire the form of a load."""
    load.register(app, answers)


PAGE = Page("use", PATH, "How is it used and worn?", layout, register)
