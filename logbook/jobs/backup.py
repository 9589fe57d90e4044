"""Backup and restore: a verified copy of the whole logbook, made while it is in use, and back again."""

from __future__ import annotations

import os
import shutil
from contextlib import suppress
from dataclasses import dataclass
from datetime import UTC, datetime, timedelta
from pathlib import Path
from typing import TYPE_CHECKING

from logbook.errors import BadConfiguration, CannotWrite, InputMissing
from logbook.settings import database_url
from logbook.store import dialect, list_imports, list_packs, migrate, open_store, originals, reading_span
from logbook.store.engine import explained
from logbook.store.unfinished import alone_in, copy_privately, remove, require_utf8, sweep, to_disk

if TYPE_CHECKING:
    from logbook.store import Store

ORIGINALS = "originals"
"""Folder beside the copies, with the kept files of all of them."""


@dataclass(frozen=True)
class Backup:
    """A copy that was checked."""

    path: Path
    readings: int
    packs: int
    originals: int
    """Kept files in the backup folder."""
    gone: int = 0
    """Kept files that the logbook speaks of and that are no more."""


def back_up(store: Store, folder: Path | str, *, now: datetime | None = None) -> Backup:
    """Copy the logbook as it is at one moment into a folder, check the copy, and copy new originals beside it."""
    folder = Path(folder)
    require_utf8(folder)
    try:
        folder.mkdir(parents=True, exist_ok=True, mode=0o700)
        with alone_in(folder):
            return _backed_up(store, folder, now or datetime.now(UTC))
    except OSError as error:
        raise CannotWrite(
            f"the backup cannot be written ({error.strerror or error}).",
            where=str(folder),
            mend="Choose another folder or make room.",
        ) from error


def _backed_up(store: Store, folder: Path, moment: datetime) -> Backup:
    while (target := folder / f"logbook-{moment:%Y%m%dT%H%M%SZ}.sqlite3").exists():
        moment += timedelta(seconds=1)
    unfinished = folder / f"{target.name}.part"
    try:
        _need_room(store, folder)
        sweep(folder, "logbook-*.sqlite3.part*")
        remove(unfinished)
        with explained(folder):
            dialect.copy_to(store.engine, unfinished)
        readings, packs, kept = _verified(unfinished)
        there = originals.copy_all(store.originals_folder, folder / ORIGINALS)
        gone = sum(not (folder / ORIGINALS / name).exists() for name in kept)
        to_disk(unfinished)
        unfinished.replace(target)
        to_disk(target.parent)
    finally:
        remove(unfinished)
    return Backup(target, readings=readings, packs=packs, originals=there, gone=gone)


def newest_backup(place: Path | str) -> Path:
    """Find the newest backup in a folder; a file is taken as it is.

    Raises
    ------
    InputMissing
        Where the folder holds none.
    """
    place = Path(place)
    if not place.is_dir():
        return place
    found = sorted(place.glob("logbook-*Z.sqlite3"))
    if not found:
        raise InputMissing(
            "there is no backup in this folder.",
            where=str(place),
            mend="Give a folder that logbook backup wrote to, or the path of a backup's .sqlite3 file.",
        )
    return found[-1]


def restore(backup: Path | str, url: str, *, now: datetime | None = None) -> Path | None:
    """Put a backup in the place of a logbook; gives where the former one was moved to, None if there was none.

    The backup is checked first. The former logbook is never deleted.
    """
    backup = Path(backup)
    if not backup.is_file():
        raise InputMissing("there is no such backup.", where=str(backup), mend="Give the path of its .sqlite3 file.")
    target = dialect.file_of(dialect.parse_url(url))
    try:
        target.parent.mkdir(parents=True, exist_ok=True, mode=0o700)
        with alone_in(target.parent):
            return _restored(backup, target, now or datetime.now(UTC))
    except OSError as error:
        raise CannotWrite(
            f"the logbook cannot be restored ({error.strerror or error}); the former one is unchanged.",
            where=str(target),
            mend="Make room or change the permissions.",
        ) from error


def _restored(backup: Path, target: Path, moment: datetime) -> Path | None:
    incoming = target.with_name(f"{target.name}.restoring")
    try:
        remove(incoming)  # or a write-ahead file left by a killed restore would be played into this copy
        copy_privately(backup, incoming)
        try:
            _verified(incoming)
        except BadConfiguration as error:
            raise BadConfiguration(error.what, where=str(backup), mend="Give another backup.") from error
        originals.copy_all(backup.parent / ORIGINALS, target.with_name(f"{target.name}-originals"))
        to_disk(incoming)
        former = _move_aside(target, moment)
        incoming.replace(target)
        to_disk(target.parent)
    finally:
        _remove_all(incoming)
    return former


def _verified(path: Path) -> tuple[int, int, set[str]]:
    """Open a copy as a logbook of its own and check it whole; gives its readings and packs, and names of kept files."""
    with explained(path):
        migrate.require_logbook(database_url(str(path)))  # or an empty file would become an empty logbook
    with open_store(database_url(str(path))) as copy, explained(path):
        problems = dialect.integrity_problems(copy.engine)
        if problems:
            raise BadConfiguration(f"the copy is damaged: {problems[0]}", where=str(path), mend="Use another backup.")
        packs = list_packs(copy)
        readings = sum(reading_span(copy, pack.id)[0] for pack in packs)
        kept = {row.original for row in list_imports(copy) if row.original}
        dialect.close_for_good(copy.engine)
    return readings, len(packs), kept


def _remove_all(incoming: Path) -> None:
    """Remove a copy that did not become the logbook, with what was put beside it while it was checked."""
    with suppress(OSError):
        for path in incoming.parent.iterdir():
            if path.name.startswith(incoming.name):
                path.unlink(missing_ok=True)


def _need_room(store: Store, folder: Path) -> None:
    needed, free = store.path.stat().st_size, shutil.disk_usage(folder).free
    if free < needed:
        raise CannotWrite(
            f"the backup needs {needed / 10**6:.1f} MB, and {free / 10**6:.1f} MB are free.",
            where=str(folder),
            mend="Make room or choose another folder.",
        )


def _free_name(target: Path, moment: datetime) -> Path:
    """Give a name for the former logbook; one that a killed restore gave the living logbook is taken from it."""
    for path in target.parent.iterdir():
        if path.name.startswith(f"{target.name}.replaced-") and path.samefile(target):
            path.unlink()
    name, number = f"{target.name}.replaced-{moment:%Y%m%dT%H%M%SZ}", 1
    while target.with_name(name).exists():
        number += 1
        name = f"{target.name}.replaced-{moment:%Y%m%dT%H%M%SZ}-{number}"
    return target.with_name(name)


def _move_aside(target: Path, moment: datetime) -> Path | None:
    if not target.exists():
        return None
    engine = dialect.create_engine(dialect.parse_url(database_url(str(target))))
    try:
        dialect.close_for_good(engine)
    except dialect.ERRORS as error:
        if "locked" in str(error):
            raise CannotWrite(
                "the logbook is open in another program; nothing was changed.",
                where=str(target),
                mend="Stop that program, the dashboard perhaps, and try again.",
            ) from error
    former = _free_name(target, moment)
    with suppress(OSError):  # some file systems know no second name for a file
        os.link(target, former)  # so that a logbook stands at its place at every moment
    if not former.exists():
        target.replace(former)
    for end in ("-wal", "-shm"):
        beside = target.with_name(target.name + end)
        if beside.exists():
            beside.replace(former.with_name(former.name + end))
    return former
