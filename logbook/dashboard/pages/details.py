"""Details: what is known of a pack, its rating and limits each with its reason; a change works every answer out anew."""

from __future__ import annotations

import time
from dataclasses import asdict
from datetime import date
from typing import TYPE_CHECKING, Any
from zoneinfo import available_timezones

import dash_mantine_components as dmc
from dash import ALL, Input, Output, State, html, no_update, set_props
from dash.exceptions import PreventUpdate

from logbook.dashboard import parts
from logbook.dashboard.page import Page, Visit, pack_numbered, reader_view
from logbook.dashboard.pages import swap
from logbook.dashboard.pages.frame import pack_page
from logbook.dashboard.plain import error_words
from logbook.dashboard.view import known_zone
from logbook.errors import LogbookError, nearest
from logbook.schema.pack import CHEMISTRIES, LIMIT_FIELDS, LIMITS_IN_ORDER, Limits
from logbook.units import celsius_from_fahrenheit

if TYPE_CHECKING:
    from collections.abc import Mapping

    from dash import Dash
    from dash.development.base_component import Component

    from logbook.dashboard.answers import Answers
    from logbook.dashboard.view import View
    from logbook.schema.pack import Pack

PATH = "/pack/<pack>/details"
SAVE, TOLD, PACK = "details-save", "details-told", "details-pack"
PROPERTIES = ("name", "chemistry", "cells", "ah", "bought", "zone")
"""Fields of a pack in a form, each with an id of `prefix-property`."""
WORDS = {
    "charge_minimum_c": "Coldest it may be charged",
    "charge_maximum_c": "Warmest it may be charged",
    "full_voltage_v": "Voltage from which it may be full",
    "tail_current_a": "Charging current below which it is full",
    "full_hold_s": "Held so long to count as full",
    "knee_voltage_v": "Voltage of the bottom knee",
    "cutoff_voltage_v": "Voltage at which it is empty",
    "continuous_current_a": "Current it may give for long",
    "peak_current_a": "Current it may give for seconds",
    "flag_offset_a": "Current that reads so far off zero",
    "flag_percentage_points": "Reported charge that is so far off",
    "flag_standby_a": "Draw while parked",
    "flag_cutoffs": "Cut-offs by a low cell",
    "flag_logged_percent": "Share of the time that is logged, below",
    "flag_cell_spread_v": "Cells so far apart at full",
}
"""A limit as people say it; one that is not here is called by its own name."""
UNIT_ENDINGS = ("_percent", "_hours", "_days", "_wh", "_ah", "_c", "_v", "_a", "_s", "_h", "_d")
FLAG = "flag_"
"""How the name of a limit begins from which a flag is raised."""
MOST_CELLS, MOST_AH = 1000, 100_000


def layout(visit: Visit) -> Component:
    """The form: what the pack is, then its limits."""
    pack = visit.pack
    return pack_page(
        visit,
        PATH,
        None,
        html.P("What its label and its sheet say. A change works every answer out anew.", className="lead"),
        html.Div(pack_fields("details", pack, pack.time_zone), className="form"),
        parts.section(
            "Its limits",
            html.Div(limit_fields(pack, visit.view, flags=False), className="form wide"),
            lead="An empty field keeps its default. Where the pack's own sheet says something else, write that.",
        ),
        parts.section(
            "From where it asks for your attention",
            html.Div(limit_fields(pack, visit.view, flags=True), className="form wide"),
        ),
        html.Div(
            [
                html.Button("Keep these details", id=SAVE, className="main-button", n_clicks=0),
                html.P(id=TOLD, role="alert", className="told"),
            ],
            className="form",
        ),
        html.Data(id=PACK, value=str(pack.id)),
        swap.swap_part(visit),
        care=("frozen", "current"),
    )


def pack_fields(prefix: str, pack: Pack | None, zone: str) -> list[Component]:
    """Name, chemistry, cells, rating, day of purchase and zone.

    A new pack comes with the usual values, but for its rating: every verdict is measured against it.
    """
    return [
        dmc.TextInput(
            id=f"{prefix}-name", label="Name", placeholder="House", value=pack.name if pack else "", className="field"
        ),
        dmc.NumberInput(
            id=f"{prefix}-ah",
            label="Rated amp-hours, from its label",
            placeholder="100",
            value=pack.rated_ah if pack else "",
            min=0.1,
            hideControls=True,
            className="field",
        ),
        dmc.NumberInput(
            id=f"{prefix}-cells",
            label="Cells in series (4 make 12 V)",
            value=pack.cells_in_series if pack else 4,
            min=1,
            max=MOST_CELLS,
            allowDecimal=False,
            hideControls=True,
            className="field",
        ),
        dmc.Select(
            id=f"{prefix}-chemistry",
            label="Chemistry",
            data=[{"value": entry.name, "label": entry.label} for entry in CHEMISTRIES],
            value=pack.chemistry if pack else CHEMISTRIES[0].name,
            allowDeselect=False,
            className="field",
        ),
        dmc.TextInput(
            id=f"{prefix}-zone",
            label="Time zone you read clocks in",
            description="For example Europe/Berlin",
            value=zone,
            className="field",
        ),
        dmc.TextInput(
            id=f"{prefix}-bought",
            label="Bought on, if you know",
            value=pack.purchased.isoformat() if pack and pack.purchased else "",
            inputProps={"type": "date"},
            className="field",
        ),
    ]


def limit_fields(pack: Pack, view: View, *, flags: bool) -> list[Component]:
    """One field a limit of the schema, of the pack itself or of its flags, with its default and the reason for it."""
    now, usual = asdict(pack.limits), asdict(defaults_of(pack))
    return [
        dmc.NumberInput(
            id={"type": "details-limit", "name": name},
            label=f"{limit_words(name)} ({shown_unit(unit, view)})",
            description=f"Default {shown(usual[name], unit, view):g} {shown_unit(unit, view)}: {reason}",
            placeholder=f"{shown(usual[name], unit, view):g}",
            value="" if now[name] == usual[name] else shown(now[name], unit, view),
            hideControls=True,
            className="field",
        )
        for name, unit, reason in LIMIT_FIELDS
        if name.startswith(FLAG) == flags
    ]


def defaults_of(pack: Pack) -> Limits:
    """What the limits are where its owner says nothing."""
    return Limits.defaults(pack.rated_ah, pack.cells_in_series, pack.chemistry)


def limit_words(name: str) -> str:
    """The name of a limit as people say it, its unit left to the brackets."""
    if name in WORDS:
        return WORDS[name]
    ending = next((ending for ending in UNIT_ENDINGS if name.endswith(ending)), "")
    return name.removeprefix(FLAG).removesuffix(ending).replace("_", " ").capitalize()


def shown(value: float, unit: str, view: View) -> float:
    """A limit in the reader's unit."""
    return round(view.temperature(value), 3) if unit == "°C" else value


def shown_unit(unit: str, view: View) -> str:
    """The unit a reader sees."""
    return view.temperature_unit if unit == "°C" else unit


def register(app: Dash, answers: Answers) -> None:
    """Wire the buttons."""
    swap.register(app, answers)

    @app.callback(
        Output("changed", "data", allow_duplicate=True),
        Output(TOLD, "children"),
        Input(SAVE, "n_clicks"),
        *(State(f"details-{name}", "value") for name in PROPERTIES),
        State({"type": "details-limit", "name": ALL}, "value"),
        State({"type": "details-limit", "name": ALL}, "id"),
        State(PACK, "value"),
        running=[(Output(TOLD, "children"), "Working every answer out anew …", "")],
        prevent_initial_call=True,
    )
    def save(clicks: int | None, *given: Any) -> tuple[Any, str]:
        if not clicks:
            raise PreventUpdate
        *values, limits, ids, pack_id = given
        pack = pack_numbered(answers, pack_id)
        typed = dict(zip([entry["name"] for entry in ids], limits, strict=True))
        fields = dict(zip(PROPERTIES, values, strict=True))
        view = reader_view(pack.time_zone)
        trouble = pack_trouble(**fields) or limits_trouble(typed)
        if trouble:
            return no_update, trouble
        changes = {**pack_changes(**fields), "limits": limit_changes(typed, view)}
        trouble = order_trouble(changes, view)
        if trouble:
            return no_update, trouble
        try:
            answers.health(answers.edit_pack(pack.name, **changes))
        except LogbookError as error:
            return no_update, told(error)
        set_props("done", {"children": f"Kept. Every answer for {changes['name']} follows from these details."})
        return time.time(), ""


def pack_trouble(name: Any, chemistry: Any, cells: Any, ah: Any, bought: Any, zone: Any) -> str:
    """What is wrong with the fields of a pack, the first of it; empty where nothing is."""
    looked_at = (
        (isinstance(name, str) and name.strip(), "Give the pack a name."),
        (
            not isinstance(ah, bool) and isinstance(ah, (int, float)) and 0 < ah <= MOST_AH,
            f"Give its rated amp-hours as a number above 0, at most {MOST_AH}.",
        ),
        (
            isinstance(cells, int) and 1 <= cells <= MOST_CELLS,
            f"Give its cells in series as a whole number from 1 to {MOST_CELLS}.",
        ),
        (
            chemistry in {entry.name for entry in CHEMISTRIES},
            f"Choose one of {', '.join(entry.label for entry in CHEMISTRIES)} as its chemistry.",
        ),
        (isinstance(zone, str) and known_zone(zone.strip()), zone_trouble(zone)),
        (not bought or day_of(bought), "Give the day it was bought as year-month-day, or leave it empty."),
    )
    return next((words for fine, words in looked_at if not fine), "")


def zone_trouble(zone: Any) -> str:
    """What to say of a zone that is none, with the nearest."""
    return f"Give a time zone such as Europe/Berlin. {nearest(str(zone or ''), available_timezones())}".strip()


def day_of(text: Any) -> date | None:
    """A day of ISO 8601; None where it is none."""
    try:
        return date.fromisoformat(str(text))
    except ValueError:
        return None


def pack_changes(name: Any, chemistry: Any, cells: Any, ah: Any, bought: Any, zone: Any) -> dict[str, Any]:
    """The fields of a pack as the logbook takes them; they were looked at before."""
    return {
        "name": name.strip(),
        "chemistry": chemistry,
        "cells_in_series": int(cells),
        "rated_ah": float(ah),
        "purchased": day_of(bought) if bought else None,
        "time_zone": zone.strip(),
    }


def limits_trouble(typed: Mapping[str, Any]) -> str:
    """Which field holds no number; empty where all do or are empty."""
    known = {name for name, _unit, _reason in LIMIT_FIELDS}
    for name, value in typed.items():
        if name not in known:
            return "A pack has no such limit."
        if value not in {"", None} and (isinstance(value, bool) or not isinstance(value, (int, float))):
            return f"{limit_words(name)}: give a number, or leave it empty for its default."
    return ""


def limit_changes(typed: Mapping[str, Any], view: View) -> dict[str, float | None]:
    """What was typed, in the units of the schema; None returns to the default."""
    units = {name: unit for name, unit, _reason in LIMIT_FIELDS}
    return {
        name: None if value in {"", None} else stored(float(value), units[name], view) for name, value in typed.items()
    }


def stored(value: float, unit: str, view: View) -> float:
    """A limit from the reader's unit."""
    return round(float(celsius_from_fahrenheit(value)), 3) if unit == "°C" and view.fahrenheit else value


def order_trouble(changes: Mapping[str, Any], view: View) -> str:
    """Two limits that cannot both be; empty where all fit."""
    usual = asdict(Limits.defaults(changes["rated_ah"], changes["cells_in_series"], changes["chemistry"]))
    after = usual | {name: value for name, value in changes["limits"].items() if value is not None}
    units = {name: unit for name, unit, _reason in LIMIT_FIELDS}
    for low, high in LIMITS_IN_ORDER:
        if after[low] > after[high]:
            pair = [
                f"{shown(after[name], units[name], view):g} {shown_unit(units[name], view)}" for name in (low, high)
            ]
            return f"{limit_words(low)} ({pair[0]}) must not lie above: {limit_words(high).lower()} ({pair[1]})."
    return ""


def told(error: LogbookError) -> str:
    """An error in the words of the form."""
    text = f"{error.what} {error.mend}".strip()
    for name, words in PLAIN.items():
        text = text.replace(name, words)
    return error_words(text)


PLAIN = {
    "rated_ah": "Rated amp-hours",
    "cells_in_series": "Cells in series",
    **{name: limit_words(name) for name, _unit, _reason in LIMIT_FIELDS},
}
"""Names of the schema that an error may hold, to the words of the form."""

PAGE = Page("details", PATH, "Its rating and limits", layout, register)
