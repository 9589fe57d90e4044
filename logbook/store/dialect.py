"""All that differs between databases: how one is opened, how a transaction begins, bulk in and out, copies."""

from __future__ import annotations

import os
import re
from contextlib import closing
from functools import partial
from pathlib import Path
from typing import TYPE_CHECKING, Any

import sqlalchemy as sa
from adbc_driver_manager import Error as DriverError
from sqlalchemy import event
from sqlalchemy.engine import make_url
from sqlalchemy.pool import NullPool

from logbook.errors import BadConfiguration, CannotWrite
from logbook.store import adbc
from logbook.store.batch import Batch, batch_of
from logbook.store.patience import patiently

if TYPE_CHECKING:
    import pyarrow as pa
    from sqlalchemy.engine import URL, Connection, Engine

BUSY_TIMEOUT_MS = 300_000
"""How long a writer waits for another; an import of ten million readings may hold the lock for a minute."""
PAGE_BYTES = 16_384
"""Of a new database: bulk writing is a tenth quicker than with the usual 4096, reading no slower."""

ERRORS = (sa.exc.DBAPIError, DriverError)
"""What a database may raise: through SQLAlchemy, or in bulk work beside it."""

ROWS_OF = re.compile(r" (?:for|in|from)(?: index)? (\w+)(?:\.\w+)?$")
"""How SQLite ends what it finds wrong with the rows of a table or an index (sqlite.org/pragma.html, integrity_check)."""

WRITE = "IMMEDIATE"
READ = "DEFERRED"


def parse_url(text: str) -> URL:
    """URL of the database; a bare path means an SQLite file."""
    try:
        url = make_url(text) if "://" in text else sa.URL.create("sqlite", database=text)
    except sa.exc.ArgumentError as error:
        raise BadConfiguration(
            f'"{text}" is not a database address.', mend="Give a path, or sqlite:///PATH."
        ) from error
    if url.get_backend_name() != "sqlite" or (url.database or ":memory:") == ":memory:" or "\x00" in str(url.database):
        raise BadConfiguration(
            f'"{url.render_as_string()}" is not a database this version can keep a logbook in.',
            mend="Give the path of an SQLite file, or sqlite:///PATH.",
        )
    return url


def file_of(url: URL) -> Path:
    """The database's file."""
    return Path(url.database or "").expanduser().absolute()


def create_engine(url: URL, *, read_only: bool = False, for_migration: bool = False) -> Engine:
    """Engine with a write-ahead log, foreign keys, a patient lock, and transactions that begin as they are told to.

    Migrations have foreign keys off, since rebuilding a parent table would delete its children.
    """
    mode = "ro" if read_only else "rw"
    name = f"{file_of(url).as_uri()}?mode={mode}"
    engine = sa.create_engine(
        sa.URL.create("sqlite+adbc", database=name), **({"poolclass": NullPool} if for_migration else {})
    )

    settings = [
        f"foreign_keys={'OFF' if for_migration else 'ON'}",
        "trusted_schema=OFF",  # a logbook from elsewhere may hold views and triggers of its own
        # or renaming a rebuilt table would fail at the views that name it
        f"legacy_alter_table={'ON' if for_migration else 'OFF'}",
    ]
    if not read_only:  # the second needs a database that has no such log yet, as after a restore, for itself
        settings += [f"page_size={PAGE_BYTES}", "journal_mode=WAL", "synchronous=FULL"]

    def set_up(cursor: adbc.Cursor, wait_ms: int) -> None:
        for setting in (f"busy_timeout={wait_ms}", *settings):
            cursor.execute(f"PRAGMA {setting}")

    def configure(connection: adbc.Connection, _record: object) -> None:
        cursor = connection.cursor()
        patiently(partial(set_up, cursor), BUSY_TIMEOUT_MS, file_of(url), ERRORS)
        cursor.execute(f"PRAGMA busy_timeout={BUSY_TIMEOUT_MS}")

    def begin(connection: Connection) -> None:
        connection.exec_driver_sql(f"BEGIN {connection.get_execution_options().get('begin', READ)}")

    event.listen(engine, "connect", configure)
    event.listen(engine, "begin", begin)
    return engine


def prepare_file(path: Path) -> None:
    """Make the database's folder and file, readable by their owner alone."""
    try:
        path.parent.mkdir(parents=True, exist_ok=True, mode=0o700)
        handle = os.open(path, os.O_RDWR | os.O_CREAT, 0o600)
        try:
            os.lseek(handle, 0, os.SEEK_SET)  # a pipe cannot
        finally:
            os.close(handle)
    except OSError as error:
        raise CannotWrite(
            f"the logbook cannot be written ({error.strerror}).",
            where=str(path),
            mend="Choose another place with --db or LOGBOOK_DB, or change the permissions.",
        ) from error


def fetch_arrow(connection: Connection, statement: sa.Select[Any], *, mixed: bool = False) -> pa.Table:
    """Rows of a query as an Arrow table; for many rows of integers, or with `mixed` of anything.

    The driver fixes a column's type after its first rows, and takes one without values for integers.
    """
    compiled = statement.compile(connection, compile_kwargs={"render_postcompile": True})
    parameters = [compiled.params[name] for name in compiled.positiontup or ()]
    rows = adbc.INFERENCE_ROWS if mixed else adbc.INTEGER_ROWS
    return _raw(connection).fetch_arrow(str(compiled), parameters, inference_rows=rows)


def laid_out(table: sa.Table, rows: pa.Table) -> Batch:
    """Make many rows ready for `bulk_insert`, which may be done beside the work of the database."""
    return batch_of(table.name, rows)


def bulk_insert(connection: Connection, table: sa.Table, rows: pa.Table | Batch) -> None:
    """Append many rows; part of the connection's transaction."""
    _raw(connection).ingest(table.name, rows if isinstance(rows, Batch) else laid_out(table, rows))


def bulk_delete(connection: Connection, table: sa.Table, keys: pa.Table) -> None:
    """Delete the rows with these values in these columns; part of the connection's transaction."""
    if keys.num_rows:
        where = " AND ".join(f"{name} = ?" for name in keys.column_names)
        _raw(connection).execute_many(f"DELETE FROM {table.name} WHERE {where}", keys)  # noqa: S608 - our own names


def _raw(connection: Connection) -> adbc.Connection:
    raw = connection.connection.driver_connection
    if not isinstance(raw, adbc.Connection):
        raise TypeError(f"not an ADBC connection: {raw!r}")
    return raw


def foreign_key_violations(connection: Connection) -> list[str]:
    """Tables with rows whose parent is missing."""
    return sorted({row[0] for row in connection.exec_driver_sql("PRAGMA foreign_key_check")})


def structure_problems(connection: Connection) -> list[str]:
    """What is wrong with the order of the database's pages, as its connection sees them; quicker than a whole check."""
    return [text for (text,) in connection.exec_driver_sql("PRAGMA quick_check(3)") if text != "ok"]


def copy_to(engine: Engine, target: Path) -> None:
    """Write a consistent copy of the whole database to a new file."""
    os.close(os.open(target, os.O_RDWR | os.O_CREAT | os.O_EXCL, 0o600))
    outside_transaction(engine, "VACUUM INTO ?", str(target))


def close_for_good(engine: Engine) -> None:
    """Fold the write-ahead log into the database's one file; fails as busy while anybody else has it open."""
    engine.dispose()
    outside_transaction(engine, "PRAGMA busy_timeout=1000")
    outside_transaction(engine, "PRAGMA journal_mode=DELETE")
    engine.dispose()


def integrity_problems(engine: Engine) -> list[str]:
    """What the database itself finds wrong with its file; nothing in a sound one."""
    try:
        found = outside_transaction(engine, "PRAGMA integrity_check")
    except ERRORS as error:
        return [str(error)]
    return [text for (text,) in found if text != "ok"]


def outside_transaction(engine: Engine, statement: str, *parameters: object) -> list[tuple[Any, ...]]:
    """Run a statement that must not stand in a transaction."""
    with closing(engine.raw_connection()) as borrowed:
        cursor = borrowed.cursor()
        cursor.execute(statement, parameters)
        return [tuple(row) for row in cursor.fetchall()]
