"""Joined: one receipt for a file that was taken in piece by piece."""

from __future__ import annotations

from dataclasses import replace
from typing import TYPE_CHECKING

from logbook.schema.shown import answer_of, evidence_of, together

if TYPE_CHECKING:
    from collections.abc import Iterable

    from logbook.schema.receipt import Inference, Receipt, Repair

FIRST_LINES = 20
"""How many lines of a repair, and rows set aside, a receipt shows."""


def joined(first: Receipt, following: Receipt) -> Receipt:
    """Give the receipt of two pieces of a file that follow each other and were understood alike."""
    reasons = dict(first.set_aside_reasons)
    for reason, count in following.set_aside_reasons.items():
        reasons[reason] = reasons.get(reason, 0) + count
    return replace(
        first,
        rows_read=first.rows_read + following.rows_read,
        rows_stored=first.rows_stored + following.rows_stored,
        rows_already_known=first.rows_already_known + following.rows_already_known,
        rows_set_aside=first.rows_set_aside + following.rows_set_aside,
        first_ms=first.first_ms if first.first_ms is not None else following.first_ms,
        last_ms=following.last_ms if following.last_ms is not None else first.last_ms,
        interval_s=(first if first.rows_read >= following.rows_read else following).interval_s,
        gaps=first.gaps + following.gaps,
        inferences=_inferences(first.inferences, following.inferences),
        repairs=_together((*first.repairs, *following.repairs)),
        set_aside_reasons=reasons,
        set_aside_first=(*first.set_aside_first, *following.set_aside_first)[:FIRST_LINES],
        warnings=tuple(dict.fromkeys((*first.warnings, *following.warnings))),
    )


def _inferences(first: Iterable[Inference], following: Iterable[Inference]) -> tuple[Inference, ...]:
    """All that was inferred, each once; where something shows is told in one of both."""
    found = list(first)
    known = {(entry.question, entry.answer) for entry in found}
    places = {entry.question: place for place, entry in enumerate(found) if entry.shown}
    for entry in following:
        before = found[places[entry.question]] if entry.question in places else None
        if before and before.shown and entry.shown:
            shown = together(before.shown, entry.shown)
            told = replace(before, answer=answer_of(shown), evidence=evidence_of(shown), shown=shown)
            found[places[entry.question]] = told
        elif (entry.question, entry.answer) not in known:
            found.append(entry)
    return tuple(found)


def _together(repairs: Iterable[Repair]) -> tuple[Repair, ...]:
    found: dict[str, Repair] = {}
    for repair in repairs:
        before = found.get(repair.kind)
        if before is None:
            found[repair.kind] = repair
            continue
        lines = (*before.lines, *repair.lines)[:FIRST_LINES]
        found[repair.kind] = replace(before, count=before.count + repair.count, lines=lines)
    return tuple(found.values())
