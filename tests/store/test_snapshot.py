"""A snapshot shows one moment, through everything that reads a store."""

from __future__ import annotations

import pytest

from logbook.errors import CannotWrite
from logbook.store import (
    add_note,
    commit_import,
    edit_pack,
    list_imports,
    list_notes,
    list_packs,
    read_readings,
    undo_import,
)
from logbook.store.snapshot import snapshot
from tests.store.recordings import START_MS, assert_same, drawn, recording_of


def test_what_is_written_meanwhile_is_not_seen_and_is_there_afterwards(store, pack, rng):
    commit_import(store, pack, recording_of(drawn(rng, 100), "a.csv"), None)
    before = read_readings(store, pack.id)

    with snapshot(store) as still:
        commit_import(store, pack, recording_of(drawn(rng, 100, start_ms=START_MS + 10**8), "b.csv"), None)
        undo_import(store, 1)
        add_note(store, pack.id, 0, "later")
        edit_pack(store, "House", name="Home")
        assert_same(read_readings(still, pack.id), before)
        assert [row.file_name for row in list_imports(still)] == ["a.csv"]
        assert list_notes(still, pack.id) == []
        assert list_packs(still) == [pack]

    assert [row.file_name for row in list_imports(store)] == ["b.csv"]
    with snapshot(store) as still:
        assert [note.text for note in list_notes(still, pack.id)] == ["later"]


def test_nothing_can_be_written_through_it(store, pack):
    with snapshot(store) as still, pytest.raises(CannotWrite, match="reading only"):
        add_note(still, pack.id, 0, "no")

    add_note(store, pack.id, 0, "but beside it")
