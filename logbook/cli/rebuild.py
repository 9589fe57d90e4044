"""`logbook rebuild`: every finding made again from the readings."""

from __future__ import annotations

import click

from logbook.cli.output import say
from logbook.cli.progress import progress
from logbook.cli.session import Session, pass_session


@click.command("rebuild")
@click.argument("pack_name", metavar="[PACK]", required=False)
@pass_session
def rebuild(session: Session, pack_name: str | None) -> None:
    """Make every finding of PACK, or of all packs, again from its readings.

    The answers must come out the same; broken off, the next command goes on where it stopped.
    """
    from logbook.jobs.refresh import rebuild as make_again
    from logbook.store.packs import list_packs, pack_named

    with session.store() as store:
        for pack in [pack_named(store, pack_name)] if pack_name else list_packs(store):
            with progress(f"Rebuilding {pack.name}") as tick:
                make_again(store, pack, tick)
            say(f'Rebuilt "{pack.name}".')
