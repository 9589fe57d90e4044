"""Throttle: how many wrong keys may be tried, by one client and by all together; kept beside the logbook.

Keys of earlier runs of the server are known by their hashes and count for nothing: pages left open still bring them.
"""

from __future__ import annotations

import glob
import hashlib
import json
import threading
import time
from contextlib import suppress
from dataclasses import dataclass, field
from ipaddress import IPv6Address, ip_address
from math import ceil
from typing import TYPE_CHECKING, Any

from logbook.dashboard.uploads import write_whole
from logbook.store.unfinished import sweep

if TYPE_CHECKING:
    from collections.abc import Callable
    from pathlib import Path

MOST_WRONG, WAIT_S = 5, 60
"""So many wrong keys of one client, and it waits so long."""
MOST_OVERALL, OVERALL_WAIT_S = 30, 600
"""So many wrong keys of all clients, and those wait that never brought the right one."""
MOST_KEPT = 1000
"""Wrong keys remembered."""
MOST_KNOWN = 100
"""Clients remembered that brought the right key, and keys of earlier runs."""
SITE_BITS = 64
"""Of an IPv6 address: what follows is its owner's to choose (RFC 4291, section 2.5.4)."""


@dataclass(frozen=True)
class Wrong:
    """A wrong key that was tried."""

    client: str
    at_s: float


@dataclass
class Memory:
    """What is remembered."""

    wrong: list[Wrong] = field(default_factory=list)
    known: list[str] = field(default_factory=list)
    """Clients that brought the right key."""
    former: list[str] = field(default_factory=list)
    """Hashes of keys that were right once."""


class Throttle:
    """Counts wrong keys, so that nobody can try many; also after a restart where it has a file."""

    def __init__(self, file: Path | None = None, clock: Callable[[], float] = time.time) -> None:
        self._file, self._clock = file, clock
        self._lock = threading.Lock()
        self._memory = Memory()
        self._read()

    def wait_s(self, address: str) -> int:
        """How long this client has to wait before a key of its is looked at; 0 where it need not."""
        client = client_of(address)
        with self._lock:
            mine = [wrong.at_s for wrong in self._recent(WAIT_S) if wrong.client == client]
            waits = [self._until_fewer(mine, MOST_WRONG, WAIT_S)]
            if client not in self._memory.known and not is_own(client):
                every = [wrong.at_s for wrong in self._recent(OVERALL_WAIT_S)]
                waits.append(self._until_fewer(every, MOST_OVERALL, OVERALL_WAIT_S))
        return max(waits)

    def note(self, address: str, key: str) -> None:
        """Count a wrong key."""
        with self._lock:
            self._read()  # another dashboard of the same logbook may have counted too
            if digest_of(key) not in self._memory.former:
                wrong = [*self._recent(OVERALL_WAIT_S), Wrong(client_of(address), self._clock())]
                self._memory.wrong = wrong[-MOST_KEPT:]
                self._write()

    def begin(self, key: str) -> None:
        """Remember the key of this run for the next ones."""
        with self._lock:
            self._memory.former = [*self._memory.former, digest_of(key)][-MOST_KNOWN:]
            if self._file:
                sweep(self._file.parent, f"{glob.escape(self._file.name)}.*.part")
            self._write()

    def welcome(self, address: str) -> None:
        """Remember a client that brought the right key: wrong keys of others do not keep it waiting."""
        client = client_of(address)
        with self._lock:
            if client not in self._memory.known:
                self._read()
                self._memory.known = [*self._memory.known, client][-MOST_KNOWN:]
                self._write()

    def _recent(self, within_s: float) -> list[Wrong]:
        now = self._clock()  # one of the future was noted before the clock was set back
        return [wrong for wrong in self._memory.wrong if 0 <= now - wrong.at_s < within_s]

    def _until_fewer(self, times: list[float], most: int, wait_s: float) -> int:
        return 0 if len(times) < most else ceil(wait_s - (self._clock() - sorted(times)[-most]))

    def _read(self) -> None:
        with suppress(OSError, ValueError, TypeError, LookupError):
            told = json.loads(self._file.read_text("utf-8")) if self._file else {}
            if told:
                self._memory = Memory(
                    [Wrong(str(client), float(at_s)) for client, at_s in told["wrong"]],
                    [str(client) for client in told["known"]],
                    [str(digest) for digest in told["former"]],
                )

    def _write(self) -> None:
        told: dict[str, Any] = {
            "wrong": [[wrong.client, wrong.at_s] for wrong in self._memory.wrong],
            "known": self._memory.known,
            "former": self._memory.former,
        }
        with suppress(OSError):  # it is kept in memory then
            if self._file:
                write_whole(self._file, json.dumps(told))


def client_of(address: str) -> str:
    """Who counts as one: an address, of the new kind all that one owner may choose from."""
    try:
        found = ip_address(address.split("%", maxsplit=1)[0])
    except ValueError:
        return address
    if isinstance(found, IPv6Address) and found.ipv4_mapped is not None:
        found = found.ipv4_mapped
    if isinstance(found, IPv6Address) and not found.is_loopback:
        return str(IPv6Address(int(found) >> SITE_BITS << SITE_BITS))
    return str(found)


def is_own(client: str) -> bool:
    """Whether a client is this machine."""
    with suppress(ValueError):
        return ip_address(client).is_loopback
    return False


def digest_of(key: str) -> str:
    """What is kept of a key; it is drawn from so many that its hash does not give it away."""
    return hashlib.sha256(key.encode(errors="replace")).hexdigest()
