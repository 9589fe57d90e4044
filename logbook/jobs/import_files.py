"""Importing files: look whether one is known, read it, store it; one transaction a file."""

from __future__ import annotations

import hashlib
import stat
from dataclasses import fields, replace
from functools import partial
from pathlib import Path
from typing import TYPE_CHECKING, Any

from logbook.errors import BadData, InputMissing, LogbookError
from logbook.jobs import comparison
from logbook.jobs.era import Era
from logbook.jobs.otherwise import read_otherwise
from logbook.jobs.progress import silent
from logbook.schema.receipt import Changes, ColumnUse, Inference, Receipt, Repair, SetAside
from logbook.store import commit_import, known_import, stored_receipt
from logbook.units import iso_from_ms

if TYPE_CHECKING:
    from collections.abc import Callable, Iterable

    from logbook.ingest import Ask, ImportOptions
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
    known = known_import(store, pack.id, sha256_of(path))
    if known:
        return _known(store, known, path, pack, options, dry_run=dry_run)
    from logbook.jobs.taking import read_for_pack  # noqa: PLC0415 - the whole importer, for a file that is not known

    read = partial(
        read_for_pack,
        store,
        path,
        pack,
        options,
        ask=ask,
        progress=lambda share: progress(share * READING_SHARE),
        era=era,
    )
    original = path if keep_original else None
    if dry_run:
        tried = replace(_stored(store, pack, read, original, dry_run=True), changes=comparison.NOT_TRIED)
        progress(1.0)
        return tried
    before = comparison.look(store, pack)
    receipt = _stored(store, pack, read, original, dry_run=False)
    if receipt.already_imported is None:
        receipt = comparison.compared(store, pack, before, receipt, lambda share: progress(_after(share)))
    progress(1.0)
    return receipt


def _stored(
    store: Store, pack: Pack, read: Callable[[], Recording], original: Path | None, *, dry_run: bool
) -> Receipt:
    """Read a recording and store it; its readings are out of memory after."""
    return commit_import(store, pack, read(), original, dry_run=dry_run)


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
        with path.open("rb") as file:
            return hashlib.file_digest(file, "sha256").hexdigest()
    except OSError as error:
        raise InputMissing(
            f"the file cannot be read ({error.strerror}).", where=str(path), mend="Check its name and its permissions."
        ) from error


def _known(store: Store, known: ImportRow, path: Path, pack: Pack, options: ImportOptions, *, dry_run: bool) -> Receipt:
    """A file that came before: its first receipt; refused where it is to be read otherwise than then."""
    other = read_otherwise(stored_receipt(store, known.id), path, options)
    if other is None:
        return _known_receipt(store, known, dry_run=dry_run)
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
        changes=comparison.NOT_TRIED,
    )


def _known_receipt(store: Store, known: ImportRow, *, dry_run: bool) -> Receipt:
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


def receipt_from_json(document: dict[str, Any]) -> Receipt:
    """Give the receipt a stored document was made from."""
    known = {entry.name for entry in fields(Receipt)}
    values = {name: value for name, value in document.items() if name in known}
    parts = {"columns": ColumnUse, "inferences": Inference, "repairs": Repair, "set_aside_first": SetAside}
    for name, kind in parts.items():
        values[name] = tuple(kind(**{**part, **_lines(part)}) for part in values.get(name, ()))
    values["warnings"] = tuple(values.get("warnings", ()))
    if values.get("changes") is not None:
        told = values["changes"]
        values["changes"] = Changes(tuple(told["sentences"]), told["reason"], tuple(told.get("flags", ())))
    return Receipt(**values)


def _lines(part: dict[str, Any]) -> dict[str, Any]:
    return {"lines": tuple(part["lines"])} if "lines" in part else {}
