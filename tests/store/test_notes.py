from __future__ import annotations

import pytest

from logbook.errors import UnknownName
from logbook.store import acknowledge, acknowledged, add_note, add_pack, delete_note, list_notes


def test_notes_come_back_in_order_of_time(store, pack):
    later = add_note(store, pack.id, 2000, "second; with 'quotes' and ünïcode")
    sooner = add_note(store, pack.id, 1000, "first")

    assert list_notes(store, pack.id) == [sooner, later]


def test_a_note_can_be_taken_away_once(store, pack):
    note = add_note(store, pack.id, 1000, "wrong")

    delete_note(store, note.id)

    assert list_notes(store, pack.id) == []
    with pytest.raises(UnknownName, match="no note"):
        delete_note(store, note.id)


def test_flags_that_were_seen_are_remembered_for_their_pack_alone(store, pack):
    other = add_pack(store, name="Spare", rated_ah=50, cells_in_series=4)

    acknowledge(store, pack.id, "cold_charging")
    acknowledge(store, pack.id, "cold_charging")
    acknowledge(store, pack.id, "offset")
    acknowledge(store, pack.id, "offset", seen=False)

    assert acknowledged(store, pack.id) == {"cold_charging"}
    assert acknowledged(store, other.id) == frozenset()
