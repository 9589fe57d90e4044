"""Undo: takes an import back, reads later ones anew that hang on it, and brings the findings up to date."""

from __future__ import annotations

from typing import TYPE_CHECKING

from logbook.jobs.again import NotAgain, beside, read_again
from logbook.jobs.progress import silent
from logbook.jobs.refresh import refresh
from logbook.store import list_imports, pack_by_id, undo_import
from logbook.store.undo import undo_in

if TYPE_CHECKING:
    from collections.abc import Callable, Sequence

    from logbook.jobs.again import Later
    from logbook.jobs.progress import Progress
    from logbook.store import ImportRow, Store

READING_SHARE = 0.5


def _untold(words: str) -> None:
    """Tell nobody."""


def undo(
    store: Store, import_id: int, progress: Progress = silent, tell: Callable[[str], None] = _untold
) -> tuple[int, int, int]:
    """Take back what one import brought, so that the logbook holds what the others alone would have given it.

    Gives (pack_id, start_ms, end_ms) of the range that changed; `tell` hears what else happened, in words.
    """
    row = next((row for row in list_imports(store) if row.id == import_id), None)
    later = beside(store, row) if row else []
    changed = _with_later(store, row, later, progress, tell) if row and later else undo_import(store, import_id)
    pack_id = changed[0]
    refresh(store, pack_by_id(store, pack_id), lambda share: progress(READING_SHARE + (1 - READING_SHARE) * share))
    return changed


def _with_later(
    store: Store, row: ImportRow, later: Sequence[Later], progress: Progress, tell: Callable[[str], None]
) -> tuple[int, int, int]:
    """Take an import back and those after it that hang on it, and let these come in again; all of it or nothing."""
    pack = pack_by_id(store, row.pack_id)
    number = "import" if len(later) == 1 else "imports"
    names = f"{number} {', '.join(str(entry.row.id) for entry in later)}"
    try:
        with store.writing() as connection:
            ranges = [undo_in(connection, entry.row.id) for entry in reversed(later)]
            ranges.append(undo_in(connection, row.id))
            for place, entry in enumerate(later, 1):
                read_again(store, connection, pack, entry)
                progress(READING_SHARE * place / len(later))
    except NotAgain as error:
        tell(f"What {names} set aside for it stays so, as a file cannot be read again: {error}")
        tell("To have it, take those back too and import their files again.")
        return undo_import(store, row.id)
    tell(f"Read {names} again, which had been compared with it.")
    spans = [(start, end) for _pack, start, end in ranges if end > start]
    spans += [(entry.row.first_ms, entry.row.last_ms + 1) for entry in later if _spans(entry.row)]  # type: ignore[misc, operator]
    if not spans:
        return row.pack_id, 0, 0
    return row.pack_id, min(start for start, _end in spans), max(end for _start, end in spans)


def _spans(row: ImportRow) -> bool:
    return row.first_ms is not None and row.last_ms is not None
