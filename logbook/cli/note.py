"""`logbook note`: what the owner writes down beside the readings."""

from __future__ import annotations

import time
from typing import TYPE_CHECKING, Any

import click

from logbook.cli.output import document, result, say, table
from logbook.cli.session import Session, only_pack, pass_session
from logbook.cli.values import MOMENT, Whole, Words
from logbook.cli.words import local_ms, moment
from logbook.units import MS_PER_S, iso_from_ms

if TYPE_CHECKING:
    from datetime import datetime

    from logbook.schema.pack import Pack
    from logbook.store import Note, Store

LONGEST = 2000
"""Letters of a note, as on the dashboard."""


@click.group()
def note() -> None:
    """Write down, list and remove notes.

    Cables changed, monitor set anew, pack swapped: what the readings do not say.
    """


@note.command("add")
@click.argument("text", type=Words())
@click.option("--pack", "pack_name", metavar="NAME", help="The pack it is about; needed when there are several.")
@click.option(
    "--at",
    metavar="DATE",
    type=MOMENT,
    help="When it was, on the pack's clock: 2026-02-07 or 2026-02-07T06:03. Default: now.",
)
@pass_session
def add(session: Session, text: str, pack_name: str | None, at: datetime | None) -> None:
    """Write TEXT down; it shows on every picture in time."""
    from logbook.store.notes import add_note

    words = text.strip()
    if not 0 < len(words) <= LONGEST:
        raise click.BadParameter(f"a note has 1 to {LONGEST} letters.", param_hint="TEXT")
    with session.store() as store:
        pack = only_pack(store, pack_name)
        ts_ms = round(time.time() * MS_PER_S) if at is None else local_ms(at, pack.time_zone)
        written = add_note(store, pack.id, ts_ms, words)
    result(f"Note {written.id} on {pack.name}, {moment(ts_ms, pack.time_zone)}: {words}")


@note.command("list")
@click.argument("pack_name", metavar="[PACK]", required=False)
@click.option("--json", "as_json", is_flag=True, help="Print JSON.")
@pass_session
def list_(session: Session, pack_name: str | None, as_json: bool) -> None:
    """List the notes of PACK, or of all packs, by time."""
    from logbook.store.packs import pack_named

    with session.store_to_read() as store:
        only = None if pack_name is None else pack_named(store, pack_name).id
        notes = [(pack, entry) for pack, entry in _notes(store) if only in {None, pack.id}]
    if as_json:
        document([_document(pack, entry) for pack, entry in notes])
    elif notes:
        rows = ((entry.id, pack.name, moment(entry.ts_ms, pack.time_zone), entry.text) for pack, entry in notes)
        table("", ("id", "pack", "when", "note"), rows, ("id",))
    else:
        say('No note yet. Write one:  logbook note add "New lugs on the negative cable"')


@note.command("remove")
@click.argument("note_id", metavar="ID", type=Whole())
@click.option("--yes", is_flag=True, help="Do not ask; needed without a terminal.")
@pass_session
def remove(session: Session, note_id: int, yes: bool) -> None:
    """Remove note ID (see `logbook note list`)."""
    from logbook.errors import UnknownName
    from logbook.store.notes import delete_note

    with session.store() as store:
        pack, found = next((pair for pair in _notes(store) if pair[1].id == note_id), (None, None))
        if pack is None or found is None:
            raise UnknownName(f"there is no note {note_id}.", mend="List them with: logbook note list")
        say(f"Note {found.id} on {pack.name}, {moment(found.ts_ms, pack.time_zone)}: {found.text}")
        if not session.agreed("Remove this note?", yes=yes):
            return
        delete_note(store, note_id)
    result(f"Removed note {note_id}.")


def _notes(store: Store) -> list[tuple[Pack, Note]]:
    from logbook.store.notes import list_notes
    from logbook.store.packs import list_packs

    pairs = [(pack, entry) for pack in list_packs(store) for entry in list_notes(store, pack.id)]
    return sorted(pairs, key=lambda pair: (pair[1].ts_ms, pair[1].id))


def _document(pack: Pack, entry: Note) -> dict[str, Any]:
    return {"id": entry.id, "pack": pack.name, "time": iso_from_ms(entry.ts_ms), "text": entry.text}
