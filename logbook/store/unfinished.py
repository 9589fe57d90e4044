"""Unfinished files: written privately and through to the disk, and removed where a killed program left them."""

from __future__ import annotations

import os
import shutil
import sys
import time
from contextlib import contextmanager, suppress
from typing import TYPE_CHECKING

from logbook.errors import CannotWrite

if TYPE_CHECKING:
    from collections.abc import Callable, Iterator
    from contextlib import AbstractContextManager
    from pathlib import Path

    Lock = Callable[[Path], AbstractContextManager[Callable[[], bool]]]

DEAD_S = 3600
"""An unfinished file nobody wrote to for so long belongs to no living program."""

PATIENCE_S = 300.0
"""How long a backup or a restore waits for another one in the same folder."""
LOOK_S = 0.1
LOCK_FILE = ".logbook-alone"
"""Empty database beside backups and logbooks, while one of them is made or put back, on systems without `flock`."""


@contextmanager
def by_folder(folder: Path) -> Iterator[Callable[[], bool]]:
    """A lock of POSIX systems on the folder itself, which leaves no file; gives the attempt at it."""
    import fcntl  # noqa: PLC0415 - not on every system

    handle = os.open(folder, os.O_RDONLY)

    def attempt() -> bool:
        try:
            fcntl.flock(handle, fcntl.LOCK_EX | fcntl.LOCK_NB)
        except BlockingIOError:
            return False
        except OSError:  # a disk that knows no locks
            return True
        return True

    try:
        yield attempt
    finally:
        os.close(handle)


@contextmanager
def by_file(folder: Path) -> Iterator[Callable[[], bool]]:
    """SQLite's lock on an empty database in the folder, known to every system it runs on; gives the attempt at it."""
    from logbook.store.sqlite import lock_of  # noqa: PLC0415 - needed here alone

    path = folder / LOCK_FILE
    try:
        with lock_of(path) as attempt:
            yield attempt
    finally:
        if sys.platform == "win32":  # where a file that another program waits for is not removed
            with suppress(OSError):
                path.unlink()


LOCK_BY = by_file if sys.platform == "win32" else by_folder


@contextmanager
def alone_in(folder: Path, *, patience_s: float = PATIENCE_S, lock_by: Lock = LOCK_BY) -> Iterator[None]:
    """Hold a folder against other programs that ask for the same; a killed one lets go by itself.

    Where a disk knows no locks, nothing is held.
    """
    with lock_by(folder) as attempt:
        until = time.monotonic() + patience_s
        while not attempt():
            if time.monotonic() >= until:
                raise CannotWrite(
                    "another backup or restore is at work in this folder; nothing was changed.",
                    where=str(folder),
                    mend="Wait until it has ended, and try again.",
                )
            time.sleep(LOOK_S)
        yield


def require_utf8(path: Path) -> None:
    """Refuse a name that a database cannot be told."""
    try:
        str(path).encode()
    except UnicodeEncodeError as error:
        raise CannotWrite(
            "this name is not written in UTF-8.", where=str(path), mend="Choose another folder."
        ) from error


def sweep(folder: Path, pattern: str, *, older_than_s: float = DEAD_S) -> None:
    """Remove the unfinished files and folders of a folder that match a pattern."""
    for path in folder.glob(pattern):
        with suppress(OSError):
            # of the future too: the clock was set back since
            if all(abs(time.time() - part.stat().st_mtime) >= older_than_s for part in (path, *path.rglob("*"))):
                shutil.rmtree(path) if path.is_dir() else path.unlink()


def remove(unfinished: Path) -> None:
    """Remove an unfinished database with what SQLite put beside it, as far as that can be done."""
    for end in ("", "-wal", "-shm", "-journal"):
        with suppress(OSError):
            unfinished.with_name(unfinished.name + end).unlink()


def copy_privately(source: Path, target: Path) -> None:
    """Copy a file, readable by its owner alone from the first byte on, and written through to the disk."""
    os.close(os.open(target, os.O_WRONLY | os.O_CREAT, 0o600))
    target.chmod(0o600)
    shutil.copyfile(source, target)
    to_disk(target)


def to_disk(path: Path) -> None:
    """Have a file, or the names in a folder, written through, so that a power cut finds them whole."""
    if sys.platform == "win32":  # knows this of files open for writing alone
        return
    handle = os.open(path, os.O_RDONLY)
    try:
        os.fsync(handle)
    finally:
        os.close(handle)
