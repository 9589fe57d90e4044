"""`logbook sag` and `logbook parked`: what a load would do, and when to be back."""

from __future__ import annotations

from dataclasses import asdict
from datetime import date, timedelta
from typing import TYPE_CHECKING

import click

from logbook.cli.output import document, heading, paragraph
from logbook.cli.progress import progress
from logbook.cli.session import Session, only_pack, pass_session
from logbook.cli.values import DAY, FiniteRange
from logbook.cli.words import day_of, interval, number, today

if TYPE_CHECKING:
    from datetime import datetime

    from logbook.schema.estimate import Estimate
    from logbook.schema.health import Health
    from logbook.schema.pack import Pack
    from logbook.schema.sag import Sag
    from logbook.store import Store

PERCENT = FiniteRange(0, 100)
FULL_TO_FIFTH = 80.0
"""Percent that `Idle.days_full_to_fifth` is about."""
FURTHEST_DAYS = 3650.0
"""Later than in ten years no date is told."""
VERDICTS = {
    "carries": "It carries this load: even at the low end it stays above {stops}.",
    "may_stop": "It may stop: the low end falls below {stops}, where the load gives up.",
    "stops": "It stops: it falls below {stops}, where the load gives up.",
    "undetermined": "Cannot tell.",
}
PARKED_CAUTIONS = (
    "Park it cool and dry, with consumers and chargers switched off, and never empty. A pack found low may be charged "
    "only while its cells are above the limit in its own sheet, and not at all with a cell below 2 V."
)
"""Common practice in the trade; no single source."""


@click.command("sag")
@click.argument("pack_name", metavar="[PACK]", required=False)
@click.option("--watts", metavar="W", type=FiniteRange(0, 1e6, min_open=True), required=True, help="Of the load.")
@click.option("--soc", metavar="PERCENT", type=PERCENT, required=True, help="State of charge when it starts.")
@click.option("--celsius", metavar="C", type=FiniteRange(-100, 200), required=True, help="Temperature of the cells.")
@click.option(
    "--efficiency",
    metavar="SHARE",
    type=FiniteRange(0.1, 1),
    default=0.88,
    show_default=True,
    help="Of the inverter; 1 for a load on the pack's own voltage.",
)
@click.option(
    "--stops-below",
    metavar="V",
    type=FiniteRange(0, 10_000),
    help="Voltage where the inverter gives up. Default: 2.625 V a cell.",
)
@click.option("--json", "as_json", is_flag=True, help="Print JSON.")
@pass_session
def sag(
    session: Session,
    pack_name: str | None,
    watts: float,
    soc: float,
    celsius: float,
    efficiency: float,
    stops_below: float | None,
    as_json: bool,
) -> None:
    """Foretell the voltage of PACK under a load.

    It follows from the resistance its log shows.
    """
    from logbook.analysis.sag import sag as foretold
    from logbook.schema.sag import Load

    with session.store_to_read() as store:
        pack = only_pack(store, pack_name)
        load = Load(watts, soc, celsius, efficiency, stops_below)
        told = foretold(_health(store, pack).resistance, pack, load)
    if as_json:
        document({"pack": pack.name, **asdict(told)})
    else:
        _print_sag(pack, told)


def _print_sag(pack: Pack, told: Sag) -> None:
    load = told.load
    heading(f"{pack.name}: {load.watts:g} W at {load.soc_percent:g} % and {load.temperature_c:g} °C")
    paragraph(VERDICTS[told.verdict].format(stops=f"{number(told.stops_below_v, 1)} V"), "  ")
    if told.reason:
        paragraph(told.reason, "  ")
    for words, estimate, unit in (
        ("Before the load", told.resting_v, "V"),
        ("In the first second", told.at_once_v, "V"),
        ("After some minutes", told.after_minutes_v, "V"),
        ("Current out of the pack", told.current_a, "A"),
    ):
        if estimate is not None:
            paragraph(f"{words}: {interval(estimate, unit)}.", "  ")
    for caution in told.cautions:
        paragraph(caution, "  ")


@click.command("parked")
@click.argument("pack_name", metavar="[PACK]", required=False)
@click.option("--since", metavar="DATE", type=DAY, help="Day it was or will be parked. Default: today.")
@click.option("--soc", metavar="PERCENT", type=PERCENT, default=100.0, show_default=True, help="Charged to, that day.")
@click.option(
    "--down-to", metavar="PERCENT", type=PERCENT, default=20.0, show_default=True, help="As low as it may get."
)
@click.option("--json", "as_json", is_flag=True, help="Print JSON.")
@pass_session
def parked(
    session: Session, pack_name: str | None, since: datetime | None, soc: float, down_to: float, as_json: bool
) -> None:
    """Say by which day to come back to a parked PACK.

    It is taken to stand as it stood parked in the log.
    """
    if down_to >= soc:
        raise click.BadParameter(f"it must be below the {soc:g} % it is parked at.", param_hint="--down-to")
    with session.store_to_read() as store:
        pack = only_pack(store, pack_name)
        idle = _health(store, pack).idle
    start = since.date() if since else today(pack.time_zone)
    whole = idle.days_full_to_fifth
    days = None if whole is None else whole.scaled((soc - down_to) / FULL_TO_FIFTH)
    if as_json:
        ends = _ends(start, days)
        dates = {name: None if end is None else end.isoformat() for name, end in ends.items()}
        known = None if days is None else days.as_dict()
        document({"pack": pack.name, "since": start.isoformat(), "days": known, "come_back_by": dates})
        return
    heading(f"{pack.name}: if parked on {day_of(start)} at {soc:g} %, until it is down to {down_to:g} %")
    for words in _back(start, days) or ("Cannot tell.", idle.reason or "The log shows no parked stretch of its own."):
        paragraph(words, "  ")
    paragraph(PARKED_CAUTIONS, "  ")


def _back(start: date, days: Estimate | None) -> tuple[str, ...]:
    if days is None:
        return ()
    far = f"after {day_of(start + timedelta(FURTHEST_DAYS))}"
    soonest, middle = (far if end is None else day_of(end) for end in list(_ends(start, days).values())[:2])
    about = f"It is down there about {middle}, after {interval(days, 'days')}, if it is left as it was in the log;"
    return (f"Come back by {soonest}.", f"{about} a warmer place or another consumer makes it sooner.")


def _ends(start: date, days: Estimate | None) -> dict[str, date | None]:
    """The day it is down there, at the soonest and at the latest; None where that is too far off to say."""
    ends = {name: None if days is None else getattr(days, name) for name in ("low", "value", "high")}
    return {
        name: start + timedelta(int(end)) if end is not None and end < FURTHEST_DAYS else None
        for name, end in ends.items()
    }


def _health(store: Store, pack: Pack) -> Health:
    from logbook.jobs.health import health

    with progress(f"Reading the log of {pack.name}") as tick:
        return health(store, pack, tick)
