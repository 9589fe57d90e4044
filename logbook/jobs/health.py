"""Health: the answer for one pack, from findings that are up to date."""

from __future__ import annotations

from dataclasses import replace
from threading import Lock
from typing import TYPE_CHECKING

from logbook.analysis.answer import answer
from logbook.analysis.flags import flags
from logbook.jobs.comparison import finished
from logbook.jobs.kept import as_text, from_text, rests_on
from logbook.jobs.progress import silent
from logbook.jobs.refresh import METHOD, made_anew, refresh
from logbook.schema.reading import Readings
from logbook.store import acknowledged, findings
from logbook.store.answers import keep_answer, kept_answer
from logbook.store.damage import UNREADABLE, damaged
from logbook.store.imports import flags_standing
from logbook.store.snapshot import Snapshot

if TYPE_CHECKING:
    from collections.abc import Hashable, Mapping

    import pandas as pd
    from sqlalchemy.engine import Connection

    from logbook.jobs.progress import Progress
    from logbook.schema.health import Health
    from logbook.schema.pack import Pack
    from logbook.store import Store

KEPT = 64
"""Answers a running program remembers; their flags are raised anew, by what stood and what its owner has seen."""
_kept: dict[Hashable, Health] = {}
_lock = Lock()


def health(store: Store, pack: Pack, progress: Progress = silent) -> Health:
    """Refresh what is out of date, then answer; the same question again is answered from memory, or from the logbook.

    Where the logbook cannot be written, findings that are out of date are made for this answer alone.
    """
    if not store.read_only:
        refresh(store, pack, progress)
    seen = acknowledged(store, pack.id)
    with store.reading() as connection:
        state = findings.state_in(connection, pack.id)
        stood = flags_standing(connection, pack.id)
        key = (str(store.url), pack, state.revision)
        reason = rests_on(pack, state) if findings.is_current(state, METHOD.version) else None
        found = _kept.get(key) or (_read(connection, pack, reason) if reason else None)
        if found is not None:
            _keep(key, found)
            return replace(found, flags=flags(found, seen, pack.limits, stood))
        tables = _tables(Snapshot(store, connection), connection, pack, state)
    try:
        answered = answer(tables, pack, seen, span_ms=state.span, raised=stood)
    except UNREADABLE as error:
        if _are_as_made(tables, pack):
            raise
        raise damaged("what was made of the readings") from error
    _keep(key, answered)
    finished(store, pack, answered)
    if reason:
        keep_answer(store, pack.id, state.revision, reason, as_text(answered))
    return answered


def _are_as_made(tables: Mapping[str, pd.DataFrame], pack: Pack) -> bool:
    """Whether findings have the columns that the digest makes, with numbers where it makes numbers."""
    from pandas.api.types import is_numeric_dtype  # noqa: PLC0415 - when something went wrong already

    made = METHOD.digest(Readings.empty(), pack)
    return all(
        kind in made
        and set(frame.columns) == set(made[kind].columns)
        and all(is_numeric_dtype(frame[name]) or not is_numeric_dtype(made[kind][name]) for name in frame)
        for kind, frame in tables.items()
    )


def _read(connection: Connection, pack: Pack, reason: str) -> Health | None:
    text = kept_answer(connection, pack.id, reason)
    return None if text is None else from_text(text)


def _tables(still: Store, connection: Connection, pack: Pack, state: findings.State) -> dict[str, pd.DataFrame]:
    """Give the stored findings, or those of the readings of the same moment where something was not refreshed."""
    if findings.is_current(state, METHOD.version):
        return findings.findings_in(connection, pack.id)
    import pandas as pd  # noqa: PLC0415 - slow to load, and most commands do without

    found: dict[str, list[pd.DataFrame]] = {}
    for piece in made_anew(still, pack, METHOD):
        for kind, frame in piece.tables.items():
            if len(frame):
                found.setdefault(kind, []).append(frame)
    return {kind: pd.concat(frames, ignore_index=True) for kind, frames in found.items()}


def _keep(key: Hashable, answered: Health) -> None:
    with _lock:
        _kept.pop(key, None)
        while len(_kept) >= KEPT:
            _kept.pop(next(iter(_kept)))
        _kept[key] = answered
