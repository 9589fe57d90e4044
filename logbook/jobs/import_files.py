"""Importing files: look whether one is known, read it, store it; one transaction a file."""

from __future__ import annotations

import stat
from dataclasses import fields, replace
from functools import partial
from pathlib import Path
from typing import TYPE_CHECKING, Any

from logbook.errors import BadData, InputMissing, LogbookError
from logbook.ingest import fingerprint
from logbook.jobs import comparison, trial
from logbook.jobs.era import Era
from logbook.jobs.otherwise import read_otherwise
from logbook.jobs.progress import silent
from logbook.jobs.receipts import receipt_from_json
from logbook.schema.receipt import Changes, Receipt
from logbook.store import known_import, stored_receipt
from logbook.units import iso_from_ms

if TYPE_CHECKING:
    from collections.abc import Iterable

    from logbook.ingest import Ask, ImportOptions
    from logbook.ingest.memory import Remembered
    from logbook.ingest.piece import Pieces
    from logbook.jobs.progress import Progress
    from logbook.schema.pack import Pack
    from logbook.schema.recording import Recording
    from logbook.store import ImportRow, Store

WHOLE = Era()
READING_SHARE = 0.6
"""Part of an import's time that reading the file takes; the rest is storing and comparing."""
COMPARING_FROM = 0.8


def import_file(  # noqa: PLR0913 - each is a choice of its owner
    store: Store,
    path: Path | str,
    pack: Pack,
    options: ImportOptions,
    *,
    ask: Ask | None = None,
    progress: Progress = silent,
    dry_run: bool = False,
    keep_original: bool = True,
    era: Era = WHOLE,
) -> Receipt:
    """Take one file in, whole or not at all; a file that is known stores nothing and gives its first receipt.

    With an `era` only the readings of that time are this pack's; the same file may bring the rest to another.
    """
    path = Path(path)
    if not fingerprint.is_ready(path):
        import logbook.jobs.taking  # noqa: F401, PLC0415 - the importer loads meanwhile
    known = known_import(store, pack.id, sha256_of(path))
    if known:
        return known_receipt(store, known, path, pack, options, dry_run=dry_run)
    from logbook.jobs.piecewise import take_in  # noqa: PLC0415 - the whole importer, for a file that is not known
    from logbook.jobs.taking import read_for_pack  # noqa: PLC0415

    def read(pieces: Pieces | None, recalled: tuple[Remembered, ...]) -> Recording:
        said = replace(options, remembered=recalled)
        share = partial(_reading, progress)
        return read_for_pack(store, path, pack, said, ask=ask, progress=share, era=era, pieces=pieces)

    original = path if keep_original else None
    if dry_run:
        reason = trial.refused(store)
        if reason:
            receipt = replace(take_in(store, pack, read, original, dry_run=True), changes=reason)
        else:
            receipt = trial.tried(store, partial(_tried_on, path, pack, options, ask, progress, era))
        progress(1.0)
        return receipt
    before = comparison.look(store, pack)
    receipt = take_in(store, pack, read, original, dry_run=False)
    if receipt.already_imported is None:
        receipt = comparison.compared(store, pack, before, receipt, lambda share: progress(_after(share)))
    progress(1.0)
    return receipt


def _tried_on(
    path: Path, pack: Pack, options: ImportOptions, ask: Ask | None, progress: Progress, era: Era, copy: Store
) -> Receipt:
    """Import into a copy; its answers are compared however many readings there are."""
    receipt = import_file(copy, path, pack, options, ask=ask, progress=progress, keep_original=False, era=era)
    left = receipt.changes.reason if receipt.changes else None
    if receipt.import_id is None or not (left or "").endswith(comparison.LATER):
        return receipt
    from logbook.jobs.health import health  # noqa: PLC0415

    health(copy, pack)
    return receipt_from_json(stored_receipt(copy, receipt.import_id))


def _reading(progress: Progress, share: float) -> None:
    progress(share * READING_SHARE)


def _after(share: float) -> float:
    return COMPARING_FROM + share * (1.0 - COMPARING_FROM)


def import_files(
    store: Store, paths: Iterable[Path | str], pack: Pack, options: ImportOptions, **settings: Any
) -> list[Receipt | LogbookError]:
    """Take several files in, in order of name; what one of them lacks does not stop the rest.

    Gives a receipt or the error of each, in the order of `paths`; `settings` are those of `import_file`.
    """
    results: list[Receipt | LogbookError] = []
    for path in paths:
        try:
            results.append(import_file(store, path, pack, options, **settings))
        except LogbookError as error:
            results.append(error)
    return results


def sha256_of(path: Path) -> str:
    """Give the hash of a file's bytes."""
    try:
        if not stat.S_ISREG(kind := path.stat().st_mode) and not stat.S_ISDIR(kind):
            raise InputMissing(
                "this is no file but a pipe or a device.", where=str(path), mend="Save what it gives as a file first."
            )
        return fingerprint.sha256_of(path)
    except OSError as error:
        raise InputMissing(
            f"the file cannot be read ({error.strerror}).", where=str(path), mend="Check its name and its permissions."
        ) from error


def known_receipt(
    store: Store, known: ImportRow, path: Path, pack: Pack, options: ImportOptions, *, dry_run: bool = False
) -> Receipt:
    """A file that came before: its first receipt; refused where it is to be read otherwise than then."""
    other = read_otherwise(stored_receipt(store, known.id), path, options)
    if other is None:
        return _first_receipt(store, known, dry_run=dry_run)
    if not dry_run:
        raise BadData(
            f"This file came in before and was read otherwise ({other}). Nothing was changed.",
            where=path.name,
            mend=f"To have it as said now, take that import back and import it again:  logbook undo {known.id}  "
            "(see what would come of it first with  --dry-run)",
        )
    from logbook.ingest import read_export  # noqa: PLC0415 - the whole importer, for a file that is known

    told = f"Import {known.id} read this file otherwise ({other}) and stands until it is taken back."
    receipt = read_export(path, options).receipt
    return replace(
        receipt,
        pack_name=pack.name,
        dry_run=True,
        warnings=(*receipt.warnings, told),
        changes=Changes(reason=f"Import {known.id} would have to be taken back first, so nothing was compared."),
    )


def _first_receipt(store: Store, known: ImportRow, *, dry_run: bool) -> Receipt:
    """Give the receipt of the import that brought the file, with what is different now."""
    stored = receipt_from_json(stored_receipt(store, known.id))
    now = {
        "rows_stored": 0,
        "rows_already_known": stored.rows_stored + stored.rows_already_known,
        "already_imported": iso_from_ms(known.imported_ms),
        "dry_run": dry_run,
        "changes": Changes(),
    }
    return Receipt(**{**{entry.name: getattr(stored, entry.name) for entry in fields(Receipt)}, **now})
