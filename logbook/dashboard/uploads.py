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
from dataclasses import asdict, dataclass
from pathlib import Path
from typing import IO, TYPE_CHECKING

from logbook.errors import BadData, CannotWrite, UnknownName
from logbook.units import S_PER_DAY

if TYPE_CHECKING:
    from collections.abc import Collection

CHUNK_BYTES = 1 << 18
PIECE_BYTES = 2 << 20
"""The largest piece: what the server holds of each reader in memory before it is written down."""
LONGEST_UPLOAD_BYTES = 4 << 30
"""The largest file taken through the browser; larger ones go through the command line."""
ROOM_BYTES = 64 << 20
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
        self._need_room(length)
        self._home(wanted.token).mkdir(parents=True, mode=0o700)
        self._part(wanted.token).touch()
        self._card(wanted.token).write_text(json.dumps(asdict(wanted)), "utf-8")
        return wanted

    def received(self, token: str) -> int:
        """Bytes that are here."""
        self.upload(token)
        return self._part(token).stat().st_size

    def upload(self, token: str) -> Upload:
        """What is known of a file on its way; UnknownName where there is none."""
        card = self._card(token) if re.fullmatch(r"[0-9a-f]{16}", token) and self.folder else None
        if card is None or not card.is_file():
            raise UnknownName("There is no such file on its way.", mend="Send it again.")
        return Upload(**json.loads(card.read_text("utf-8")))

    def add(self, token: str, at: int, stream: IO[bytes], size: int) -> int:
        """Write a piece down at its place; gives how much is here. A piece that broke off leaves what came."""
        upload = self.upload(token)
        with self._lock:
            here = self._part(token).stat().st_size
            if at != here or here + size > upload.length:
                raise BadData(f"{here} bytes of this file are here.", mend="Go on from there.")
            with self._part(token).open("ab") as out:
                left = size
                while left and (chunk := stream.read(min(CHUNK_BYTES, left))):
                    out.write(chunk)
                    left -= len(chunk)
            return here + size - left

    def complete(self, token: str) -> Path:
        """Give a file that is here its name; from now on it waits for its import."""
        upload = self.upload(token)
        target = self.path(token, upload.file_name)
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
        return [Upload(**json.loads(card.read_text("utf-8"))) for card in cards]

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
        return self._home(token) / "part"

    def _card(self, token: str) -> Path:
        return self._home(token) / "upload.json"


def safe_name(name: str) -> str:
    """The last part of a name, in letters every system can bear; a label and a file's name, never a path."""
    last = re.split(r"[\\/]", name)[-1]
    kept = re.sub(r"[^\w .,()+-]", "_", last).strip(" .")
    return kept[-120:] or "upload"
