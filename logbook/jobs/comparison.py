"""Comparison: what an import changed in the answers, where finding out takes little work."""

from __future__ import annotations

from dataclasses import dataclass, replace
from typing import TYPE_CHECKING

from logbook.analysis.answer import answer
from logbook.analysis.change import changes
from logbook.errors import LogbookError
from logbook.jobs.health import health
from logbook.jobs.refresh import PIECE_ROWS, readings_ahead
from logbook.schema.receipt import Changes
from logbook.store import list_imports, reading_span, replace_receipt

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
    health: Health | None
    """None where it would have taken too long to know."""


def look(store: Store, pack: Pack) -> Before:
    """Look at the answers before an import, if few enough readings wait to be gone through."""
    known = _imports(store, pack)
    if not reading_span(store, pack.id)[0]:
        return Before(known, answer({}, pack))
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
    ahead = readings_ahead(store, pack)
    if before.health is None:
        return Changes(reason="The answers were out of date before this import, so nothing was compared.")
    if ahead > MOST_READINGS:
        many = f"{ahead:,}".replace(",", " ")
        return Changes(reason=f"{many} readings are to be gone through first, so nothing was compared.")
    try:
        after = health(store, pack, progress)
        meanwhile = _imports(store, pack) ^ before.imports ^ {receipt.import_id}
    except LogbookError as error:
        return Changes(reason=_broken(error))
    if meanwhile:
        return Changes(reason="Another import or undo came between, so nothing was compared.")
    return Changes(changes(before.health, after, pack.time_zone), flags=tuple(flag.code for flag in after.flags))


def _broken(error: LogbookError) -> str:
    return f"The import is in, but the answers could not be compared: {error}"


def _imports(store: Store, pack: Pack) -> frozenset[int]:
    return frozenset(row.id for row in list_imports(store, pack.id))
