"""Otherwise: in what a file that was taken in would be read otherwise by what is said of it now."""

from __future__ import annotations

from typing import TYPE_CHECKING, Any

if TYPE_CHECKING:
    from pathlib import Path

    from logbook.ingest import ImportOptions


def read_otherwise(known: dict[str, Any], path: Path, options: ImportOptions) -> str | None:
    """In what a file that was taken in would be read otherwise by what is said now; None where in nothing.

    `known` is the stored receipt. Only what is given counts; what was inferred would be inferred again.
    """
    answers = {entry["question"]: entry["answer"] for entry in known["inferences"]}
    said = {
        "time zone": options.time_zone,
        "positive current": options.positive,
        "charging direction": options.charging,
        "device": options.device,
        "clock": options.clock,
    }
    other = [
        f"{question}: {answers[question]}"
        for question, answer in said.items()
        if answer and question in answers and answers[question].lower() != answer.lower()
    ]
    if not other and options.mapping and options.mapping.text != known.get("mapping"):
        from logbook.ingest import read_export  # noqa: PLC0415 - the whole importer, for a file that is known

        receipt = read_export(path, options).receipt
        was = {(entry["header"], entry["quantity"], entry["unit"]) for entry in known["columns"]}
        now = {(entry.header, entry.quantity, entry.unit) for entry in receipt.columns}
        other = [f'"{header}" as {quantity or "nothing"}' for header, quantity, _ in sorted(was - now, key=str)[:3]]
        changed = [
            f"{entry.question}: {answers[entry.question]}"
            for entry in receipt.inferences
            if entry.question in said and answers.get(entry.question, entry.answer) != entry.answer
        ]
        other += changed
        if not other and (receipt.first_ms, receipt.last_ms) != (known["first_ms"], known["last_ms"]):
            other = ["other rows of it"]
    return ", ".join(other) or None
