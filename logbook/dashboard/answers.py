"""Answers: everything the pages may ask for, as one small value; the store and the jobs stand behind it.

A test hands in an `Answers` of its own, so that pages are tried without a database.
"""

from __future__ import annotations

from dataclasses import dataclass
from typing import TYPE_CHECKING, Any

if TYPE_CHECKING:
    from collections.abc import Callable, Sequence

    from logbook.schema.health import Health
    from logbook.schema.pack import Pack
    from logbook.store import Store


@dataclass(frozen=True)
class Answers:
    """What the pages read; each field is one question to the logbook."""

    packs: Callable[[], Sequence[Pack]]
    health: Callable[[Pack], Health]

    def pack(self, pack_id: int) -> Pack | None:
        """The pack of that id, or None."""
        return next((pack for pack in self.packs() if pack.id == pack_id), None)


def answers_of(store: Store) -> Answers:
    """Answers from a real logbook."""
    from logbook.jobs.health import health
    from logbook.store.packs import list_packs

    return Answers(packs=lambda: list_packs(store), health=lambda pack: health(store, pack))


def as_answers(source: Any) -> Answers:
    """Pass answers through, and wrap a store."""
    return source if isinstance(source, Answers) else answers_of(source)
