"""Undo: takes an import back and brings the findings up to date."""

from __future__ import annotations

from typing import TYPE_CHECKING

from logbook.jobs.progress import silent
from logbook.jobs.refresh import refresh
from logbook.store import pack_by_id, undo_import

if TYPE_CHECKING:
    from logbook.jobs.progress import Progress
    from logbook.store import Store


def undo(store: Store, import_id: int, progress: Progress = silent) -> tuple[int, int, int]:
    """Take back exactly what one import brought; gives (pack_id, start_ms, end_ms) of the range that changed."""
    pack_id, start_ms, end_ms = undo_import(store, import_id)
    refresh(store, pack_by_id(store, pack_id), progress)
    return pack_id, start_ms, end_ms
