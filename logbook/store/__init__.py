"""The store: packs, readings, imports, rollups, findings and notes in one database."""

from __future__ import annotations

from logbook.store.engine import Store, open_store
from logbook.store.findings import read_findings, replace_findings
from logbook.store.imports import ImportRow, known_import, list_imports, replace_receipt, set_aside_rows, stored_receipt
from logbook.store.intake import commit_import
from logbook.store.notes import Note, acknowledge, acknowledged, add_note, add_notes, delete_note, list_notes
from logbook.store.packs import add_pack, edit_pack, list_packs, pack_by_id, pack_named
from logbook.store.readings import read_readings, reading_span
from logbook.store.rollups import read_rollup
from logbook.store.stale import clear_stale, stale_ranges
from logbook.store.undo import undo_import

__all__ = [
    "ImportRow",
    "Note",
    "Store",
    "acknowledge",
    "acknowledged",
    "add_note",
    "add_notes",
    "add_pack",
    "clear_stale",
    "commit_import",
    "delete_note",
    "edit_pack",
    "known_import",
    "list_imports",
    "list_notes",
    "list_packs",
    "open_store",
    "pack_by_id",
    "pack_named",
    "read_findings",
    "read_readings",
    "read_rollup",
    "reading_span",
    "replace_findings",
    "replace_receipt",
    "set_aside_rows",
    "stale_ranges",
    "stored_receipt",
    "undo_import",
]
