"""Remembered: how a pack's earlier files were understood, from their receipts."""

from __future__ import annotations

from typing import TYPE_CHECKING, Any

from logbook.errors import LogbookError
from logbook.ingest import parse_mapping
from logbook.ingest.memory import Remembered
from logbook.store import list_imports, stored_receipt

if TYPE_CHECKING:
    from logbook.store import Store

MOST = 40
"""Imports looked at, the latest first."""
SURE = {"given", "strong"}
QUESTIONS_BY_SIGHT = {"positive current"}
"""Remembered although the evidence was but fair: the next file is compared with it."""


def remembered(store: Store, pack_id: int) -> tuple[Remembered, ...]:
    """How the pack's files were understood, the latest import first."""
    rows = list_imports(store, pack_id)[-MOST:]
    return tuple(memory_of(row.id, stored_receipt(store, row.id)) for row in reversed(rows))


def memory_of(import_id: int, receipt: dict[str, Any]) -> Remembered:
    """What a receipt says of how its file was understood."""
    columns, inferences = receipt.get("columns", ()), receipt.get("inferences", ())
    answers = {
        entry["question"]: entry["answer"]
        for entry in reversed(inferences)
        if entry["strength"] in SURE or entry["question"] in QUESTIONS_BY_SIGHT
    }
    return Remembered(
        import_id,
        frozenset(entry["header"] for entry in columns),
        any(entry["quantity"] == "quantity" for entry in columns),
        answers,
        {entry["quantity"]: entry["unit"] for entry in reversed(columns) if entry["quantity"] and entry["unit"]},
        _mapping(receipt),
    )


def _mapping(receipt: dict[str, Any]) -> Any:
    if not receipt.get("mapping"):
        return None
    try:
        return parse_mapping(receipt["mapping"])
    except LogbookError:  # written by another version
        return None
