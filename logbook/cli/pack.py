"""`logbook pack`: the batteries of the logbook, with their ratings and limits."""

from __future__ import annotations

from typing import TYPE_CHECKING, Any

import click

from logbook.cli.output import document, result, say, table
from logbook.cli.session import Session, only_pack, pass_session
from logbook.cli.values import DAY, MOMENT, Finite, FiniteRange, Whole, Words
from logbook.cli.words import counted, day, local_ms, moment, number
from logbook.schema.pack import CHEMISTRIES, LIMIT_FIELDS, Limits

if TYPE_CHECKING:
    from collections.abc import Callable
    from datetime import date, datetime

    from logbook.schema.pack import Pack

LIMIT_NAMES = tuple(name for name, _unit, _reason in LIMIT_FIELDS)
EXAMPLES = ((100.0, 4), (200.0, 4), (100.0, 8))
"""Rated Ah and cells of a pack, of one with twice the rating and of one with twice the cells."""
POSITIVE = FiniteRange(min=0, min_open=True)


@click.group()
def pack() -> None:
    """Add, list, show, edit and swap packs."""


def limit_options(command: Callable[..., Any]) -> Callable[..., Any]:
    """Give a command one option for each limit, with its reason as help."""
    for name, unit, reason in reversed(LIMIT_FIELDS):
        option = "--" + name.replace("_", "-")
        settings = {"type": Finite(), "metavar": unit, "help": f"Default {_default(name, unit)}: {reason}."}
        command = click.option(option, name, **settings)(command)
    return command


def _default(name: str, unit: str) -> str:
    """Write the default of a limit, with the rating or the cells it goes by."""
    value, by_rating, by_cells = (getattr(Limits.defaults(ah, cells), name) for ah, cells in EXAMPLES)
    of = [words for words, other in (("100 Ah", by_rating), ("4 cells", by_cells)) if other != value]
    return f"{value:g} {unit}{' for ' if of else ''}{' in '.join(of)}"


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
@click.argument("name", type=Words())
@click.option("--rated-ah", metavar="AH", type=POSITIVE, required=True, help="Rated capacity on its label, Ah.")
@click.option(
    "--cells",
    metavar="N",
    type=Whole(min=1),
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

    with session.store_to_read() as store:
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
    with session.store_to_read() as store:
        shown = only_pack(store, name)
    if as_json:
        document(_pack_document(shown))
    else:
        _show(shown)


@pack.command("edit")
@click.argument("name")
@click.option("--name", "new_name", type=Words(), help="Call it something else.")
@click.option("--rated-ah", metavar="AH", type=POSITIVE, help="Rated capacity on its label, Ah.")
@click.option("--cells", metavar="N", type=Whole(min=1), help="Cells in series.")
@rating_options
@limit_options
@click.option(
    "--default", "reset", multiple=True, type=click.Choice(LIMIT_NAMES), help="Put a limit back to its default."
)
@pass_session
def edit(session: Session, /, name: str, new_name: str | None, reset: tuple[str, ...], **options: Any) -> None:
    """Change what is known about a pack.

    NAME is what it is called now; its answers are computed anew.
    """
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


@pack.command("swap")
@click.argument("old_name", metavar="OLD")
@click.argument("new_name", metavar="NEW")
@click.option(
    "--at",
    metavar="DATE",
    type=MOMENT,
    required=True,
    help="When NEW took its place, on OLD's clock: 2026-02-07 or 2026-02-07T06:03.",
)
@pass_session
def swap(session: Session, old_name: str, new_name: str, at: datetime) -> None:
    """Say which pack took the place of which, and when.

    The monitor watched OLD before that moment and NEW from then on. It is written down as a note on each; a file imported for either then brings only its own time.
    """
    from logbook.jobs.era import imports_beyond, swap_packs
    from logbook.store.packs import pack_named

    with session.store() as store:
        old, new = pack_named(store, old_name), pack_named(store, new_name)
        at_ms = local_ms(at, old.time_zone)
        swap_packs(store, old, new, at_ms)
        result(f"{new.name} took the place of {old.name} on {moment(at_ms, old.time_zone)}.")
        for entry in (old, new):
            for row in imports_beyond(store, entry):
                say(f"Import {row.id} ({row.file_name}) gave {entry.name} readings of the other's time.")
                say(f"  Take it back with  logbook undo {row.id}  and import its file again for both packs.")


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
