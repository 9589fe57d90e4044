"""Load: will an appliance run from this pack, at the charge and warmth it has; what the voltage does under it."""

from __future__ import annotations

from typing import TYPE_CHECKING, Any

import dash_mantine_components as dmc
from dash import Input, Output, State, html
from dash.exceptions import PreventUpdate

from logbook.analysis.sag import sag
from logbook.dashboard import parts
from logbook.dashboard.page import pack_numbered, reader_view
from logbook.dashboard.view import between, quantity
from logbook.dashboard.wording import Answer
from logbook.schema.sag import Load
from logbook.units import celsius_from_fahrenheit

if TYPE_CHECKING:
    from dash import Dash
    from dash.development.base_component import Component

    from logbook.dashboard.answers import Answers
    from logbook.dashboard.page import Visit
    from logbook.dashboard.view import View
    from logbook.schema.estimate import Estimate
    from logbook.schema.health import Health
    from logbook.schema.pack import Pack
    from logbook.schema.sag import Sag

WATTS, CHARGE, WARMTH, INVERTER, SAID, PACK = (
    "load-watts",
    "load-charge",
    "load-warmth",
    "load-inverter",
    "load-said",
    "load-pack",
)
USUAL = Load(watts=1000.0, soc_percent=50.0, temperature_c=15.0)
MOST_WATTS = 20_000
VERDICTS = {
    "carries": ("good", "Carries it"),
    "may_stop": ("look", "May stop"),
    "stops": ("act", "Would stop"),
    "undetermined": ("open", "Cannot tell yet"),
}


def load_part(visit: Visit) -> Component:
    """A small form, and what it comes to."""
    view, title = visit.view, "Will it carry a load?"
    if visit.health.resistance.milliohm_25c is None:
        return parts.section(title, html.P("That needs its resistance, which the log cannot tell yet."))
    fields = [
        number_field(WATTS, "Load (W)", USUAL.watts, 1, MOST_WATTS),
        number_field(CHARGE, "Charge in the pack (%)", USUAL.soc_percent, 0, 100),
        number_field(
            WARMTH, f"Its cells are at ({view.temperature_unit})", view.temperature(USUAL.temperature_c), -60, 150
        ),
        dmc.Switch(id=INVERTER, label="Through an inverter", checked=True, className="field switch"),
    ]
    return parts.section(
        title,
        html.Div(fields, className="form wide four"),
        html.Div(load_answer(visit.health, visit.pack, USUAL), id=SAID, role="status"),
        html.Data(id=PACK, value=str(visit.pack.id)),
        lead="A kettle takes about 1200 W, a hair dryer 1500 W, a fridge 50 W: see the plate on yours.",
    )


def number_field(name: str, label: str, value: float, least: float, most: float) -> Component:
    """A field for one number."""
    field: Component = dmc.NumberInput(
        id=name, label=label, value=value, min=least, max=most, hideControls=True, className="field", debounce=400
    )
    return field


def load_answer(health: Health, pack: Pack, load: Load) -> Component:
    """What the load does, in words first."""
    found = sag(health.resistance, pack, load)
    tone, verdict = VERDICTS[found.verdict]
    if found.after_minutes_v is None or found.at_once_v is None or found.current_a is None or found.resting_v is None:
        answer = Answer(tone, verdict, "The log cannot tell yet what a load does to it.", found.reason or "")
        return parts.answer_block(answer)
    sentence = (
        f"Under {quantity(load.watts, 'W')} about {quantity(found.after_minutes_v.value, 'V', 1)} are left after some "
        f"minutes, with {quantity(found.current_a.value, 'A')} through the pack."
    )
    stops = f"An inverter usually gives up below {quantity(found.stops_below_v, 'V', 1)}."
    return html.Div(
        [
            parts.answer_block(Answer(tone, verdict, sentence, stops)),
            voltage_rule(found),
            parts.facts(
                ("Before it", span(found.resting_v, "V", 2)),
                ("At once", span(found.at_once_v, "V", 2)),
                ("After some minutes", span(found.after_minutes_v, "V", 2)),
                ("Current", span(found.current_a, "A", 0)),
            ),
            html.Ul([html.Li(words) for words in found.cautions], className="quiet care"),
        ],
        className="stack",
    )


def span(estimate: Estimate, unit: str, places: int) -> str:
    """A value and its interval."""
    return f"{quantity(estimate.value, unit, places)} ({between(estimate, unit, places)})"


def voltage_rule(found: Sag) -> Component:
    """The voltage on a rule from where an inverter stops up to where the pack rests."""
    rest, later = found.resting_v, found.after_minutes_v
    if rest is None or later is None:
        return html.Div()
    low = min(found.stops_below_v, later.low)
    high = max(rest.high, found.stops_below_v + 0.1)
    room = 0.08 * (high - low)

    def at(volts: float) -> str:
        return f"{100 * (volts - low + room) / (high - low + 2 * room):.2f}%"

    ends = {"left": at(later.low), "right": f"calc(100% - {at(later.high)})"}
    children = [
        html.Span(className="notch notch-long", style={"left": at(found.stops_below_v)}),
        html.Span(className="notch notch-long", style={"left": at(rest.value)}),
        html.Span(className="rule-span", style=ends),
        html.Span(className="rule-value", style={"left": at(later.value)}),
        html.Span("stops", className="rule-word", style={"left": at(found.stops_below_v)}),
        html.Span("before", className="rule-word", style={"left": at(rest.value)}),
        html.Span(quantity(later.value, "V", 1), className="rule-word rule-named", style={"left": at(later.value)}),
    ]
    label = f"{span(later, 'V', 2)} after some minutes; an inverter stops below {quantity(found.stops_below_v, 'V', 1)}"
    return html.Div(children, className="rule", role="img", **parts.named(label))


def register(app: Dash, answers: Answers) -> None:
    """Wire the form."""

    @app.callback(
        Output(SAID, "children"),
        Input(WATTS, "value"),
        Input(CHARGE, "value"),
        Input(WARMTH, "value"),
        Input(INVERTER, "checked"),
        State(PACK, "value"),
        prevent_initial_call=True,
    )
    def foretell(watts: Any, charge: Any, warmth: Any, inverter: Any, pack_id: str) -> Component:
        pack = pack_numbered(answers, pack_id)
        load = load_of(watts, charge, warmth, inverter, reader_view(pack.time_zone))
        if isinstance(load, str):
            return html.P(load, className="told", role="alert")
        if load is None:
            raise PreventUpdate
        return load_answer(answers.health(pack), pack, load)


def load_of(watts: Any, charge: Any, warmth: Any, inverter: Any, view: View) -> Load | str | None:
    """The load of the form; what is wrong with it, in words; None while a field is empty."""
    given = (watts, charge, warmth)
    if any(value in {"", None} for value in given):
        return None
    if any(isinstance(value, bool) or not isinstance(value, (int, float)) for value in given):
        return "Give the load, the charge and the temperature as numbers."
    if not 0 < watts <= MOST_WATTS:
        return f"Give the load as watts above 0, at most {MOST_WATTS}."
    if not 0 <= charge <= 100:
        return "Give the charge as a percentage from 0 to 100."
    warmth_c = float(celsius_from_fahrenheit(warmth)) if view.fahrenheit else float(warmth)
    return Load(float(watts), float(charge), warmth_c, *(() if inverter else (1.0,)))
