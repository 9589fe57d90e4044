"""`logbook health`: the answer, in plain words or as the contract's JSON."""

from __future__ import annotations

import click

from logbook.cli.output import document, say
from logbook.cli.progress import progress
from logbook.cli.session import Session, only_pack, pass_session


@click.command("health")
@click.argument("pack_name", metavar="[PACK]", required=False)
@click.option("--json", "as_json", is_flag=True, help="Print one JSON document; its keys are stable.")
@pass_session
def health(session: Session, pack_name: str | None, as_json: bool) -> None:
    """Say how PACK is, capacity first.

    Without PACK and with several packs in the logbook, each is answered in turn; JSON is of one pack.
    """
    from logbook.cli.report import print_health
    from logbook.jobs.health import health as answer
    from logbook.store.packs import list_packs

    with session.store_to_read() as store:
        packs = list_packs(store) if pack_name is None and not as_json else []
        for pack in packs if len(packs) > 1 else [only_pack(store, pack_name)]:
            with progress(f"Reading the log of {pack.name}") as tick:
                answered = answer(store, pack, tick)
            if as_json:
                document(answered.as_json())
            else:
                print_health(answered, pack.time_zone)
    if not as_json:
        say()
        say("The same in full for programs: --json. With charts: logbook serve.")
