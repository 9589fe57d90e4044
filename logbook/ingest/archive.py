"""Source: the bytes of one file, unpacked from .gz or .zip within limits; what is no text is refused by name."""

from __future__ import annotations

import gzip
import io
import zipfile
import zlib
from contextlib import contextmanager
from dataclasses import dataclass, replace
from itertools import pairwise
from os import SEEK_END
from pathlib import Path, PurePosixPath
from typing import TYPE_CHECKING, BinaryIO, cast

from logbook.errors import BadData, InputMissing
from logbook.ingest.fingerprint import sha256_of
from logbook.ingest.options import MEBIBYTE

if TYPE_CHECKING:
    from collections.abc import Iterator

    from logbook.ingest.options import ImportOptions

FIRST_BYTES, BLOCK_BYTES = MEBIBYTE, 8 * MEBIBYTE
"""Read at once: the first is looked at for what the file is before the work on the next can begin beside it."""
RATIO_FLOOR_BYTES = 16 * MEBIBYTE
"""Below this size no ratio is suspicious: a parked pack repeats itself."""

GZIP = b"\x1f\x8b"
ZIP = b"PK\x03\x04"
MAGIC = (
    (b"\xd0\xcf\x11\xe0", "a spreadsheet or document in an old binary format"),
    (b"%PDF", "a PDF document"),
    (b"SQLite format 3\x00", "a database file"),
    (b"PAR1", "a Parquet file"),
    (b"\x89PNG", "a picture"),
    (b"\xff\xd8\xff", "a picture"),
    (b"GIF8", "a picture"),
    (b"7z\xbc\xaf", "a 7z archive"),
    (b"Rar!", "a RAR archive"),
    (b"\x28\xb5\x2f\xfd", "a Zstandard archive"),
    (b"BZh", "a bzip2 archive"),
    (b"\xfd7zXZ", "an xz archive"),
    (b"PK\x05\x06", "an empty zip archive"),
)
"""Leading bytes of formats that are sometimes named .csv (each from its format's specification)."""
EXPORT_AS_CSV = "Export it as CSV (comma or semicolon separated text) and import that."
UNPACK_FIRST = "Unpack it, and import the CSV inside."
BOUNDED = (zipfile.ZIP_STORED, zipfile.ZIP_DEFLATED)
"""Ways of packing that unpack piece by piece; a few bytes of the others may become gigabytes at one stroke."""
MOST_TABLES = 100
"""A file a day for three months; each is opened and recognised by itself."""
UNSHOWN = dict.fromkeys(
    (*range(32), *range(127, 160), 0x61C, 0x200E, 0x200F, *range(0x2028, 0x202F), *range(0x2066, 0x206A)), "\ufffd"
)
"""Letters in a name that end a line, speak to a terminal or turn the order of writing (Unicode, annex 9)."""
DAMAGED = "The archive is damaged or cut off."


@dataclass(frozen=True)
class Source:
    """One file on disk, and for a zip one member inside."""

    path: Path
    sha256: str
    size: int
    packing: str
    """`plain`, `gzip` or `zip`."""
    member: str | None
    max_bytes: int
    max_ratio: float
    others: tuple[str, ...] = ()
    """Further members of a zip that may be tables."""
    before: int = 0
    """Unpacked bytes of the members before it."""

    def parts(self) -> Iterator[Source]:
        """Each table of the file as a source of its own; together they stay within the limits."""
        yield replace(self, others=())
        if not self.others:
            return
        with self._explained(), zipfile.ZipFile(self.path) as archive:
            sizes = {info.filename: info.file_size for info in archive.infolist()}
        names = (self.member or "", *self.others)
        for place, member in enumerate(self.others, 1):
            before = sum(sizes[name] for name in names[:place])
            yield replace(self, member=member, others=(), before=before)

    @property
    def name(self) -> str:
        """The file's name as messages show it."""
        return shown_name(self.path)

    def blocks(self) -> Iterator[tuple[bytes, float]]:
        """Unpacked bytes in blocks, each with the share of the file read so far."""
        total = self.before
        with self.path.open("rb") as packed, self._unpacked(packed) as stream:
            size = min(FIRST_BYTES, BLOCK_BYTES)
            while block := self._read(stream, size):
                size = BLOCK_BYTES
                total += len(block)
                self._check_size(total, packed.tell())
                yield block, min(packed.tell() / max(self.size, 1), 1.0)

    def _unpacked(self, packed: BinaryIO) -> BinaryIO:
        if self.packing == "gzip":
            return cast("BinaryIO", gzip.GzipFile(fileobj=packed))
        if self.packing == "zip":
            with self._explained():
                return cast("BinaryIO", zipfile.ZipFile(packed).open(self.member or ""))
        return cast("BinaryIO", io.BufferedReader(cast("io.RawIOBase", packed), 1))

    def _read(self, stream: BinaryIO, size: int) -> bytes:
        with self._explained():
            return stream.read(size)

    @contextmanager
    def _explained(self) -> Iterator[None]:
        try:
            yield
        except (EOFError, OSError, ValueError, zlib.error, zipfile.BadZipFile) as error:
            what = "The file cannot be read to its end." if self.packing == "plain" else DAMAGED
            raise BadData(what, where=self.name, mend="Export or copy the file again.") from error
        except (NotImplementedError, RuntimeError) as error:
            raise BadData(
                "The archive is packed in a way that is not understood.", where=self.name, mend=UNPACK_FIRST
            ) from error

    def _check_size(self, total: int, packed: int) -> None:
        if total > self.max_bytes:
            raise BadData(
                f"It unpacks to more than {self.max_bytes // MEBIBYTE} MiB.",
                where=self.name,
                mend="If that is right, raise the limit with  --max-mib NUMBER  or split the file.",
            )
        if self.packing != "plain" and total > max(RATIO_FLOOR_BYTES, self.max_ratio * max(packed, 1)):
            raise BadData(
                f"It unpacks to more than {self.max_ratio:g} times its size, which no honest export does.",
                where=self.name,
                mend="If you trust it, raise the limit with  --max-ratio NUMBER  or unpack it yourself.",
            )


def shown_name(path: Path) -> str:
    """A file's name in letters that can be written down; a name need not be valid text on every system, nor honest."""
    return path.name.encode("utf-8", "backslashreplace").decode().translate(UNSHOWN)


def open_source(path: Path, options: ImportOptions) -> Source:
    """Look at a file and say how it is packed; InputMissing or BadData with a way out."""
    head, size, digest = _look(path)
    packing, member, others = "plain", None, list[str]()
    if not size:
        raise BadData(
            "The file is empty.", where=shown_name(path), mend="Export it again, and check that it has a size."
        )
    if head.startswith(GZIP):
        packing = "gzip"
    elif head.startswith(ZIP):
        packing, (member, *others) = "zip", _members(path)
    else:
        _refuse_known(head, shown_name(path))
    source = Source(path, digest, size, packing, member, options.max_bytes, options.max_ratio, tuple(others))
    if packing != "plain":
        _refuse_known(next((block for block, _ in source.blocks()), b""), shown_name(path))
    return source


def _look(path: Path) -> tuple[bytes, int, str]:
    try:
        with path.open("rb") as stream:
            head, size = stream.read(64), stream.seek(0, SEEK_END)
        return head, size, sha256_of(path)
    except FileNotFoundError as error:
        raise InputMissing("There is no such file.", where=str(path), mend="Check the name and the folder.") from error
    except IsADirectoryError as error:
        raise InputMissing(
            "This is a folder, not a file.", where=str(path), mend=f"Name the files in it:  {path}/*.csv"
        ) from error
    except OSError as error:
        raise InputMissing(
            f"It cannot be read: {error.strerror}.", where=str(path), mend="Check its permissions."
        ) from error


def _refuse_known(head: bytes, name: str) -> None:
    for magic, kind in MAGIC:
        if head.startswith(magic):
            raise BadData(f"This is {kind}, not a CSV file.", where=name, mend=EXPORT_AS_CSV)
    if head.startswith((ZIP, GZIP)):
        raise BadData("This is an archive inside an archive.", where=name, mend=UNPACK_FIRST)
    text = head.lstrip(b"\xef\xbb\xbf \t\r\n")[:64].lower()
    if text.startswith((b"<!doctype", b"<html", b"<head")):
        raise BadData(
            "This is a web page, perhaps a login page, not a CSV file.",
            where=name,
            mend="Log in and download it again.",
        )
    if text.startswith(b"<"):
        raise BadData("This is an XML file, not a CSV file.", where=name, mend=EXPORT_AS_CSV)
    if text.startswith((b"{", b'["', b"[{", b"[[", b"[\n", b"[ ")):
        raise BadData("This is a JSON file, not a CSV file.", where=name, mend=EXPORT_AS_CSV)


def _members(path: Path) -> list[str]:
    """The tables in a zip, by name."""
    try:
        with zipfile.ZipFile(path) as archive:
            infos = [info for info in archive.infolist() if info.filename and not info.is_dir()]
    except (zipfile.BadZipFile, NotImplementedError, OSError, ValueError) as error:
        raise BadData("The zip archive is damaged.", where=shown_name(path), mend="Export or copy it again.") from error
    names = [info.filename for info in infos]
    _refuse_documents(names, shown_name(path))
    for info in infos:
        _refuse_tricks(info, shown_name(path))
    tables = sorted(name for name in names if _is_table(name))
    twice = next((name for name, other in pairwise(tables) if name == other), None)
    if twice is not None:
        raise BadData(
            f'The archive holds two files of the name "{twice[:200]}", of which only one can be read.',
            where=shown_name(path),
            mend=UNPACK_FIRST,
        )
    if not tables:
        raise BadData(
            f"The archive holds no tables: {', '.join(names)[:200] or 'it is empty'}.",
            where=shown_name(path),
            mend=EXPORT_AS_CSV,
        )
    if len(tables) > MOST_TABLES:
        raise BadData(
            f"The archive holds {len(tables)} files that may be tables; at most {MOST_TABLES} are read at once.",
            where=shown_name(path),
            mend="Unpack it, and import the files by name.",
        )
    return tables


def _is_table(name: str) -> bool:
    pure = PurePosixPath(name)
    hidden = pure.name.startswith(".") or "__MACOSX" in pure.parts
    return not hidden and pure.suffix.lower() in {".csv", ".txt", ".tsv", ".log", ".dat", ""}


def _refuse_documents(names: list[str], where: str) -> None:
    if "[Content_Types].xml" in names or "mimetype" in names:
        raise BadData("This is a spreadsheet or document, not a CSV file.", where=where, mend=EXPORT_AS_CSV)


def _refuse_tricks(info: zipfile.ZipInfo, where: str) -> None:
    pure = PurePosixPath(info.filename.replace("\\", "/"))
    if pure.is_absolute() or ".." in pure.parts or ":" in "".join(pure.parts[:1]):
        raise BadData(
            f'The archive names a file outside itself: "{info.filename}".',
            where=where,
            mend="Do not trust it; if you do, unpack it with care and import the CSV inside.",
        )
    if info.flag_bits & 1:
        raise BadData("The archive is locked with a password.", where=where, mend=UNPACK_FIRST)
    if info.compress_type not in BOUNDED:
        raise BadData("The archive is packed in a way that is not understood.", where=where, mend=UNPACK_FIRST)
