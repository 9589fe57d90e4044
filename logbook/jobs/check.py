"""Check: is everything the logbook holds sound, and what can be made again from the readings if not."""

from __future__ import annotations

from dataclasses import dataclass, replace
from typing import TYPE_CHECKING, Any

import numpy as np
import pandas as pd

from logbook.analysis.answer import answer
from logbook.errors import BadConfiguration
from logbook.jobs.kept import as_text, from_text, rests_on
from logbook.jobs.progress import silent
from logbook.jobs.receipts import receipt_from_json
from logbook.jobs.refresh import METHOD, made_anew, rebuild, refresh, widened
from logbook.store import (
    findings,
    list_imports,
    list_packs,
    read_findings,
    set_aside_rows,
    soundness,
    stored_receipt,
)
from logbook.store.answers import drop_answer, is_damaged, kept_answer
from logbook.store.snapshot import snapshot

if TYPE_CHECKING:
    from sqlalchemy.engine import Connection

    from logbook.jobs.progress import Progress
    from logbook.jobs.refresh import Method
    from logbook.schema.pack import Pack
    from logbook.store import Store
    from logbook.store.snapshot import Snapshot

UNREADABLE = (BadConfiguration, AttributeError, LookupError, TypeError, ValueError)
"""What reading a text may raise that is not as it was written."""
ROUNDING = 1e-6
"""Sums that begin at other readings differ in their last digits."""


@dataclass(frozen=True)
class Finding:
    """Something that is not as it should be."""

    message: str
    mend: str
    mended: bool = False


def check(store: Store, progress: Progress = silent, *, mend: bool = False, method: Method = METHOD) -> list[Finding]:
    """Give what is wrong, nothing for a sound logbook; with `mend`, what the readings allow is made again."""
    damage = soundness.damage(store)
    found = []
    if damage.derived and not damage.problems:
        what = f"Of what was made of the readings, rows of {', '.join(damage.derived)} are damaged."
        found.append(Finding(what, "They can be made again.", mend))
        if mend:
            soundness.forget_derived(store)
            damage = soundness.damage(store)
    if damage.problems or damage.derived:
        return found + [Finding(text, "Restore a backup.") for text in damage.problems]
    found += [
        Finding(f'The kept original of "{name}" is gone or damaged.', "Restore it from a backup.")
        for name in soundness.damaged_originals(store)
    ]
    found += _receipts(store)
    try:
        packs = list_packs(store)
    except BadConfiguration as error:
        return [*found, Finding(f"{error.what[0].upper()}{error.what[1:]}", "Restore a backup.")]
    for number, pack in enumerate(packs):
        found += _rollups(store, pack, mend=mend)
        found += _findings(store, pack, mend=mend, method=method) or _answers(store, pack, mend=mend)
        progress((number + 1) / len(packs))
    return found


def _receipts(store: Store) -> list[Finding]:
    """Look at what every import says of itself."""
    found = []
    for row in list_imports(store):
        try:
            receipt_from_json(stored_receipt(store, row.id))
            set_aside_rows(store, row.id)
        except UNREADABLE:
            found.append(Finding(f'The receipt of "{row.file_name}" cannot be read.', "Restore a backup."))
    return found


def _rollups(store: Store, pack: Pack, *, mend: bool) -> list[Finding]:
    wrong = soundness.wrong_rollups(store, pack.id)
    if not wrong:
        return []
    if mend:
        soundness.make_rollups(store, pack.id, wrong)
    return [Finding(f"The chart data of {pack.name} is not that of its readings.", "It can be made again.", mend)]


def _findings(store: Store, pack: Pack, *, mend: bool, method: Method) -> list[Finding]:
    """Compare with what the readings give now."""
    try:
        if not store.read_only:
            refresh(store, pack, method=method)
        with snapshot(store) as still:  # or an import beside it would look like damage
            wrong = _wrong_kinds(still, pack, method)
    except UNREADABLE:
        if mend:
            rebuild(store, pack, method=method)
        return [Finding(f"The findings of {pack.name} cannot be read.", "They can be made again.", mend)]
    if not wrong:
        return []
    if mend:
        rebuild(store, pack, method=method)
    what = f"The findings of {pack.name} ({', '.join(sorted(wrong))}) are not those of its readings."
    return [Finding(what, "They can be made again.", mend)]


def _answers(store: Store, pack: Pack, *, mend: bool) -> list[Finding]:
    """Compare the answer that is kept with what the findings give, unless those are out of date and it counts for nothing."""
    try:
        with snapshot(store) as still, still.reading() as connection:
            wrong = is_damaged(connection, pack.id) or _answers_otherwise(connection, pack)
    except UNREADABLE:
        wrong = True
    if not wrong:
        return []
    if mend:
        drop_answer(store, pack.id)
    return [Finding(f"The answer kept for {pack.name} is not that of its findings.", "It can be made again.", mend)]


def _answers_otherwise(connection: Connection, pack: Pack) -> bool:
    state = findings.state_in(connection, pack.id)
    text = kept_answer(connection, pack.id, rests_on(pack, state))
    if text is None or not findings.is_current(state, METHOD.version):
        return False
    made = answer(findings.findings_in(connection, pack.id), pack, span_ms=state.span)
    return as_text(replace(from_text(text), flags=())) != as_text(replace(made, flags=()))


def _wrong_kinds(still: Snapshot, pack: Pack, method: Method) -> set[str]:
    """Compare piece by piece; what is to be made again anyway, since readings came after the refresh, is left out."""
    with still.reading() as connection:
        state = findings.state_in(connection, pack.id)
    if state.digest_version != method.version:
        return set()
    waiting = state.unfinished + [widened(start, end, method.margin_ms) for start, end in state.changed]
    kept = read_findings(still, pack.id)
    wrong: set[str] = set()
    for piece in made_anew(still, pack, method):
        made = {kind: _looked_at(frame, piece.start_ms, piece.end_ms, waiting) for kind, frame in piece.tables.items()}
        held = {kind: _looked_at(frame, piece.start_ms, piece.end_ms, waiting) for kind, frame in kept.items()}
        made, held = ({kind: frame for kind, frame in each.items() if len(frame)} for each in (made, held))
        wrong |= {kind for kind in made.keys() | held.keys() if not _same(held.get(kind), made.get(kind))}
    return wrong


def _looked_at(frame: pd.DataFrame, start_ms: int, end_ms: int, waiting: list[tuple[int, int]]) -> pd.DataFrame:
    """Give what starts in [start_ms, end_ms), but not in what waits."""
    starts = frame["start_ms"]
    chosen = (starts >= start_ms) & (starts < end_ms)
    for first, end in waiting:
        chosen &= (starts < first) | (starts >= end)
    return frame[chosen]


def _same(held: pd.DataFrame | None, made: pd.DataFrame | None) -> bool:
    if held is None or made is None or len(held) != len(made):
        return False
    made = made.sort_values("start_ms", kind="stable")
    return all(_alike(held[name], made.get(name, None)) for name in held)


def _alike(held: pd.Series[Any], made: pd.Series[Any] | None) -> bool:
    """Tell whether two columns say the same; one that is not made now must be empty."""
    if made is None:
        return bool(held.isna().all())
    if pd.api.types.is_numeric_dtype(held):
        numbers = pd.to_numeric(made, errors="coerce").to_numpy(float)
        return np.allclose(held.to_numpy(float), numbers, rtol=ROUNDING, atol=ROUNDING, equal_nan=True)
    if pd.api.types.is_numeric_dtype(made) and made.notna().any():
        return False
    texts = (each.astype(object).where(each.notna(), "").astype(str).tolist() for each in (held, made))
    return next(texts) == next(texts)
