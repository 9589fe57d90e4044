"""Bringing a logbook's tables up to date: backed up first, all or nothing, checked before it lands."""

from __future__ import annotations

import logging
import shutil
from functools import cache
from importlib import resources
from typing import TYPE_CHECKING

import sqlalchemy as sa

from logbook.errors import BadConfiguration, CannotWrite
from logbook.store import dialect
from logbook.store.engine import begun, migration_engine
from logbook.store.unfinished import remove, to_disk

if TYPE_CHECKING:
    from importlib.resources.abc import Traversable
    from pathlib import Path

    from sqlalchemy.engine import URL, Connection, Engine

log = logging.getLogger(__name__)


def folder() -> Traversable:
    """Give the folder of the migrations, in a checkout as in a wheel."""
    return resources.files("logbook.migrations")


@cache
def revisions() -> tuple[str, ...]:
    """Give the known revisions, oldest first; a migration's file name begins with its number."""
    scripts = folder() / "versions"
    return tuple(sorted(entry.name[:4] for entry in scripts.iterdir() if entry.name[:4].isdigit()))


def revision_of(connection: Connection) -> str | None:
    """Give the revision of a database, None for one without tables."""
    names = sa.inspect(connection).get_table_names()
    if "alembic_version" in names:
        found: str | None = connection.execute(sa.text("SELECT version_num FROM alembic_version")).scalar()
        if found is None and len(names) > 1:
            raise BadConfiguration(
                "the logbook's file is damaged: it does not say which version its tables are of.",
                mend="Restore a backup of it.",
            )
        return found
    if names:
        raise BadConfiguration(
            "this database holds something else than a logbook.", mend="Choose another file with --db or LOGBOOK_DB."
        )
    return None


def refuse_unknown(engine: Engine, path: Path) -> None:
    """Refuse to read a database that this version does not know exactly."""
    with engine.connect() as connection:
        found = revision_of(connection)
    if found != revisions()[-1]:
        _refuse_newer(found, path)
        raise CannotWrite(
            "the logbook is from an older version, and cannot be brought up to date where nothing may be written.",
            where=str(path),
            mend="Copy it to a place where you may write, and open that copy with --db.",
        )


def require_logbook(url: str) -> None:
    """Refuse a database that holds no tables of a logbook, such as an empty file."""
    parsed = dialect.parse_url(url)
    engine = dialect.create_engine(parsed, for_migration=True)
    with engine.connect() as connection:
        found = revision_of(connection)
    if found is None:
        raise BadConfiguration("this file is no logbook: it is empty.", where=str(dialect.file_of(parsed)))


def bring_up_to_date(url: URL) -> None:
    """Migrate to the newest revision, if it is not there yet."""
    path = dialect.file_of(url)
    if _is_up_to_date(url):
        return
    engine = migration_engine(url)
    with engine.connect() as connection, begun(connection, path):
        found = revision_of(connection)
        if found == revisions()[-1]:
            return
        _refuse_newer(found, path)
        if found is not None:
            _back_up(url, path, found)
        upgrade(connection, "head")
        _verify(connection, path)


def _is_up_to_date(url: URL) -> bool:
    """Look without the writers' lock, so that a logbook opens while an import holds it."""
    engine = dialect.create_engine(url, for_migration=True)
    with engine.connect() as connection:
        return revision_of(connection) == revisions()[-1]


def _verify(connection: Connection, path: Path) -> None:
    """Look at the upgraded tables before they land."""
    problems = [f"rows without their parent stand in {name}" for name in dialect.foreign_key_violations(connection)]
    problems += dialect.structure_problems(connection)
    if problems:
        raise BadConfiguration(
            f"after the upgrade, {'; '.join(problems)}; nothing was changed.",
            where=str(path),
            mend="Please report this; the logbook still works with the version that wrote it.",
        )


def upgrade(connection: Connection, revision: str) -> None:
    """Run Alembic's upgrade in the connection's transaction."""
    from alembic import command  # noqa: PLC0415

    command.upgrade(alembic_config(connection), revision)


def downgrade(connection: Connection, revision: str) -> None:
    """Run Alembic's downgrade in the connection's transaction."""
    from alembic import command  # noqa: PLC0415

    command.downgrade(alembic_config(connection), revision)


def alembic_config(connection: Connection):  # type: ignore[no-untyped-def]  # noqa: ANN201
    """Alembic's settings, with the connection it is to use."""
    from alembic.config import Config  # noqa: PLC0415

    config = Config()
    config.set_main_option("script_location", str(folder()).replace("%", "%%"))
    config.attributes["connection"] = connection
    return config


def _refuse_newer(found: str | None, path: Path) -> None:
    if found is not None and found not in revisions():
        raise BadConfiguration(
            f'the logbook was written by a newer version (its tables are "{found}", this version knows'
            f' "{revisions()[-1]}").',
            where=str(path),
            mend="Install the newer version, or open another logbook with --db or LOGBOOK_DB.",
        )


def _back_up(url: URL, path: Path, found: str) -> None:
    """Copy the database beside itself; the caller holds the lock, so nobody writes meanwhile."""
    target = path.with_name(f"{path.name}.before-{revisions()[-1]}-was-{found}")
    needed, free = 2 * path.stat().st_size, shutil.disk_usage(path.parent).free
    if free < needed:
        raise CannotWrite(
            f"upgrading the logbook needs {needed // 10**6} MB for its backup, and {free // 10**6} MB are free.",
            where=str(path),
            mend="Make room and try again; nothing was changed.",
        )
    unfinished = target.with_name(f"{target.name}.part")
    remove(unfinished)
    engine = dialect.create_engine(url, read_only=True)
    dialect.copy_to(engine, unfinished)
    engine.dispose()
    to_disk(unfinished)
    unfinished.replace(target)
    to_disk(target.parent)
    log.info("backed up %s to %s before the upgrade", path, target)
