"""Swapped: one file taken in for all the packs one monitor watched, each its part, in one transaction."""

from __future__ import annotations

from dataclasses import dataclass
from functools import partial
from pathlib import Path
from typing import TYPE_CHECKING

from logbook.jobs import comparison
from logbook.jobs.era import OfAnotherTime
from logbook.jobs.import_files import known_receipt, sha256_of
from logbook.jobs.progress import silent
from logbook.store import commit_import, known_import
from logbook.store.together import one_transaction

if TYPE_CHECKING:
    from collections.abc import Sequence

    from logbook.ingest import Ask, ImportOptions
    from logbook.jobs.era import Era
    from logbook.jobs.progress import Progress
    from logbook.schema.pack import Pack
    from logbook.schema.receipt import Receipt
    from logbook.schema.recording import Recording
    from logbook.store import Store

READING_SHARE = 0.6


@dataclass(frozen=True)
class Share:
    """A pack that gets its part of a file, how the file is read for it, and the time asked for."""

    pack: Pack
    options: ImportOptions
    era: Era


def import_for_all(
    store: Store,
    path: Path | str,
    shares: Sequence[Share],
    *,
    ask: Ask | None = None,
    progress: Progress = silent,
    keep_original: bool = True,
) -> list[Receipt | OfAnotherTime]:
    """Take one file in for several packs, for all of them or for none; gives a receipt each, in their order.

    A pack of whose time it holds nothing gives the error that says so. Any other error leaves everything as it was.
    """
    path = Path(path)
    sha256 = sha256_of(path)
    told: dict[int, Receipt | OfAnotherTime] = {}
    recordings: dict[int, Recording] = {}
    for place, share in enumerate(shares):
        known = known_import(store, share.pack.id, sha256)
        if known:
            told[place] = known_receipt(store, known, path, share.pack, share.options)
            continue
        try:
            recordings[place] = _read(store, path, share, ask, partial(_part, progress, place, len(shares)))
        except OfAnotherTime as error:
            told[place] = error
    before = {place: comparison.look(store, shares[place].pack) for place in recordings}
    original = path if keep_original else None
    with one_transaction(store, sha256) as same:
        stored = {
            place: commit_import(same, shares[place].pack, recording, original)
            for place, recording in recordings.items()
        }
    for place, receipt in stored.items():
        new = receipt.already_imported is None
        told[place] = comparison.compared(store, shares[place].pack, before[place], receipt, silent) if new else receipt
    progress(1.0)
    return [told[place] for place in range(len(shares))]


def _read(store: Store, path: Path, share: Share, ask: Ask | None, progress: Progress) -> Recording:
    from logbook.jobs.taking import read_for_pack  # noqa: PLC0415 - the whole importer, for a file that is not known

    return read_for_pack(store, path, share.pack, share.options, ask=ask, progress=progress, era=share.era)


def _part(progress: Progress, place: int, of: int, done: float) -> None:
    progress(READING_SHARE * (place + done) / of)
