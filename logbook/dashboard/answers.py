"""Answers: everything the pages may ask for or change, as one value; the store and the jobs stand behind it.

A test hands in an `Answers` of its own, so that pages are tried without a database.
"""

from __future__ import annotations

from dataclasses import dataclass
from functools import partial
from types import SimpleNamespace
from typing import TYPE_CHECKING, Any

import pandas as pd

from logbook.errors import UnknownName

if TYPE_CHECKING:
    from collections.abc import Callable, Sequence
    from pathlib import Path

    from logbook.jobs.window import Window
    from logbook.schema.health import Health
    from logbook.schema.pack import Pack
    from logbook.schema.reading import Readings
    from logbook.store import ImportRow, Note, Store


def _none(*_: Any, **__: Any) -> Any:
    raise UnknownName("This logbook has nothing of the kind.")


def _empty(*_: Any, **__: Any) -> Any:
    return ()


def _no_hours(_pack_id: int) -> pd.DataFrame:
    return pd.DataFrame()


@dataclass(frozen=True)
class Answers:
    """What the pages read and change; each field is one call into the logbook."""

    packs: Callable[[], Sequence[Pack]]
    health: Callable[[Pack], Health]
    hours: Callable[[int], pd.DataFrame] = _no_hours
    """Pack id to the digest of each logged hour (columns in `store.models.HOUR_COLUMNS`, and start_ms)."""
    window: Callable[[int, int, int], Window] = _none
    """(pack id, start_ms, end_ms) to least and greatest values, few enough to draw."""
    readings: Callable[[int, int, int], Readings] = _none
    """(pack id, start_ms, end_ms) to the readings themselves."""
    notes: Callable[[int], Sequence[Note]] = _empty
    add_note: Callable[[int, int, str], Any] = _none
    delete_note: Callable[[int], Any] = _none
    acknowledge: Callable[..., Any] = _none
    """(pack id, flag code, seen=True or False)."""
    imports: Callable[[], Sequence[ImportRow]] = _empty
    receipt: Callable[[int], dict[str, Any]] = _none
    set_aside: Callable[[int], pd.DataFrame] = _none
    undo: Callable[[int], Any] = _none
    add_pack: Callable[..., Pack] = _none
    edit_pack: Callable[..., Pack] = _none
    """(name, and what changes by keyword)."""
    import_file: Callable[..., Any] = _none
    """As `jobs.import_files.import_file`, without the store."""
    read_file: Callable[..., Any] = _none
    """As `jobs.taking.read_for_pack`, without the store: what an import would take, for previews."""
    swap_packs: Callable[..., Any] = _none
    """(old pack, new pack, UTC milliseconds)."""
    imports_beyond: Callable[[Pack], Sequence[ImportRow]] = _empty
    """Imports that brought a pack readings of another's time."""
    work: Any = None
    """The list of files on their way in, as the functions of `store.tasks` without the store; None for reading only."""
    uploads: Path | None = None
    """Folder where files wait for their import; None where this logbook takes none in."""
    wrong_keys: Path | None = None
    """File that remembers who tried wrong keys; None where it is enough to know until the server ends."""

    def pack(self, pack_id: int) -> Pack | None:
        """The pack of that id, or None."""
        return next((pack for pack in self.packs() if pack.id == pack_id), None)


def answers_of(store: Store) -> Answers:
    """Answers from a real logbook."""
    from logbook import store as kept
    from logbook.jobs.era import imports_beyond, swap_packs
    from logbook.jobs.health import health
    from logbook.jobs.import_files import import_file
    from logbook.jobs.taking import read_for_pack
    from logbook.jobs.undo import undo
    from logbook.jobs.window import window

    known: dict[int, tuple[Health, pd.DataFrame]] = {}

    def hours(pack_id: int) -> pd.DataFrame:
        """Read the hours anew only when the answer changed; the same answer is the same object."""
        answer = health(store, kept.pack_by_id(store, pack_id))
        if pack_id not in known or known[pack_id][0] is not answer:
            known[pack_id] = answer, kept.read_findings(store, pack_id)["hours"]
        return known[pack_id][1]

    return Answers(
        packs=partial(kept.list_packs, store),
        health=partial(health, store),
        hours=hours,
        window=partial(window, store),
        readings=partial(kept.read_readings, store),
        notes=partial(kept.list_notes, store),
        add_note=partial(kept.add_note, store),
        delete_note=partial(kept.delete_note, store),
        acknowledge=partial(kept.acknowledge, store),
        imports=partial(kept.list_imports, store),
        receipt=partial(kept.stored_receipt, store),
        set_aside=partial(kept.set_aside_rows, store),
        undo=partial(undo, store),
        add_pack=partial(kept.add_pack, store),
        edit_pack=partial(kept.edit_pack, store),
        import_file=partial(import_file, store),
        read_file=partial(read_for_pack, store),
        swap_packs=partial(swap_packs, store),
        imports_beyond=partial(imports_beyond, store),
        work=None if store.read_only else work_list(store),
        uploads=None if store.read_only else store.path.with_name(f"{store.path.name}-uploads"),
        wrong_keys=store.path.with_name(f"{store.path.name}-wrong-keys.json"),
    )


def work_list(store: Store) -> SimpleNamespace:
    """The list of work of one logbook."""
    from logbook.store import tasks

    verbs = (
        *("add_task", "task_by_id", "list_tasks", "claim_task", "keep_claim", "finish_task", "fail_task"),
        *("ask_owner", "resume_task", "forget_task", "release_tasks"),
    )
    return SimpleNamespace(**{verb: partial(getattr(tasks, verb), store) for verb in verbs})


def as_answers(source: Any) -> Answers:
    """Pass answers through, and wrap a store."""
    return source if isinstance(source, Answers) else answers_of(source)
