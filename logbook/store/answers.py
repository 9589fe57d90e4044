"""Answers: the last one of each pack, kept beside the findings it was worked out from.

Derived: it may be dropped at any time, and counts for nothing where anything it rests on is another by now or a
letter of it is no longer what was written.
"""

from __future__ import annotations

import hashlib
from contextlib import suppress
from typing import TYPE_CHECKING

import sqlalchemy as sa

from logbook.errors import CannotWrite
from logbook.store import models, stale

if TYPE_CHECKING:
    from sqlalchemy.engine import Connection

    from logbook.store.engine import Store


def kept_answer(connection: Connection, pack_id: int, rests_on: str) -> str | None:
    """Give the text of a pack's last answer, None where it rests on anything else or is damaged."""
    table = models.answer
    same = (table.c.pack_id == pack_id) & (table.c.rests_on == rests_on)
    found = connection.execute(sa.select(table.c.body, table.c.checksum).where(same)).first()
    return str(found.body) if found and found.checksum == _checksum(rests_on, str(found.body)) else None


def is_damaged(connection: Connection, pack_id: int) -> bool:
    """Whether the answer kept for a pack is no longer what was written."""
    table = models.answer
    found = connection.execute(sa.select(table).where(table.c.pack_id == pack_id)).first()
    return found is not None and found.checksum != _checksum(str(found.rests_on), str(found.body))


def drop_answer(store: Store, pack_id: int) -> None:
    """Forget the answer kept for a pack; it is worked out anew when it is next asked for."""
    with store.writing() as connection:
        connection.execute(sa.delete(models.answer).where(models.answer.c.pack_id == pack_id))


def keep_answer(store: Store, pack_id: int, revision: int, rests_on: str, body: str) -> None:
    """Keep a pack's answer, unless something changed meanwhile or another program writes just now.

    Nothing depends on its being kept, so nobody waits for it, and a full disk is no reason to stop.
    """
    if store.read_only:
        return
    table = models.answer
    row = {"pack_id": pack_id, "rests_on": rests_on, "body": body, "checksum": _checksum(rests_on, body)}
    with suppress(CannotWrite), store.writing(patience_ms=0) as connection:
        if stale.revision(connection, pack_id)[0] == revision:
            connection.execute(sa.delete(table).where(table.c.pack_id == pack_id))
            connection.execute(sa.insert(table).values(**row))


def _checksum(rests_on: str, body: str) -> str:
    return hashlib.sha256(f"{rests_on}\n{body}".encode()).hexdigest()
