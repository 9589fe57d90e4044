"""Comparison: what an import changed in the answers, where finding out takes little work.

The analysis is loaded where answers are worked out: a file too long to be compared goes in without it.
"""

from __future__ import annotations

from dataclasses import dataclass, replace
from typing import TYPE_CHECKING

from logbook.errors import LogbookError
from logbook.schema.receipt import Changes
from logbook.store import list_imports, reading_span, replace_receipt, stored_receipt
from logbook.store.parts import PIECE_ROWS

if TYPE_CHECKING:
    from logbook.jobs.progress import Progress
    from logbook.schema.health import Health
    from logbook.schema.pack import Pack
    from logbook.schema.receipt import Receipt
    from logbook.store import Store

LATER_FROM = PIECE_ROWS
"""First readings beyond so many are compared when the answers are next worked out, which has to be done anyway."""
MOST_READINGS = 10 * PIECE_ROWS
"""Readings gone through, piece by piece, for the answers before an import and after it."""
LATER = "the receipt says what changed once the answers are worked out, which logbook health does."


@dataclass(frozen=True)
class Before:
    """What was known of a pack before an import."""

    imports: frozenset[int]
    health: Health | None = None
    """None where there was no reading, or where it would have taken too long to know."""
    empty: bool = False


def look(store: Store, pack: Pack) -> Before:
    """Look at the answers before an import, unless very many readings wait to be gone through."""
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
    if before.empty and (ahead := reading_span(store, pack.id)[0]) > LATER_FROM:
        return Changes(reason=f"{_many(ahead)} readings are to be gone through first; {LATER}")
    from logbook.analysis.answer import answer  # noqa: PLC0415
    from logbook.analysis.change import changes  # noqa: PLC0415
    from logbook.jobs.health import health  # noqa: PLC0415
    from logbook.jobs.refresh import readings_ahead  # noqa: PLC0415

    if (ahead := readings_ahead(store, pack)) > MOST_READINGS:
        return Changes(reason=f"{_many(ahead)} readings are to be gone through first, so nothing was compared.")
    try:
        after = health(store, pack, progress)
        meanwhile = _imports(store, pack) ^ before.imports ^ {receipt.import_id}
    except LogbookError as error:
        return Changes(reason=_broken(error))
    if meanwhile:
        return Changes(reason="Another import or undo came between, so nothing was compared.")
    told = changes(before.health or answer({}, pack), after, pack.time_zone)
    return Changes(told, flags=tuple(flag.code for flag in after.flags))


def finished(store: Store, pack: Pack, after: Health) -> None:
    """Complete the receipt of a pack's first import, if that was left for when its answers are worked out."""
    from logbook.analysis.answer import answer  # noqa: PLC0415
    from logbook.analysis.change import changes  # noqa: PLC0415
    from logbook.jobs.receipts import receipt_from_json  # noqa: PLC0415

    rows = list_imports(store, pack.id)
    if store.read_only or len(rows) != 1:
        return
    receipt = receipt_from_json(stored_receipt(store, rows[0].id))
    if receipt.changes is None or not (receipt.changes.reason or "").endswith(LATER):
        return
    told = changes(answer({}, pack), after, pack.time_zone)
    replace_receipt(store, replace(receipt, changes=Changes(told, flags=tuple(flag.code for flag in after.flags))))


def _many(number: int) -> str:
    return f"{number:,}".replace(",", " ")


def _broken(error: LogbookError) -> str:
    return f"The import is in, but the answers could not be compared: {error}"


def _imports(store: Store, pack: Pack) -> frozenset[int]:
    return frozenset(row.id for row in list_imports(store, pack.id))
