"""The open logbook: a Store, and the transactions everything else works in."""

from __future__ import annotations

import shutil
from contextlib import contextmanager, suppress
from json import JSONDecodeError
from typing import TYPE_CHECKING, Self

from logbook.errors import BadConfiguration, CannotWrite
from logbook.store import dialect, sqlite
from logbook.store.damage import LOOK
from logbook.store.patience import patiently

if TYPE_CHECKING:
    from collections.abc import Iterator
    from pathlib import Path

    from sqlalchemy.engine import URL, Connection, Engine, RootTransaction


class Store:
    """A logbook's database; thread-safe, each transaction on a connection of its own."""

    def __init__(self, url: URL, *, read_only: bool = False) -> None:
        self.url = url
        self.read_only = read_only
        self.path: Path = dialect.file_of(url)
        self.engine: Engine = dialect.create_engine(url, read_only=read_only)

    @property
    def originals_folder(self) -> Path:
        """Where the files taken in are kept."""
        return self.path.with_name(f"{self.path.name}-originals")

    @contextmanager
    def reading(self) -> Iterator[Connection]:
        """Open a transaction that sees one moment of the database."""
        with explained(self.path), self.engine.begin() as connection:
            yield connection

    @contextmanager
    def writing(self, patience_ms: int | None = None) -> Iterator[Connection]:
        """Open a transaction that alone may write, once no other does; all of it lands or nothing."""
        if self.read_only:
            raise CannotWrite(
                "the logbook was opened for reading only.",
                where=str(self.path),
                mend="Change its permissions and those of its folder, make room on its disk, or copy it to a place where you "
                "may write.",
            )
        engine = self.engine.execution_options(begin=dialect.WRITE)
        with explained(self.path), engine.connect() as connection, begun(connection, self.path, patience_ms):
            yield connection

    def close(self) -> None:
        """Let go of the file."""
        self.engine.dispose()

    def __enter__(self) -> Self:
        return self

    def __exit__(self, *_exc: object) -> None:
        self.close()


INDEX_BYTES = 1 << 16
"""The index of a write-ahead log takes up half of that at least, and without it not even reading begins."""
DEEPEST = 500
"""Folders in each other: systems know no longer paths than some 4,000 letters."""
EXPLANATIONS = (
    ("readonly database", CannotWrite, "the logbook cannot be written: it is read-only.", "Change its permissions."),
    ("database is locked", CannotWrite, "the logbook is busy: another program holds it.", "Try again in a minute."),
    ("disk is full", CannotWrite, "the disk is full; nothing was changed.", "Make room and try again."),
    (
        "disk I/O error",
        CannotWrite,
        "the disk reports an error; nothing was changed.",
        "Check the disk, then try again.",
    ),
    ("unable to open", CannotWrite, "the logbook cannot be opened.", "Check the path and its permissions."),
    (
        "memory",
        CannotWrite,
        "there is not enough memory to read the logbook.",
        "Close other programs, or check the path.",
    ),
    (
        "locking protocol",
        CannotWrite,
        "the disk of the logbook cannot lock files.",
        "Move the logbook to a disk of this machine.",
    ),
    ("no such table", BadConfiguration, "a table of the logbook is gone.", "Restore a backup of it."),
    ("no such column", BadConfiguration, "a column of the logbook's tables is gone.", "Restore a backup of it."),
    ("not a database", BadConfiguration, "this file is not a logbook.", "Choose another file with --db or LOGBOOK_DB."),
    ("malformed", BadConfiguration, "the logbook's file is damaged.", "Restore a backup of it."),
    ("integer overflow", BadConfiguration, "the logbook's file is damaged: numbers in it are beyond measure.", LOOK),
)
"""What SQLite says, and what it means to the owner."""


@contextmanager
def explained(path: Path) -> Iterator[None]:
    """Turn what the database says about a full disk, a lock or a damaged file into errors with words of their own."""
    try:
        yield
    except dialect.ERRORS as error:
        text = str(getattr(error, "orig", error))
        if "disk I/O error" in text and _is_full(path):  # not even the index of the write-ahead log could be made
            text = "disk is full"
        for words, kind, what, mend in EXPLANATIONS:
            if words in text:
                raise kind(what, where=str(path), mend=mend) from error
        raise
    except (JSONDecodeError, UnicodeDecodeError) as error:
        raise BadConfiguration(
            "the logbook's file is damaged: a text in it cannot be read.",
            where=str(path),
            mend=LOOK,
        ) from error


def _is_full(path: Path) -> bool:
    with suppress(OSError):
        return shutil.disk_usage(path.parent).free < INDEX_BYTES
    return False


def begun(connection: Connection, path: Path, patience_ms: int | None = None) -> RootTransaction:
    """Begin a transaction, waiting for another program's to end."""

    def begin(wait_ms: int) -> RootTransaction:
        sqlite.wait_at_most(connection, wait_ms)
        return connection.begin()

    most_ms = dialect.BUSY_TIMEOUT_MS if patience_ms is None else patience_ms
    transaction = patiently(begin, most_ms, path, dialect.ERRORS)
    sqlite.wait_at_most(connection, dialect.BUSY_TIMEOUT_MS)
    return transaction


def migration_engine(url: str | URL) -> Engine:
    """Engine for migrations, whose transactions write."""
    parsed = dialect.parse_url(url) if isinstance(url, str) else url
    engine = dialect.create_engine(parsed, for_migration=True)
    return engine.execution_options(begin=dialect.WRITE)


def open_store(url: str, *, read_only: bool = False) -> Store:
    """Open a logbook, making or migrating it as needed.

    Raises `CannotWrite` where it cannot be written, `BadConfiguration` for a newer logbook or another kind of file.
    """
    from logbook.store.migrate import bring_up_to_date, refuse_unknown  # noqa: PLC0415

    parsed = dialect.parse_url(url)
    path = dialect.file_of(parsed)
    if read_only and not path.exists():
        raise CannotWrite("there is no logbook here.", where=str(path), mend="Import a file first.")
    if len(path.parts) > DEEPEST:
        raise CannotWrite("the path of the logbook is too long.", where=str(path), mend="Name another one with --db.")
    with explained(path):
        if read_only:
            engine = dialect.create_engine(parsed, read_only=True)
            refuse_unknown(engine, path)
            engine.dispose()
        else:
            dialect.prepare_file(path)
            bring_up_to_date(parsed)
    return Store(parsed, read_only=read_only)
