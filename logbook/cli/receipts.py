"""Receipts in plain words."""

from __future__ import annotations

from datetime import datetime
from functools import partial
from typing import TYPE_CHECKING, Any

from logbook.cli.output import heading, paragraph, result, say, table
from logbook.cli.words import lasting, moment, number
from logbook.units import ms_from_datetime, with_moments

if TYPE_CHECKING:
    from collections.abc import Iterable, Mapping

    from logbook.schema.receipt import Changes, ColumnUse, Receipt, Repair


def print_receipt(receipt: Receipt, zone: str) -> None:
    """Print the whole story of one file; times in the given zone."""
    heading(_title(receipt))
    if receipt.already_imported:
        paragraph(f"This file came before, on {_when(receipt.already_imported, zone)}. Nothing was stored now.")
        return
    paragraph(_counts(receipt))
    paragraph(_span(receipt, zone))
    _columns(receipt.columns)
    for inference in receipt.inferences:
        because = inference.evidence[:1].upper() + inference.evidence[1:]
        paragraph(f"{inference.question}: {inference.answer} ({inference.strength}). {because}", "  ")
    _repairs(receipt.repairs, zone)
    _set_aside(receipt)
    for warning in receipt.warnings:
        paragraph(f"Look: {warning}")
    _changes(receipt.changes)


def print_brought(receipt: Receipt, zone: str) -> None:
    """Say, on stderr, what an import brought, before it is taken back."""
    say(_title(receipt))
    say(_counts(receipt))
    say(_span(receipt, zone))
    say("Readings that another import also brought stay; a kept copy of the file stays too.")


def print_set_aside(rows: Iterable[Mapping[str, Any]]) -> None:
    """Print every row that was set aside: line, reason, text."""
    columns = ("line", "reason", "text")
    table("Rows set aside", columns, ([row[column] for column in columns] for row in rows), ("line",))


def _title(receipt: Receipt) -> str:
    number_of = f"Import {receipt.import_id}: " if receipt.import_id is not None else ""
    trial = " (dry run: nothing was written)" if receipt.dry_run else ""
    pack = f" for {receipt.pack_name}" if receipt.pack_name else ""
    return f"{number_of}{receipt.file_name}{pack}{trial}"


def _when(imported: str, zone: str) -> str:
    return moment(ms_from_datetime(datetime.fromisoformat(imported)), zone)


def _counts(receipt: Receipt) -> str:
    stored = "would be stored" if receipt.dry_run else "stored"
    return (
        f"{number(receipt.rows_read)} rows read: {number(receipt.rows_stored)} {stored}, "
        f"{number(receipt.rows_already_known)} already known, {number(receipt.rows_set_aside)} set aside."
    )


def _span(receipt: Receipt, zone: str) -> str:
    if receipt.first_ms is None or receipt.last_ms is None:
        return "No reading with a time."
    every = f", one every {lasting(receipt.interval_s)}" if receipt.interval_s else ""
    gaps = {0: "no gap", 1: "1 gap"}.get(receipt.gaps, f"{number(receipt.gaps)} gaps")
    return f"{moment(receipt.first_ms, zone)} to {moment(receipt.last_ms, zone)} ({zone}){every}, {gaps}."


def _columns(columns: tuple[ColumnUse, ...]) -> None:
    rows = [(use.header, use.quantity or "not used", use.unit or "", use.evidence) for use in columns]
    if rows:
        table("", ("column", "taken as", "unit", "because"), rows)


def _repairs(repairs: tuple[Repair, ...], zone: str) -> None:
    told = partial(with_moments, written=partial(moment, zone=zone))
    rows = [(told(repair.message), number(repair.count), _lines(repair.lines, repair.count)) for repair in repairs]
    if rows:
        table("Repaired", ("what", "rows", "lines"), rows, ("rows",))


def _set_aside(receipt: Receipt) -> None:
    rows = [(reason, number(count)) for reason, count in receipt.set_aside_reasons.items()]
    if not rows:
        return
    table("Set aside, kept with the import", ("reason", "rows"), rows, ("rows",))
    for row in receipt.set_aside_first:
        result(f"  line {row.line}: {row.text[:120]}")
    if receipt.import_id is not None:
        paragraph(f"All of them:  logbook receipt {receipt.import_id} --rows")


def _changes(changes: Changes | None) -> None:
    if changes is None:
        return
    heading("What changed in the answers")
    for sentence in changes.sentences:
        paragraph(f"- {sentence}", "  ")
    if not changes.sentences:
        paragraph(changes.reason or "Nothing beyond rounding.", "  ")


def _lines(lines: tuple[int, ...], count: int) -> str:
    shown = ", ".join(str(line) for line in lines)
    return f"{shown}, …" if shown and count > len(lines) else shown
