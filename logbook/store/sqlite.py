"""SQLite: beside `dialect`, how long its locks are waited for, and how a file is read where nothing may be written."""

from __future__ import annotations

from contextlib import contextmanager
from typing import TYPE_CHECKING

import sqlalchemy as sa
from sqlalchemy import event

from logbook.store import dialect

if TYPE_CHECKING:
    from collections.abc import Callable, Iterator
    from pathlib import Path

    from sqlalchemy.engine import Connection, Engine

    from logbook.store import adbc


def wait_at_most(connection: Connection, patience_ms: int) -> None:
    """Set how long a connection's statements wait for another program's transaction, outside of one of its own."""
    connection.connection.cursor().execute(f"PRAGMA busy_timeout={patience_ms}")


def reading_engine(path: Path, *, immutable: bool) -> Engine:
    """Engine that only reads; `immutable` takes no locks and no write-ahead log into account."""
    name = f"{path.as_uri()}?mode=ro{'&immutable=1' if immutable else ''}"
    engine = sa.create_engine(sa.URL.create("sqlite+adbc", database=name))

    @event.listens_for(engine, "connect")
    def configure(connection: adbc.Connection, _record: object) -> None:
        connection.cursor().execute("PRAGMA trusted_schema=OFF")

    @event.listens_for(engine, "begin")
    def begin(connection: Connection) -> None:
        connection.exec_driver_sql(f"BEGIN {dialect.READ}")

    return engine


@contextmanager
def lock_of(path: Path) -> Iterator[Callable[[], bool]]:
    """An exclusive lock on an empty database of its own, which no other connection of this program opens; gives the attempt at it."""
    import sqlite3  # noqa: PLC0415 - no logbook is opened by it

    connection = sqlite3.connect(path, timeout=0, isolation_level=None)

    def attempt() -> bool:
        try:
            connection.execute("PRAGMA journal_mode=OFF")  # or a killed program leaves a second file
            connection.execute("BEGIN EXCLUSIVE")
        except sqlite3.OperationalError as error:
            if "locked" in str(error):
                return False
            raise OSError(str(error)) from error
        return True

    try:
        yield attempt
    finally:
        connection.close()
