"""`logbook flag`: what needs a look, and what its owner has seen."""

from __future__ import annotations

from typing import TYPE_CHECKING, Any

import click

from logbook.cli.output import document, result, say, table
from logbook.cli.progress import progress
from logbook.cli.session import Session, only_pack, pass_session
from logbook.cli.words import day
from logbook.units import iso_from_ms

if TYPE_CHECKING:
    from logbook.schema.health import Flag
    from logbook.schema.pack import Pack
    from logbook.store import Store

pack_option = click.option("--pack", "pack_name", metavar="NAME", help="Needed when there are several packs.")


@click.group()
def flag() -> None:
    """List what needs a look, and say what you have seen."""


@flag.command("list")
@click.argument("pack_name", metavar="[PACK]", required=False)
@click.option("--json", "as_json", is_flag=True, help="Print JSON.")
@pass_session
def list_(session: Session, pack_name: str | None, as_json: bool) -> None:
    """List the flags of PACK, or of all packs, with their codes."""
    from logbook.store.packs import list_packs, pack_named

    with session.store_to_read() as store:
        packs = [pack_named(store, pack_name)] if pack_name is not None else list_packs(store)
        flags = [(pack, entry) for pack in packs for entry in _flags(store, pack)]
    if as_json:
        document([_document(pack, entry) for pack, entry in flags])
    elif flags:
        table("", ("pack", "code", "severity", "since", "seen", "what"), (_row(*pair) for pair in flags))
        say("Once you have seen one:  logbook flag seen CODE")
    else:
        say("No flag.")


@flag.command("seen")
@click.argument("code")
@pack_option
@pass_session
def seen(session: Session, code: str, pack_name: str | None) -> None:
    """Acknowledge the flag CODE.

    It is no longer listed as new, as long as it stands.
    """
    _mark(session, code, pack_name, seen=True)


@flag.command("unseen")
@click.argument("code")
@pack_option
@pass_session
def unseen(session: Session, code: str, pack_name: str | None) -> None:
    """Take back that the flag CODE was seen."""
    _mark(session, code, pack_name, seen=False)


def _mark(session: Session, code: str, pack_name: str | None, *, seen: bool) -> None:
    from logbook.errors import UnknownName, nearest
    from logbook.store.notes import acknowledge, acknowledged

    with session.store() as store:
        pack = only_pack(store, pack_name)
        known = {entry.code for entry in _flags(store, pack)} if seen else acknowledged(store, pack.id)
        if code not in known:
            state = "is not raised" if seen else "was not acknowledged"
            mend = f"{nearest(code, known)} List them with: logbook flag list".strip()
            raise UnknownName(f'the flag "{code}" {state} for {pack.name}.', mend=mend)
        acknowledge(store, pack.id, code, seen=seen)
    result(f"{pack.name}: {code} is {'seen' if seen else 'new again'}.")


def _flags(store: Store, pack: Pack) -> tuple[Flag, ...]:
    from logbook.jobs.health import health

    with progress(f"Reading the log of {pack.name}") as tick:
        return health(store, pack, tick).flags


def _row(pack: Pack, entry: Flag) -> tuple[str, ...]:
    since = "-" if entry.start_ms is None else day(entry.start_ms, pack.time_zone)
    return (pack.name, entry.code, entry.severity, since, "yes" if entry.acknowledged else "no", entry.message)


def _document(pack: Pack, entry: Flag) -> dict[str, Any]:
    start, end = (None if when is None else iso_from_ms(when) for when in (entry.start_ms, entry.end_ms))
    return {
        "pack": pack.name,
        "code": entry.code,
        "severity": entry.severity,
        "message": entry.message,
        "advice": entry.advice,
        "start": start,
        "end": end,
        "acknowledged": entry.acknowledged,
    }
