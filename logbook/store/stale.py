"""What is out of date: marked in the transaction that changed it, cleared in the one that mends it."""

from __future__ import annotations

from typing import TYPE_CHECKING

import sqlalchemy as sa

from logbook.store import models
from logbook.store.readings import ends

if TYPE_CHECKING:
    from sqlalchemy.engine import Connection

    from logbook.store.engine import Store


def mark(connection: Connection, pack_id: int, ranges: list[tuple[int, int]], *, whole_days: bool = False) -> None:
    """Mark [start_ms, end_ms) ranges of a pack: its readings changed there, or its findings are to be made again."""
    if ranges:
        same = {"pack_id": pack_id, "whole_days": whole_days}
        connection.execute(
            sa.insert(models.stale), [{**same, "start_ms": start, "end_ms": end} for start, end in ranges]
        )
    bump(connection, pack_id)


def mark_all(connection: Connection, pack_id: int) -> None:
    """Mark everything a pack has readings for."""
    first, last = ends(connection, pack_id)
    mark(connection, pack_id, [] if first is None or last is None else [(first, last + 1)])


def bump(connection: Connection, pack_id: int) -> None:
    """Count a change, so that who computed from the former state notices."""
    state = models.digest_state
    connection.execute(
        sa.update(state).where(state.c.pack_id == pack_id).values(revision=state.c.revision + 1),
    )


def revision(connection: Connection, pack_id: int) -> tuple[int, int | None]:
    """Give the number of changes so far and the version of the digest that made the findings."""
    state = models.digest_state
    query = sa.select(state.c.revision, state.c.digest_version).where(state.c.pack_id == pack_id)
    row = connection.execute(query).one()
    return row[0], row[1]


def ranges(connection: Connection, pack_id: int, *, whole_days: bool | None = None) -> list[tuple[int, int]]:
    """Give the ranges out of date, joined and in order; of one kind of mark, or of both."""
    table = models.stale
    query = sa.select(table.c.start_ms, table.c.end_ms).where(table.c.pack_id == pack_id)
    if whole_days is not None:
        query = query.where(table.c.whole_days == whole_days)
    return joined([(row[0], row[1]) for row in connection.execute(query)])


def joined(ranges: list[tuple[int, int]]) -> list[tuple[int, int]]:
    """Join ranges that touch or overlap."""
    result: list[tuple[int, int]] = []
    for start, end in sorted(ranges):
        if result and start <= result[-1][1]:
            result[-1] = (result[-1][0], max(end, result[-1][1]))
        else:
            result.append((start, end))
    return result


def stale_ranges(store: Store, pack_id: int) -> list[tuple[int, int]]:
    """Give the time ranges [start_ms, end_ms) whose findings are out of date."""
    with store.reading() as connection:
        return ranges(connection, pack_id)


def clear_stale(store: Store, pack_id: int) -> None:
    """Call everything up to date; `findings.commit_refresh` does it together with the findings."""
    with store.writing() as connection:
        clear(connection, pack_id)


def clear(connection: Connection, pack_id: int) -> None:
    """Call everything up to date, within a transaction."""
    connection.execute(sa.delete(models.stale).where(models.stale.c.pack_id == pack_id))
    bump(connection, pack_id)


def set_digest_version(connection: Connection, pack_id: int, version: int | None) -> None:
    """Note which version of the digest made the findings."""
    state = models.digest_state
    connection.execute(sa.update(state).where(state.c.pack_id == pack_id).values(digest_version=version))
