"""Receipts: back from the documents they are stored as."""

from __future__ import annotations

from dataclasses import fields
from typing import Any

from logbook.schema.receipt import Changes, ColumnUse, Inference, Receipt, Repair, SetAside
from logbook.schema.shown import Shown, Stretch
from logbook.store.damage import blamed


def receipt_from_json(document: dict[str, Any]) -> Receipt:
    """Give the receipt a stored document was made from; BadConfiguration where it was made from none."""
    with blamed("a receipt"):
        return _receipt(document)


def _receipt(document: dict[str, Any]) -> Receipt:
    known = {entry.name for entry in fields(Receipt)}
    values = {name: value for name, value in document.items() if name in known}
    parts = {"columns": ColumnUse, "inferences": Inference, "repairs": Repair, "set_aside_first": SetAside}
    for name, kind in parts.items():
        names = {entry.name for entry in fields(kind)}
        values[name] = tuple(
            kind(**{key: value for key, value in {**part, **_lines(part)}.items() if key in names})
            for part in values.get(name, ())
        )
    values["warnings"] = tuple(values.get("warnings", ()))
    if values.get("changes") is not None:
        told = values["changes"]
        values["changes"] = Changes(tuple(told["sentences"]), told["reason"], tuple(told.get("flags", ())))
    return Receipt(**values)


def _lines(part: dict[str, Any]) -> dict[str, Any]:
    told: dict[str, Any] = {"lines": tuple(part["lines"])} if "lines" in part else {}
    if part.get("shown"):
        listed = tuple(Stretch(**stretch) for stretch in part["shown"]["listed"])
        told["shown"] = Shown(**{**part["shown"], "listed": listed})
    return told
