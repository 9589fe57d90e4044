"""Settings: the zone clocks are read in and the unit of temperature; kept in this browser alone."""

from __future__ import annotations

from typing import TYPE_CHECKING
from zoneinfo import available_timezones

import dash_mantine_components as dmc
from dash import Input, Output, html
from flask import has_request_context, request

from logbook.dashboard import parts
from logbook.dashboard.page import Page, Visit, in_browser
from logbook.dashboard.view import ZONE_COOKIE

if TYPE_CHECKING:
    from dash import Dash
    from dash.development.base_component import Component

    from logbook.dashboard.answers import Answers

OWN = "each pack's own"


def layout(visit: Visit) -> Component:
    """Two choices."""
    chosen = request.cookies.get(ZONE_COOKIE, "") if has_request_context() else ""
    zones = [OWN, *sorted(available_timezones())]
    return html.Div(
        [
            html.H1("Settings"),
            html.P(
                "Kept in this browser. Readings are stored in UTC and °C whatever you choose here.", className="lead"
            ),
            parts.section(
                "Time zone",
                dmc.Select(
                    id="settings-zone",
                    label="Show times in",
                    data=zones,
                    value=chosen if chosen in zones else OWN,
                    searchable=True,
                    allowDeselect=False,
                    limit=60,
                    nothingFoundMessage="No zone of that name",
                    className="field",
                ),
            ),
            parts.section(
                "Temperature",
                dmc.RadioGroup(
                    dmc.Group(
                        [dmc.Radio(label="Celsius, °C", value="C"), dmc.Radio(label="Fahrenheit, °F", value="F")]
                    ),
                    id="settings-unit",
                    label="Show temperatures in",
                    value="F" if visit.view.fahrenheit else "C",
                ),
            ),
            html.P(id="settings-told", role="status", className="told"),
        ],
        className="sheet",
    )


def register(app: Dash, _answers: Answers) -> None:
    """Wire the choices: the browser keeps them in two cookies."""
    in_browser(
        app,
        "keepSettings",
        Output("settings-told", "children"),
        Input("settings-zone", "value"),
        Input("settings-unit", "value"),
        prevent_initial_call=True,
    )


PAGE = Page("settings", "/settings", "Settings", layout, register)
