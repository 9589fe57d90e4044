"""Refresh: makes again the findings that are out of date, piece by piece, and no others.

A change of readings can change findings up to the digest's margin away, and those look at readings as far again.
Every piece lands in one transaction with the list of what is left, so that a refresh can be broken off anywhere.
"""

from __future__ import annotations

from dataclasses import dataclass
from typing import TYPE_CHECKING

import numpy as np

from logbook.analysis import digest as analysis
from logbook.jobs.progress import silent
from logbook.store import findings, stale
from logbook.store.parts import PIECE_ROWS
from logbook.store.readings import count_by_day, readings_between
from logbook.store.side import with_side
from logbook.units import MS_PER_DAY

if TYPE_CHECKING:
    from collections.abc import Callable, Iterator, Mapping

    import pandas as pd
    from sqlalchemy.engine import Connection

    from logbook.jobs.progress import Progress
    from logbook.schema.pack import Pack
    from logbook.schema.reading import Readings
    from logbook.store import Store
    from logbook.store.findings import Refreshed, State

    Digest = Callable[[Readings, Pack], Mapping[str, pd.DataFrame]]

PATIENCE = 3
"""Times a piece is computed beside other writers before it locks them out."""


@dataclass(frozen=True)
class Method:
    """The digest to use; a test hands in its own."""

    digest: Digest = analysis.digest
    margin_ms: int = analysis.MARGIN_MS
    version: int = analysis.VERSION
    piece_rows: int = PIECE_ROWS


METHOD = Method()


def refresh(store: Store, pack: Pack, progress: Progress = silent, *, method: Method = METHOD) -> None:
    """Bring a pack's findings up to date."""
    left = whole = None
    while left is None or left > 0:
        left = _one_piece(store, pack, method)
        whole = whole or left
        progress(1.0 - left / whole if whole else 1.0)


def rebuild(store: Store, pack: Pack, progress: Progress = silent, *, method: Method = METHOD) -> None:
    """Make all of a pack's findings again; broken off, the next refresh goes on where it stopped."""
    findings.forget(store, pack.id)
    refresh(store, pack, progress, method=method)


def readings_ahead(store: Store, pack: Pack, *, method: Method = METHOD) -> int:
    """Count the readings the next refresh would go through."""
    with store.reading() as connection:
        work = _work(connection, pack.id, findings.state_in(connection, pack.id), method)
        return sum(sum(count_by_day(connection, pack.id, start, end).values()) for start, end in work)


def made_anew(store: Store, pack: Pack, method: Method = METHOD) -> Iterator[Refreshed]:
    """Make all findings again piece by piece, and keep none of them."""
    with store.reading() as connection:
        work = _everything(connection, pack.id, findings.state_in(connection, pack.id))
    while work:
        with store.reading() as connection:
            made = _make(connection, pack, work, method)
        yield made
        work = made.unfinished


def widened(start_ms: int, end_ms: int, margin_ms: int = 0) -> tuple[int, int]:
    """Widen a range by a margin, then to midnights (UTC)."""
    start_ms, end_ms = start_ms - margin_ms, end_ms + margin_ms
    return start_ms // MS_PER_DAY * MS_PER_DAY, -(-end_ms // MS_PER_DAY) * MS_PER_DAY


def _one_piece(store: Store, pack: Pack, method: Method) -> int:
    """Make one piece and give how many ms are left; computed unlocked as long as nobody else changes anything."""
    for _ in range(PATIENCE):
        with store.reading() as connection:
            seen = findings.state_in(connection, pack.id)
            work = _work(connection, pack.id, seen, method)
            if not work and seen.digest_version == method.version and not seen.changed:
                return 0
            made = _make(connection, pack, work, method)
        with store.writing() as connection:
            if findings.state_in(connection, pack.id).revision == seen.revision:
                findings.commit_refresh(connection, pack.id, made)
                return _length(made.unfinished)
    with store.writing() as connection:
        made = _make(
            connection, pack, _work(connection, pack.id, findings.state_in(connection, pack.id), method), method
        )
        findings.commit_refresh(connection, pack.id, made)
        return _length(made.unfinished)


def _work(connection: Connection, pack_id: int, state: State, method: Method) -> list[tuple[int, int]]:
    """Give the ranges of whole days whose findings are to be made again."""
    ranges = list(state.unfinished)
    if state.digest_version != method.version:
        ranges += _everything(connection, pack_id, state)
    ranges += [widened(start, end, method.margin_ms) for start, end in state.changed]
    return stale.joined(ranges)


def _everything(connection: Connection, pack_id: int, state: State) -> list[tuple[int, int]]:
    spans = findings.findings_span(connection, pack_id)
    if state.span:
        spans.append((state.span[0], state.span[1] + 1))
    return [widened(min(start for start, _ in spans), max(end for _, end in spans))] if spans else []


def _make(connection: Connection, pack: Pack, work: list[tuple[int, int]], method: Method) -> Refreshed:
    """Digest the first piece of the work."""
    if not work:
        return findings.Refreshed(0, 0, {}, [], method.version)
    (start, end), rest = _first_piece(connection, pack.id, work, method.piece_rows)
    readings = readings_between(connection, pack.id, start - method.margin_ms, end + method.margin_ms)
    readings = with_side(connection, pack.id, readings)
    tables = {kind: _within(frame, start, end) for kind, frame in method.digest(readings, pack).items()}
    return findings.Refreshed(start, end, tables, rest, method.version)


def _first_piece(
    connection: Connection, pack_id: int, work: list[tuple[int, int]], rows: int
) -> tuple[tuple[int, int], list[tuple[int, int]]]:
    """Cut off the first days that hold few enough readings, with the empty days between and around them."""
    start, end = work[0]
    held = 0
    for day, count in sorted(count_by_day(connection, pack_id, start, end).items()):
        if held and held + count > rows:
            border = day * MS_PER_DAY
            return (start, border), [(border, end), *work[1:]]
        held += count
    return work[0], work[1:]


def _within(frame: pd.DataFrame, start: int, end: int) -> pd.DataFrame:
    starts = frame["start_ms"].to_numpy(np.int64)
    return frame[(starts >= start) & (starts < end)]


def _length(ranges: list[tuple[int, int]]) -> int:
    return sum(end - start for start, end in ranges)
