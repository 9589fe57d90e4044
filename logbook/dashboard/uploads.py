"""Uploads: files that come through the browser in pieces, written down in the logbook's own folder as they come.

A file that broke off can go on where it stopped, also after the page was closed: who sends the same file again is
told how much is here already.
"""

from __future__ import annotations

import json
import re
import secrets
import shutil
import threading
import time
from contextlib import contextmanager
from dataclasses import asdict, dataclass
from pathlib import Path
from typing import IO, TYPE_CHECKING

from logbook.errors import BadData, CannotWrite, UnknownName
from logbook.units import S_PER_DAY

if TYPE_CHECKING:
    from collections.abc import Collection, Iterator

CHUNK_BYTES = 1 << 18
PIECE_BYTES = 2 << 20
"""The largest piece: what the server holds of each reader in memory before it is written down."""
LONGEST_UPLOAD_BYTES = 4 << 30
"""The largest file taken through the browser; larger ones go through the command line."""
ROOM_BYTES = 64 << 20
PART = "part"
"""Name of what is here of a file on its way."""
FORGOTTEN_S = S_PER_DAY
"""A file that broke off is kept so long for its owner to go on."""


@dataclass(frozen=True)
class Upload:
    """One file on its way here."""

    token: str
    pack_id: int
    file_name: str
    length: int
    changed_ms: int
    """When the file was last changed on the owner's side: tells files of one name apart."""


class Uploads:
    """The folder where files wait for their import, one folder a file."""

    def __init__(self, folder: Path | None) -> None:
        self.folder = folder
        self._lock = threading.Lock()

    def begin(self, pack_id: int, file_name: str, length: int, changed_ms: int = 0) -> Upload:
        """Make room for a file, or find the same one that broke off before."""
        if self.folder is None:
            raise CannotWrite("This logbook was opened for reading only.")
        wanted = Upload(secrets.token_hex(8), pack_id, safe_name(file_name), length, changed_ms)
        for found in self._begun() if changed_ms else ():
            if Upload(wanted.token, *list(asdict(found).values())[1:]) == wanted:
                return found
        with told_of_disk():
            self._need_room(length)
            self._home(wanted.token).mkdir(parents=True, mode=0o700)
            self._part(wanted.token).touch(mode=0o600)
            write_whole(self._card(wanted.token), json.dumps(asdict(wanted)))
        return wanted

    def received(self, token: str) -> int:
        """Bytes that are here."""
        self.upload(token)
        try:
            return self._part(token).stat().st_size
        except FileNotFoundError:  # it is complete by now
            raise unknown() from None

    def upload(self, token: str) -> Upload:
        """What is known of a file on its way; UnknownName where there is none."""
        known = re.fullmatch(r"[0-9a-f]{16}", token) and self.folder
        found = self._read(self._card(token)) if known else None
        if found is None:
            raise unknown()
        return found

    def add(self, token: str, at: int, stream: IO[bytes], size: int) -> int:
        """Write a piece down at its place; gives how much is here. A piece that broke off leaves what came."""
        upload = self.upload(token)
        with self._lock, told_of_disk():
            here = self.received(token)
            if at != here or here + size > upload.length:
                raise BadData(f"{here} bytes of this file are here.", mend="Go on from there.")
            with self._part(token).open("ab") as out:
                left = size
                while left and (chunk := stream.read(min(CHUNK_BYTES, left))):
                    out.write(chunk)
                    left -= len(chunk)
            return here + size - left

    def complete(self, token: str) -> Path:
        """Give a file that is here its name; from now on it waits for its import. It can be completed once."""
        with self._lock, told_of_disk():
            target = self.path(token, self.upload(token).file_name)
            target.parent.mkdir(exist_ok=True, mode=0o700)
            self._part(token).rename(target)
            self._card(token).unlink()
        return target

    def path(self, token: str, file_name: str) -> Path:
        """Where a file lies that is here."""
        return self._home(token) / "file" / file_name

    def mapping(self, token: str) -> Path:
        """Where the mapping of a file lies."""
        return self._home(token) / "mapping.toml"

    def keep_mapping(self, token: str, text: str) -> None:
        """Keep the owner's mapping of a file beside it."""
        with told_of_disk():
            write_whole(self.mapping(token), text)

    def drop(self, token: str) -> None:
        """Take a file away, with all that came with it."""
        if token and self.folder:
            shutil.rmtree(self._home(token), ignore_errors=True)

    def tidy(self, keep: Collection[str]) -> None:
        """Take away what nobody asks for any more."""
        folders = self.folder.iterdir() if self.folder and self.folder.is_dir() else ()
        for folder in folders:
            if folder.name not in keep and time.time() - folder.stat().st_mtime > FORGOTTEN_S:
                shutil.rmtree(folder, ignore_errors=True)

    def _begun(self) -> list[Upload]:
        cards = sorted(self.folder.glob("*/upload.json")) if self.folder else []
        return [found for card in cards if (found := self._read(card))]

    @staticmethod
    def _read(card: Path) -> Upload | None:
        """What a card says of a file on its way; None for one that is complete, or was left by a killed program."""
        try:
            found = Upload(**json.loads(card.read_text("utf-8")))
        except (OSError, ValueError, TypeError):
            return None
        return found if card.with_name(PART).exists() else None

    def _need_room(self, length: int) -> None:
        folder = self.folder or Path()
        folder.mkdir(parents=True, exist_ok=True, mode=0o700)
        if shutil.disk_usage(folder).free < 2 * length + ROOM_BYTES:
            raise CannotWrite(
                "There is not enough room on the disk for this file.", mend="Make room and send it again."
            )

    def _home(self, token: str) -> Path:
        return (self.folder or Path()) / token

    def _part(self, token: str) -> Path:
        return self._home(token) / PART

    def _card(self, token: str) -> Path:
        return self._home(token) / "upload.json"


def unknown() -> UnknownName:
    """What is said of a file that is not on its way."""
    return UnknownName("There is no such file on its way.", mend="Send it again.")


def write_whole(path: Path, text: str) -> None:
    """Write a small file for its owner alone, so that who reads it sees all of it or none."""
    unfinished = path.with_name(f"{path.name}.{secrets.token_hex(4)}.part")
    unfinished.touch(mode=0o600)
    unfinished.write_text(text, "utf-8")
    unfinished.replace(path)


@contextmanager
def told_of_disk() -> Iterator[None]:
    """Turn what the system says about a full disk or a folder that cannot be written into plain words."""
    try:
        yield
    except OSError as error:
        raise CannotWrite(
            f"The file could not be written down here ({error.strerror or error}).",
            mend="Make room on the disk, or change the permissions of the logbook's folder, and send it again.",
        ) from error


def safe_name(name: str) -> str:
    """The last part of a name, in letters every system can bear; a label and a file's name, never a path."""
    last = re.split(r"[\\/]", name)[-1]
    kept = re.sub(r"[^\w .,()+-]", "_", last).strip(" .")
    return kept[-120:] or "upload"
