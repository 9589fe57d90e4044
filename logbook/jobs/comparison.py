"""Comparison: what an import changed in the answers, where finding out takes little work.

The analysis is loaded where answers are worked out: a file too long to be compared goes in without it.
"""

from __future__ import annotations

from dataclasses import dataclass, replace
from typing import TYPE_CHECKING

from logbook.errors import LogbookError
from logbook.schema.receipt import Changes
from logbook.store import list_imports, reading_span, replace_receipt
from logbook.store.parts import PIECE_ROWS

if TYPE_CHECKING:
    from logbook.jobs.progress import Progress
    from logbook.schema.health import Health
    from logbook.schema.pack import Pack
    from logbook.schema.receipt import Receipt
    from logbook.store import Store

MOST_READINGS = PIECE_ROWS
"""Readings gone through for the answers before, and again after, while the owner waits for a receipt: one piece."""
NOT_TRIED = Changes(reason="A dry run does not compute the answers; a true import does, and undo takes it back.")


@dataclass(frozen=True)
class Before:
    """What was known of a pack before an import."""

    imports: frozenset[int]
    health: Health | None = None
    """None where there was no reading, or where it would have taken too long to know."""
    empty: bool = False


def look(store: Store, pack: Pack) -> Before:
    """Look at the answers before an import, if few enough readings wait to be gone through."""
    known = _imports(store, pack)
    if not reading_span(store, pack.id)[0]:
        return Before(known, empty=True)
    from logbook.jobs.health import health  # noqa: PLC0415
    from logbook.jobs.refresh import readings_ahead  # noqa: PLC0415

    return Before(known, health(store, pack) if readings_ahead(store, pack) <= MOST_READINGS else None)


def compared(store: Store, pack: Pack, before: Before, receipt: Receipt, progress: Progress) -> Receipt:
    """Give the receipt of a finished import with what it changed in the answers, and keep it so."""
    told = replace(receipt, changes=_changes(store, pack, before, receipt, progress))
    try:
        replace_receipt(store, told)
    except LogbookError as error:
        return replace(receipt, changes=Changes(reason=_broken(error)))
    return told


def _changes(store: Store, pack: Pack, before: Before, receipt: Receipt, progress: Progress) -> Changes:
    if before.health is None and not before.empty:
        return Changes(reason="The answers were out of date before this import, so nothing was compared.")
    if before.empty and (ahead := reading_span(store, pack.id)[0]) > MOST_READINGS:
        return _too_many(ahead)
    from logbook.analysis.answer import answer  # noqa: PLC0415
    from logbook.analysis.change import changes  # noqa: PLC0415
    from logbook.jobs.health import health  # noqa: PLC0415
    from logbook.jobs.refresh import readings_ahead  # noqa: PLC0415

    if (ahead := readings_ahead(store, pack)) > MOST_READINGS:
        return _too_many(ahead)
    try:
        after = health(store, pack, progress)
        meanwhile = _imports(store, pack) ^ before.imports ^ {receipt.import_id}
    except LogbookError as error:
        return Changes(reason=_broken(error))
    if meanwhile:
        return Changes(reason="Another import or undo came between, so nothing was compared.")
    told = changes(before.health or answer({}, pack), after, pack.time_zone)
    return Changes(told, flags=tuple(flag.code for flag in after.flags))


def _too_many(ahead: int) -> Changes:
    many = f"{ahead:,}".replace(",", " ")
    return Changes(reason=f"{many} readings are to be gone through first, so nothing was compared.")


def _broken(error: LogbookError) -> str:
    return f"The import is in, but the answers could not be compared: {error}"


def _imports(store: Store, pack: Pack) -> frozenset[int]:
    return frozenset(row.id for row in list_imports(store, pack.id))
