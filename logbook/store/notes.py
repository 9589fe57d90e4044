"""Notes of the owner, and the flags they have seen."""

from __future__ import annotations

from dataclasses import dataclass
from typing import TYPE_CHECKING

import sqlalchemy as sa

from logbook.errors import UnknownName
from logbook.store import models

if TYPE_CHECKING:
    from logbook.store.engine import Store


@dataclass(frozen=True)
class Note:
    """What the owner wrote down, and the time it is about."""

    id: int
    pack_id: int
    ts_ms: int
    text: str


def add_note(store: Store, pack_id: int, ts_ms: int, text: str) -> Note:
    """Write a note down."""
    (note,) = add_notes(store, (pack_id, ts_ms, text))
    return note


def add_notes(store: Store, *notes: tuple[int, int, str]) -> list[Note]:
    """Write notes down, each with its pack and the time it is about: all of them or none."""
    table = models.note
    added = []
    with store.writing() as connection:
        for pack_id, ts_ms, text in notes:
            statement = sa.insert(table).values(pack_id=pack_id, ts_ms=ts_ms, text=text).returning(table.c.id)
            added.append(Note(connection.execute(statement).scalar_one(), pack_id, ts_ms, text))
    return added


def list_notes(store: Store, pack_id: int) -> list[Note]:
    """Give a pack's notes in order of time."""
    table = models.note
    columns = (table.c.id, table.c.pack_id, table.c.ts_ms, table.c.text)
    statement = sa.select(*columns).where(table.c.pack_id == pack_id).order_by(table.c.ts_ms, table.c.id)
    with store.reading() as connection:
        return [Note(*row) for row in connection.execute(statement)]


def delete_note(store: Store, note_id: int) -> None:
    """Take a note away."""
    with store.writing() as connection:
        if not connection.execute(sa.delete(models.note).where(models.note.c.id == note_id)).rowcount:
            raise UnknownName(f"there is no note {note_id}.")


def acknowledge(store: Store, pack_id: int, code: str, *, seen: bool = True) -> None:
    """Note that the owner has seen a flag; `seen=False` takes that back."""
    table = models.acknowledged_flag
    with store.writing() as connection:
        connection.execute(sa.delete(table).where(table.c.pack_id == pack_id, table.c.code == code))
        if seen:
            connection.execute(sa.insert(table).values(pack_id=pack_id, code=code))


def acknowledged(store: Store, pack_id: int) -> frozenset[str]:
    """Give the codes of the flags the owner has seen."""
    table = models.acknowledged_flag
    with store.reading() as connection:
        return frozenset(connection.execute(sa.select(table.c.code).where(table.c.pack_id == pack_id)).scalars())
