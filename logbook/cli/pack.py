"""`logbook pack`: the batteries of the logbook, with their ratings and limits."""

from __future__ import annotations

import math
from typing import TYPE_CHECKING, Any

import click

from logbook.cli.dates import DAY
from logbook.cli.output import document, result, say, table
from logbook.cli.session import Session, only_pack, pass_session
from logbook.cli.words import counted, day, number
from logbook.schema.pack import CHEMISTRIES, LIMIT_FIELDS, Limits

if TYPE_CHECKING:
    from collections.abc import Callable
    from datetime import date, datetime

    from logbook.schema.pack import Pack

LIMIT_NAMES = tuple(name for name, _unit, _reason in LIMIT_FIELDS)
POSITIVE = click.FloatRange(min=0, min_open=True)


@click.group()
def pack() -> None:
    """Add, list, show and edit packs."""


def limit_options(command: Callable[..., Any]) -> Callable[..., Any]:
    """Give a command one option for each limit, with its reason as help."""
    for name, unit, reason in reversed(LIMIT_FIELDS):
        option = "--" + name.replace("_", "-")
        settings = {"type": float, "metavar": unit, "callback": _finite, "help": f"Default: {reason}."}
        command = click.option(option, name, **settings)(command)
    return command


def _finite(_context: click.Context, _option: click.Parameter, value: float | None) -> float | None:
    if value is not None and not math.isfinite(value):
        raise click.BadParameter("it must be a number.")
    return value


def rating_options(command: Callable[..., Any]) -> Callable[..., Any]:
    """Give a command the options that say what a pack is."""
    options = (
        click.option("--chemistry", type=click.Choice([entry.name for entry in CHEMISTRIES]), help="Default: lfp."),
        click.option(
            "--purchased",
            metavar="DATE",
            type=DAY,
            help="Day of purchase, such as 2024-03-01.",
        ),
        click.option("--timezone", metavar="ZONE", help="Zone of its clock, such as Europe/Berlin. Default: UTC."),
    )
    for option in reversed(options):
        command = option(command)
    return command


@pack.command("add")
@click.argument("name")
@click.option("--rated-ah", metavar="AH", type=POSITIVE, required=True, help="Rated capacity on its label, Ah.")
@click.option(
    "--cells",
    metavar="N",
    type=click.IntRange(min=1),
    required=True,
    help="Cells in series: 4 for a 12.8 V LiFePO4 pack.",
)
@rating_options
@limit_options
@pass_session
def add(session: Session, /, name: str, rated_ah: float, cells: int, **options: Any) -> None:
    """Add a pack called NAME. The pack's own sheet wins over every default below."""
    from logbook.store.packs import add_pack

    with session.store() as store:
        added = add_pack(
            store, name=name, rated_ah=rated_ah, cells_in_series=cells, **_traits(options), limits=_limits(options)
        )
        say(f'Added "{added.name}".')
        _show(added)
        say(f'Next:  logbook import trip.csv --pack "{added.name}"')


@pack.command("list")
@click.option("--json", "as_json", is_flag=True, help="Print JSON.")
@pass_session
def list_(session: Session, as_json: bool) -> None:
    """List all packs."""
    from logbook.store.packs import list_packs
    from logbook.store.readings import reading_span

    with session.store() as store:
        packs = [(entry, *reading_span(store, entry.id)) for entry in list_packs(store)]
    if as_json:
        document([{**_pack_document(entry), "readings": count} for entry, count, _first, _last in packs])
        return
    if not packs:
        say('No pack yet. Add one:  logbook pack add "House battery" --rated-ah 100 --cells 4')
        return
    rows = [_pack_row(entry, count, first, last) for entry, count, first, last in packs]
    table("", ("pack", "rated Ah", "cells", "chemistry", "readings", "first", "last"), rows, ("rated Ah", "readings"))


@pack.command("show")
@click.argument("name", required=False)
@click.option("--json", "as_json", is_flag=True, help="Print JSON.")
@pass_session
def show(session: Session, name: str | None, as_json: bool) -> None:
    """Show one pack with each limit, its default and the reason for it."""
    with session.store() as store:
        shown = only_pack(store, name)
    if as_json:
        document(_pack_document(shown))
    else:
        _show(shown)


@pack.command("edit")
@click.argument("name")
@click.option("--name", "new_name", help="Call it something else.")
@click.option("--rated-ah", metavar="AH", type=POSITIVE, help="Rated capacity on its label, Ah.")
@click.option("--cells", metavar="N", type=click.IntRange(min=1), help="Cells in series.")
@rating_options
@limit_options
@click.option(
    "--default", "reset", multiple=True, type=click.Choice(LIMIT_NAMES), help="Put a limit back to its default."
)
@pass_session
def edit(session: Session, /, name: str, new_name: str | None, reset: tuple[str, ...], **options: Any) -> None:
    """Change what is known about the pack called NAME; its answers are computed anew."""
    from logbook.store.packs import edit_pack

    with session.store() as store:
        rating = {"name": new_name, "rated_ah": options["rated_ah"], "cells_in_series": options["cells"]}
        changes = {key: value for key, value in rating.items() if value is not None} | _traits(options)
        limits = {**dict.fromkeys(reset), **_limits(options)}
        if not changes and not limits:
            say("Nothing to change. See:  logbook pack edit --help")
            return
        edited = edit_pack(store, name, **changes, limits=limits)
        say(f'Changed "{edited.name}".')
        _show(edited)


def _limits(options: dict[str, Any]) -> dict[str, float]:
    return {name: options[name] for name in LIMIT_NAMES if options[name] is not None}


def _traits(options: dict[str, Any]) -> dict[str, Any]:
    purchased: datetime | None = options["purchased"]
    bought: date | None = purchased.date() if purchased else None
    traits = {"chemistry": options["chemistry"], "purchased": bought, "time_zone": options["timezone"]}
    return {key: value for key, value in traits.items() if value is not None}


def _pack_row(entry: Pack, count: int, first_ms: int | None, last_ms: int | None) -> tuple[object, ...]:
    span = [day(moment, entry.time_zone) if moment is not None else "-" for moment in (first_ms, last_ms)]
    return (entry.name, f"{entry.rated_ah:g}", entry.cells_in_series, entry.cell.label, number(count), *span)


def _pack_document(entry: Pack) -> dict[str, Any]:
    return {
        "name": entry.name,
        "chemistry": entry.chemistry,
        "cells_in_series": entry.cells_in_series,
        "rated_ah": entry.rated_ah,
        "purchased": entry.purchased.isoformat() if entry.purchased else None,
        "time_zone": entry.time_zone,
        "limits": entry.limits.as_dict(),
    }


def _show(entry: Pack) -> None:
    result(
        f"{entry.name}: {entry.rated_ah:g} Ah, {counted(entry.cells_in_series, 'cell')} in series, {entry.cell.label}"
    )
    result(f"Purchased: {entry.purchased or 'not said'}. Its clock: {entry.time_zone}.")
    defaults = Limits.defaults(entry.rated_ah, entry.cells_in_series, entry.chemistry).as_dict()
    values = entry.limits.as_dict()
    rows = [
        (
            name,
            f"{values[name]:g} {unit}",
            "yes" if values[name] == defaults[name] else f"no ({defaults[name]:g})",
            reason,
        )
        for name, unit, reason in LIMIT_FIELDS
    ]
    table("Limits", ("limit", "value", "default", "reason for the default"), rows, ("value",))
