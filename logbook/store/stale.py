"""What is out of date: marked in the transaction that changed it, cleared in the one that mends it."""

from __future__ import annotations

from typing import TYPE_CHECKING

import sqlalchemy as sa

from logbook.store import models
from logbook.store.readings import ends

if TYPE_CHECKING:
    from sqlalchemy.engine import Connection

    from logbook.store.engine import Store


def mark(connection: Connection, pack_id: int, ranges: list[tuple[int, int]]) -> None:
    """Mark [start_ms, end_ms) ranges of a pack out of date."""
    rows = [{"pack_id": pack_id, "start_ms": start, "end_ms": end} for start, end in ranges]
    if rows:
        connection.execute(sa.insert(models.stale), rows)
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


def ranges(connection: Connection, pack_id: int) -> list[tuple[int, int]]:
    """Give the ranges out of date, joined and in order."""
    table = models.stale
    query = sa.select(table.c.start_ms, table.c.end_ms).where(table.c.pack_id == pack_id)
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
        connection.execute(sa.delete(models.stale).where(models.stale.c.pack_id == pack_id))
        bump(connection, pack_id)


def clear(connection: Connection, pack_id: int, done: list[tuple[int, int]]) -> None:
    """Call ranges up to date; marks that lie within them go, others stay."""
    table = models.stale
    for start, end in done:
        connection.execute(
            sa.delete(table).where(table.c.pack_id == pack_id, table.c.start_ms >= start, table.c.end_ms <= end)
        )
    bump(connection, pack_id)


def set_digest_version(connection: Connection, pack_id: int, version: int | None) -> None:
    """Note which version of the digest made the findings."""
    state = models.digest_state
    connection.execute(sa.update(state).where(state.c.pack_id == pack_id).values(digest_version=version))
