"""Read-only: a logbook in a place where nothing may be written, not even what SQLite puts beside a database.

SQLite reads a database with a write-ahead log only where the log's index can be made, or is told that the file cannot
change (sqlite.org/wal.html, section 5; sqlite.org/uri.html, "immutable"). Where such a log holds something, a copy
in a folder for temporary files is read; else the file itself, and whether it changed is looked at after each reading.
"""

from __future__ import annotations

import os
import shutil
from contextlib import contextmanager, suppress
from pathlib import Path
from tempfile import gettempdir, mkdtemp
from typing import TYPE_CHECKING

from logbook.errors import CannotWrite
from logbook.store import dialect, migrate, sqlite
from logbook.store.engine import INDEX_BYTES, Store, explained

if TYPE_CHECKING:
    from collections.abc import Iterator

    from sqlalchemy.engine import URL, Connection

PATIENCE = 3
"""Times a logbook is copied that changes meanwhile."""
PARTS = ("", "-wal")
"""What holds a logbook's content; the rest beside it is made from that."""


class ReadOnlyStore(Store):
    """A logbook that is only read, where it stands or from a copy that is thrown away."""

    def __init__(self, url: URL) -> None:
        self.url, self.path, self.read_only = url, dialect.file_of(url), True
        self._copy = _copied(self.path) if _size(self.path, "-wal") else None
        self._signs = None if self._copy else _signs(self.path)
        here = self._copy / self.path.name if self._copy else self.path
        self.engine = sqlite.reading_engine(here, immutable=not self._copy)

    @contextmanager
    def reading(self) -> Iterator[Connection]:
        """Open a transaction that sees one moment of the database."""
        try:
            with super().reading() as connection:
                yield connection
        finally:
            if self._signs != (None if self._copy else _signs(self.path)):
                raise _changed(self.path)

    def close(self) -> None:
        """Let go of the file, and of its copy."""
        super().close()
        if self._copy:
            shutil.rmtree(self._copy, ignore_errors=True)


def open_read_only(url: str) -> ReadOnlyStore:
    """Open a logbook that cannot be written.

    Raises `CannotWrite` where there is none, or where this version would have to bring it up to date first.
    """
    parsed = dialect.parse_url(url)
    path = dialect.file_of(parsed)
    if not path.exists():
        raise CannotWrite("there is no logbook here.", where=str(path), mend="Import a file first.")
    with explained(path):
        store = ReadOnlyStore(parsed)
        try:
            migrate.refuse_unknown(store.engine, path)
        except BaseException:
            store.close()
            raise
    return store


def must_be_left_alone(url: str) -> bool:
    """Whether there is a logbook that can be read and not be written, by its permissions, its folder's or a full disk."""
    path = dialect.file_of(dialect.parse_url(url))
    if not (os.access(path, os.R_OK) and path.is_file()):
        return False
    may_be_written = os.access(path, os.W_OK) and os.access(path.parent, os.W_OK)
    return not may_be_written or shutil.disk_usage(path.parent).free < INDEX_BYTES


def _size(path: Path, end: str = "") -> int:
    with suppress(OSError):
        return path.with_name(path.name + end).stat().st_size
    return 0


def _signs(path: Path) -> list[tuple[int, int]]:
    """What changes when somebody writes."""
    found = []
    for end in PARTS:
        with suppress(FileNotFoundError):
            told = path.with_name(path.name + end).stat()
            found.append((told.st_size, told.st_mtime_ns if told.st_size else 0))
    return [signs for signs in found if signs[0]]


def _copied(path: Path) -> Path:
    """Copy a logbook with its write-ahead log into a folder of its own."""
    needed, free = sum(_size(path, end) for end in PARTS), shutil.disk_usage(gettempdir()).free
    if free < needed:
        raise CannotWrite(
            f"to be read without being written, the logbook has to be copied: {needed / 1e6:.1f} MB are needed, and"
            f" {free / 1e6:.1f} MB are free.",
            where=gettempdir(),
            mend="Make room there, or name another folder for temporary files in the variable TMPDIR.",
        )
    folder = Path(mkdtemp(prefix="logbook-"))  # for its owner alone
    try:
        for _ in range(PATIENCE):
            before = _signs(path)
            for end in PARTS:
                with suppress(FileNotFoundError):
                    shutil.copyfile(path.with_name(path.name + end), folder / (path.name + end))
            if _signs(path) == before:
                return folder
    except BaseException:
        shutil.rmtree(folder, ignore_errors=True)
        raise
    shutil.rmtree(folder, ignore_errors=True)
    raise _changed(path)


def _changed(path: Path) -> CannotWrite:
    return CannotWrite(
        "the logbook was changed by another program while it was read.", where=str(path), mend="Try again."
    )
