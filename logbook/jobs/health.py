"""Health: the answer for one pack, from findings that are up to date."""

from __future__ import annotations

from threading import Lock
from typing import TYPE_CHECKING

from logbook.analysis.answer import answer
from logbook.jobs.comparison import finished
from logbook.jobs.progress import silent
from logbook.jobs.refresh import refresh
from logbook.store import acknowledged, findings
from logbook.store.imports import flags_standing

if TYPE_CHECKING:
    from collections.abc import Hashable

    from logbook.jobs.progress import Progress
    from logbook.schema.health import Health
    from logbook.schema.pack import Pack
    from logbook.store import Store

KEPT = 64
"""Answers a running program remembers."""
_kept: dict[Hashable, Health] = {}
_lock = Lock()


def health(store: Store, pack: Pack, progress: Progress = silent) -> Health:
    """Refresh what is out of date, then answer; the same question again is answered from memory."""
    if not store.read_only:
        refresh(store, pack, progress)
    seen = acknowledged(store, pack.id)
    with store.reading() as connection:
        state = findings.state_in(connection, pack.id)
        stood = flags_standing(connection, pack.id)
        key = (str(store.url), pack, state.revision, seen, stood)
        found = _kept.get(key)
        if found is not None:
            return found
        tables = findings.findings_in(connection, pack.id)
    answered = answer(tables, pack, seen, span_ms=state.span, raised=stood)
    _keep(key, answered)
    finished(store, pack, answered)
    return answered


def _keep(key: Hashable, answered: Health) -> None:
    with _lock:
        while len(_kept) >= KEPT:
            _kept.pop(next(iter(_kept)))
        _kept[key] = answered
