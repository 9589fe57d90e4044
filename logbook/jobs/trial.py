"""Trial: an import on a copy of the logbook that is thrown away, so that a dry run can tell what would change."""

from __future__ import annotations

import shutil
from contextlib import contextmanager
from dataclasses import replace
from pathlib import Path
from tempfile import gettempdir, mkdtemp
from typing import TYPE_CHECKING

from logbook.schema.receipt import Changes
from logbook.store import Store, dialect

if TYPE_CHECKING:
    from collections.abc import Callable, Iterator

    from logbook.schema.receipt import Receipt

MOST_BYTES = 1 << 30
"""A larger logbook is not copied only to try a file."""
ROOM = 2.0
"""The copy grows by what is tried; so many times its size must be free."""
PARTS = ("", "-wal")


def refused(store: Store) -> Changes | None:
    """Why no trial is made, None where one is."""
    size = sum(part.stat().st_size for name in PARTS if (part := _beside(store.path, name)).exists())
    megabytes = f"{size / 1e6:,.0f}".replace(",", " ")
    if size > MOST_BYTES:
        told = f"The logbook takes up {megabytes} MB, too much to copy for a dry run"
    elif shutil.disk_usage(gettempdir()).free < ROOM * size + MOST_BYTES / 10:
        told = f"There is no room for a copy of the logbook ({megabytes} MB) in {gettempdir()}"
    else:
        return None
    return Changes(reason=f"{told}, so the answers were not compared; a true import does, and undo takes it back.")


def tried(store: Store, run: Callable[[Store], Receipt]) -> Receipt:
    """Give the receipt of an import that is run on a copy, as of a dry run."""
    with _copy(store) as copy:
        receipt = run(copy)
    return replace(receipt, import_id=None, dry_run=True)


@contextmanager
def _copy(store: Store) -> Iterator[Store]:
    folder = Path(mkdtemp(prefix="logbook-"))  # for its owner alone
    try:
        target = folder / "trial.sqlite3"
        dialect.copy_to(store.engine, target)
        with Store(dialect.parse_url(str(target))) as copy:
            yield copy
    finally:
        shutil.rmtree(folder, ignore_errors=True)


def _beside(path: Path, ending: str) -> Path:
    return path.with_name(f"{path.name}{ending}")
