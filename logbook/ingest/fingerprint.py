"""Fingerprint: the SHA-256 of a file's bytes, worked out once as long as the file does not change.

It can be begun while the program is still loading its libraries.
"""

from __future__ import annotations

import hashlib
import stat
from contextlib import suppress
from threading import Lock, Thread
from typing import TYPE_CHECKING

if TYPE_CHECKING:
    from pathlib import Path

BLOCK_BYTES = 16 << 20
"""Read at once: each block takes its turn with all else that runs, and turns are long while libraries load."""
KEPT = 16
"""Files whose fingerprints are remembered."""
State = tuple[str, int, int, int, int, int]
_known: dict[State, _Hashing] = {}
_lock = Lock()


class _Hashing(Thread):
    def __init__(self, path: Path) -> None:
        super().__init__(name="fingerprint", daemon=True)
        self.path = path
        self.found: str | None = None
        self.error: OSError | None = None

    def run(self) -> None:
        digest, block = hashlib.sha256(), memoryview(bytearray(BLOCK_BYTES))
        try:
            with self.path.open("rb", buffering=0) as file:
                while size := file.readinto(block):
                    digest.update(block[:size])
        except OSError as error:
            self.error = error
        else:
            self.found = digest.hexdigest()

    def result(self) -> str:
        self.join()
        if self.found is None:
            raise self.error or OSError("it was not read")
        return self.found


def begin(path: Path) -> None:
    """Begin to work it out, beside what else is done; what goes wrong is told when it is asked for."""
    with suppress(OSError):
        if stat.S_ISREG(path.stat().st_mode):
            _hashing(path, _state(path))


def is_ready(path: Path) -> bool:
    """Whether it is worked out already, or cannot be."""
    with suppress(OSError):
        return not _hashing(path, _state(path)).is_alive()
    return True


def sha256_of(path: Path) -> str:
    """Give the fingerprint of a file as it is now; OSError where it cannot be read."""
    state = _state(path)
    try:
        return _hashing(path, state).result()
    except OSError:
        with _lock:
            _known.pop(state, None)
        raise


def _state(path: Path) -> State:
    """What changes whenever the file does."""
    told = path.stat()
    return str(path), told.st_dev, told.st_ino, told.st_size, told.st_mtime_ns, told.st_ctime_ns


def _hashing(path: Path, state: State) -> _Hashing:
    with _lock:
        if state not in _known:
            while len(_known) >= KEPT:
                del _known[next(iter(_known))]
            _known[state] = _Hashing(path)
            _known[state].start()
        return _known[state]
