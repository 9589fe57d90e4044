"""Originals: the files taken in, unaltered, compressed, named after what they hold, beside the database."""

from __future__ import annotations

import hashlib
import os
from concurrent.futures import ThreadPoolExecutor
from contextlib import contextmanager, suppress
from pathlib import Path
from typing import TYPE_CHECKING, BinaryIO

import pyarrow as pa

from logbook.errors import BadData, CannotWrite, InputMissing
from logbook.store.unfinished import copy_privately, sweep, to_disk

if TYPE_CHECKING:
    from collections.abc import Iterator

CHUNK = 1 << 20


def name_of(sha256: str) -> str:
    """Name of a kept file: its hash, compressed by Zstandard (RFC 8878)."""
    return f"{sha256[:2]}/{sha256}.zst"


@contextmanager
def kept(folder: Path, source: Path | None, sha256: str) -> Iterator[str | None]:
    """Keep a file beside what happens inside, and only if that succeeds; None keeps none.

    The caller holds the lock of the logbook's writers.
    """
    if source is None:
        yield None
        return
    sweep(folder, "*/*.zst.[0-9]*.part", older_than_s=0.0)  # the caller alone may write: no one else is at it
    name = name_of(sha256)
    there_before = (folder / name).exists()
    with ThreadPoolExecutor(1) as pool:
        keeping = pool.submit(keep, folder, source, sha256)
        try:
            yield name
            keeping.result()
        except BaseException:
            keeping.exception()
            if not there_before:
                (folder / name).unlink(missing_ok=True)
            raise


def keep(folder: Path, source: Path, sha256: str) -> str:
    """Keep a file, whole or not at all; gives its name. A file that is there already stays as it is."""
    name = name_of(sha256)
    target = folder / name
    if target.exists():
        return name
    unfinished = target.with_name(f"{target.name}.{os.getpid()}.part")
    try:
        folder.mkdir(mode=0o700, exist_ok=True)
        target.parent.mkdir(mode=0o700, exist_ok=True)
        if _packed(source, unfinished) != sha256:
            raise BadData("the file changed while it was read; nothing was imported.", where=str(source))
        to_disk(unfinished)
        unfinished.replace(target)
        to_disk(target.parent)
    except OSError as error:
        raise CannotWrite(
            f"the original could not be kept ({error.strerror or error}); nothing was imported.",
            where=str(folder),
            mend="Make room or change the permissions, or import without keeping the original.",
        ) from error
    finally:
        with suppress(OSError):
            unfinished.unlink(missing_ok=True)
    return name


def _packed(source: Path, target: Path) -> str:
    """Pack a file and give its hash."""
    digest = hashlib.sha256()
    with source.open("rb") as original, pa.CompressedOutputStream(_private(target), "zstd") as packed:
        while block := original.read(CHUNK):
            digest.update(block)
            packed.write(block)
    return digest.hexdigest()


def bring_back(folder: Path, sha256: str, target: Path) -> None:
    """Write a kept file out again, checked against its hash."""
    source = folder / name_of(sha256)
    if not source.exists():
        raise InputMissing("the original of this import was not kept.", where=str(source))
    unfinished = target.with_name(f"{target.name}.{os.getpid()}.part")
    try:
        if _unpacked(source, unfinished) != sha256:
            raise BadData("the kept original is damaged.", where=str(source))
        unfinished.replace(target)
    finally:
        unfinished.unlink(missing_ok=True)


def is_sound(folder: Path, sha256: str) -> bool:
    """Tell whether a kept file is there and still what its name says."""
    try:
        return _unpacked(folder / name_of(sha256), None) == sha256
    except OSError:  # gone, no file, or not readable
        return False


def copy_all(source: Path, target: Path) -> int:
    """Copy kept files that are not there yet; their names say what they hold. Gives how many are there then."""
    sweep(target, "*/*.zst.copy*.part")
    for file in sorted(source.rglob("*.zst")) if source.is_dir() else []:
        place = target / file.relative_to(source)
        if not place.exists():
            for folder in (target, place.parent):
                folder.mkdir(exist_ok=True, mode=0o700)
            _copy(file, place)
    return len(list(target.rglob("*.zst")))


def _copy(file: Path, place: Path) -> None:
    """Copy one kept file whole; one that an import which failed takes away meanwhile is left out."""
    unfinished = place.with_name(f"{place.name}.copy{os.getpid()}.part")
    try:
        copy_privately(file, unfinished)
        unfinished.replace(place)
    except FileNotFoundError:
        if file.exists():
            raise
    finally:
        unfinished.unlink(missing_ok=True)


def _unpacked(source: Path, target: Path | None) -> str | None:
    """Unpack, to a file or to nowhere, and give the hash; None where that fails."""
    digest = hashlib.sha256()
    with pa.CompressedInputStream(pa.OSFile(str(source)), "zstd") as packed, _writer(target) as out:
        try:
            while block := packed.read(CHUNK):
                digest.update(block)
                out.write(block)
        except OSError:  # pyarrow's error for a stream that is no Zstandard
            return None
    return digest.hexdigest()


def _writer(target: Path | None) -> BinaryIO:
    return target.open("wb") if target else Path(os.devnull).open("wb")


def _private(path: Path) -> pa.PythonFile:
    return pa.PythonFile(os.fdopen(os.open(path, os.O_WRONLY | os.O_CREAT | os.O_TRUNC, 0o600), "wb"), mode="w")
