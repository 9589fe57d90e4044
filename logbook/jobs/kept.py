"""Kept: the last answer of a pack as text, and what it rests on.

An answer is read back only where everything is as it was: readings and findings, the pack with its limits, the code
that composes it, and the libraries that code calculates with. Flags are raised anew each time.
"""

from __future__ import annotations

import hashlib
import json
import sys
from dataclasses import fields, is_dataclass
from datetime import date
from functools import cache
from importlib import metadata, resources
from typing import TYPE_CHECKING, Any

from logbook.schema import health as schema
from logbook.schema.estimate import Estimate
from logbook.schema.health import Health

if TYPE_CHECKING:
    from collections.abc import Iterator
    from importlib.resources.abc import Traversable

    from logbook.schema.pack import Pack
    from logbook.store.findings import State

CODE = ("analysis", "schema", "units.py")
"""What of the program decides on an answer."""
LIBRARIES = ("numpy", "pandas", "rainflow")
"""What the analysis calculates with; the standard library is Python's."""
KIND = "is"
"""No part can have a field of this name."""
DATE = "date"
KINDS: dict[str, Any] = {
    kind.__name__: kind for kind in (Estimate, *vars(schema).values()) if isinstance(kind, type) and is_dataclass(kind)
}
"""Parts of an answer, by the name that stands in the text."""


def rests_on(pack: Pack, state: State) -> str:
    """Give a hash of all that decides on the answer of a pack whose findings are up to date."""
    told = (pack, state.revision, state.digest_version, state.span, made_by())
    return hashlib.sha256(repr(told).encode()).hexdigest()


@cache
def made_by() -> str:
    """Give a hash of the code that composes answers, and of the versions of what it calculates with."""
    seen = hashlib.sha256(sys.version.encode())
    for name in LIBRARIES:
        seen.update(f"{name} {metadata.version(name)}\n".encode())
    for name in CODE:
        for path, content in _sources(resources.files("logbook") / name, name):
            seen.update(f"{path} {len(content)}\n".encode())
            seen.update(content)
    return seen.hexdigest()


def _sources(place: Traversable, name: str) -> Iterator[tuple[str, bytes]]:
    if place.is_file():
        yield name, place.read_bytes()
        return
    for entry in sorted(place.iterdir(), key=lambda each: each.name):
        if entry.name.endswith(".py"):
            yield f"{name}/{entry.name}", entry.read_bytes()


def as_text(health: Health) -> str:
    """Write an answer down, every figure to its last digit."""
    return json.dumps(_written(health), ensure_ascii=False, separators=(",", ":"), default=lambda value: value.item())


def from_text(text: str) -> Health:
    """Give the answer that was written down."""
    found = _read(json.loads(text))
    if not isinstance(found, Health):
        raise TypeError(f"an answer was expected, not {type(found).__name__}")
    return found


def _written(value: Any) -> Any:
    if is_dataclass(value):
        return {KIND: type(value).__name__} | {
            entry.name: _written(getattr(value, entry.name)) for entry in fields(value)
        }
    if isinstance(value, date):
        return {KIND: DATE, "day": value.isoformat()}
    if isinstance(value, (list, tuple)):
        return [_written(entry) for entry in value]
    return value


def _read(value: Any) -> Any:
    if isinstance(value, dict):
        parts = {name: _read(part) for name, part in value.items() if name != KIND}
        return date.fromisoformat(parts["day"]) if value[KIND] == DATE else KINDS[value[KIND]](**parts)
    if isinstance(value, list):
        return tuple(_read(entry) for entry in value)
    return value
