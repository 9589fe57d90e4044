"""Unfinished files: written privately and through to the disk, and removed where a killed program left them."""

from __future__ import annotations

import os
import shutil
import sys
import time
from contextlib import suppress
from typing import TYPE_CHECKING

if TYPE_CHECKING:
    from pathlib import Path

DEAD_S = 3600
"""An unfinished file nobody wrote to for so long belongs to no living program."""


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
