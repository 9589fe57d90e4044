"""Soundness: what of the stored is not as it should be, found by comparing it with what it came from."""

from __future__ import annotations

import time
from dataclasses import dataclass
from typing import TYPE_CHECKING, Any

import sqlalchemy as sa

from logbook.errors import LogbookError
from logbook.store import dialect, models, originals
from logbook.store.engine import begun, explained, migration_engine
from logbook.store.imports import list_imports
from logbook.store.readings import samples_between
from logbook.store.rollups import all_levels, replace_rollups, stored_rollup
from logbook.units import MS_PER_DAY

if TYPE_CHECKING:
    from collections.abc import Iterable, Iterator

    from sqlalchemy.engine import Connection

    from logbook.store.engine import Store

STRETCH_MS = 7 * MS_PER_DAY
"""Readings looked at together: 600,000 at one a second."""


@dataclass(frozen=True)
class Damage:
    """What is wrong with the tables."""

    problems: list[str]
    """In sentences, what only a backup mends."""
    derived: list[str]
    """Names of tables that can be made again; all that can be said where there is nothing else."""


def damage(store: Store) -> Damage:
    """Give what the database itself finds wrong, or else rows that belong to nothing or hold another kind of value."""
    told = dialect.integrity_problems(store.engine)
    tables = [_derived_of(text) for text in told]
    problems = [
        f"The database's file is damaged: {text.rstrip('.')}."
        for text, name in zip(told, tables, strict=True)
        if name is None
    ]
    derived = {name for name in tables if name is not None}
    if problems:
        return Damage(problems, sorted(derived))
    names = {table.name for table in models.DERIVED}
    orphans = set(_orphans(store))
    odd = set(_with_odd_values(store, models.metadata.sorted_tables))
    problems = [f"Rows of {name} belong to nothing." for name in sorted(orphans - names)]
    problems += [f"Rows of {name} hold what does not belong there." for name in sorted(odd - names)]
    return Damage(problems, sorted(derived | (orphans & names) | (odd & names) | set(_incomplete(store))))


def _derived_of(text: str) -> str | None:
    """The derived table that what SQLite found wrong is all about; None where it is about more than rows of one."""
    found = dialect.ROWS_OF.search(text)
    if not found:
        return None
    for table in models.DERIVED:
        own = {table.name, *(str(index.name) for index in table.indexes)}
        if found[1] in own or found[1].startswith(f"sqlite_autoindex_{table.name}_"):
            return table.name
    return None


def _incomplete(store: Store) -> list[str]:
    """Give the names of derived tables that lack a row which others need."""
    kind, finding, state = models.finding_kind.c, models.finding.c, models.digest_state.c
    described = sa.exists().where(kind.pack_id == finding.pack_id, kind.kind == finding.kind)
    stated = sa.exists().where(state.pack_id == models.pack.c.id)
    lost = {
        "finding": sa.select(finding.kind).where(~described),
        "digest_state": sa.select(models.pack.c.id).where(~stated),
    }
    with store.reading() as connection:
        return [name for name, query in lost.items() if connection.execute(query.limit(1)).first()]


def forget_derived(store: Store) -> None:
    """Empty the derived tables, whatever they hold; findings are made again by a refresh, rollups by `make_rollups`."""
    with store.writing():
        pass  # refused where nothing may be written
    state = models.digest_state
    # without foreign keys: with them SQLite looks for each row where it should stand
    engine = migration_engine(store.url)
    with explained(store.path), engine.connect() as connection, begun(connection, store.path):
        for table in models.DERIVED:
            connection.execute(sa.delete(table))
        for pack_id in connection.execute(sa.select(models.pack.c.id)).scalars().all():
            # no count of changes known to a running program comes near the seconds since 1970
            connection.execute(sa.insert(state).values(pack_id=pack_id, revision=int(time.time())))


def is_damaged(store: Store) -> bool:
    """Whether the order of the database's file is broken, or rows hold what does not belong there."""
    try:
        found = damage(store)
    except (LogbookError, *dialect.ERRORS):
        return True
    return bool(found.problems or found.derived)


def _with_odd_values(store: Store, tables: Iterable[sa.Table]) -> list[str]:
    """Give the names of tables that hold another kind of value than theirs, which SQLite itself allows."""
    found = []
    with store.reading() as connection:
        for table in tables:
            odd = [sa.func.typeof(column).not_in(_stored_as(column)) for column in table.c]
            if connection.execute(sa.select(sa.literal(1)).select_from(table).where(sa.or_(*odd)).limit(1)).first():
                found.append(table.name)
    return found


def _stored_as(column: sa.Column[Any]) -> list[str]:
    """What SQLite calls the values a column may hold."""
    if isinstance(column.type, (sa.Integer, sa.Boolean)):
        kinds = ["integer"]
    elif isinstance(column.type, sa.Float):
        kinds = ["real", "integer"]
    else:
        kinds = ["text"]
    return [*kinds, "null"] if column.nullable else kinds


def _orphans(store: Store) -> list[str]:
    with store.reading() as connection:
        orphans = dialect.foreign_key_violations(connection)
        known = sa.select(models.imports.c.id)
        for table in (models.reading, models.shared_reading):
            lost = sa.select(table.c.import_id).where(table.c.import_id.not_in(known)).distinct()
            if connection.execute(lost).first():
                orphans.append(table.name)
    return orphans


def damaged_originals(store: Store) -> list[str]:
    """Give the names of kept files that are gone or no longer what was imported."""
    kept = [row for row in list_imports(store) if row.original]
    return [row.file_name for row in kept if not originals.is_sound(store.originals_folder, row.sha256)]


def wrong_rollups(store: Store, pack_id: int) -> list[tuple[int, int]]:
    """Give the ranges [start_ms, end_ms) whose rollups are not those of the readings."""
    with store.reading() as connection:
        return [
            (start, end)
            for start, end, filled in _stretches(connection, pack_id)
            if not _rollups_are_right(connection, pack_id, start, end, filled=filled)
        ]


def make_rollups(store: Store, pack_id: int, ranges: list[tuple[int, int]]) -> None:
    """Roll up ranges of whole days anew."""
    for start, end in ranges:
        with store.writing() as connection:
            samples = samples_between(connection, models.reading, pack_id, start, end)
            replace_rollups(connection, pack_id, start, end, samples)


def _stretches(connection: Connection, pack_id: int) -> Iterator[tuple[int, int, bool]]:
    """Give stretches of days that hold readings, and between them those that should hold nothing."""
    column = models.reading.c.ts_ms
    query = sa.select(sa.func.min(column)).where(models.reading.c.pack_id == pack_id)
    end = 0
    while (found := connection.execute(query.where(column >= end)).scalar()) is not None:
        start = found // MS_PER_DAY * MS_PER_DAY
        if start > end:
            yield end, start, False
        end = start + STRETCH_MS
        yield start, end, True
    yield end, 1 << 60, False


def _rollups_are_right(connection: Connection, pack_id: int, start: int, end: int, *, filled: bool) -> bool:
    kept = [stored_rollup(connection, pack_id, level_s, start, end) for level_s in models.ROLLUP_LEVELS_S]
    if not filled:
        return not any(rows.num_rows for rows in kept)
    samples = samples_between(connection, models.reading, pack_id, start, end)
    made = all_levels(samples, pack_id)
    return all(old.equals(new.select(old.column_names)) for old, new in zip(kept, made, strict=True))
