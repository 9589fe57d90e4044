from __future__ import annotations

from dataclasses import replace

import numpy as np

from logbook.jobs import health as job
from logbook.jobs.health import health
from logbook.schema.receipt import Changes
from logbook.store import (
    acknowledge,
    add_pack,
    commit_import,
    edit_pack,
    open_store,
    replace_receipt,
    stale_ranges,
    undo_import,
)
from tests.store.recordings import MINUTE_MS, START_MS, drawn, readings_at, recording_of


def counted(monkeypatch) -> list[int]:
    """Count the answers that are computed."""
    made: list[int] = []
    real = job.answer

    def answer(*arguments, **settings):
        made.append(1)
        return real(*arguments, **settings)

    monkeypatch.setattr(job, "answer", answer)
    return made


def test_an_empty_logbook_is_answered(store, pack):
    answered = health(store, pack)

    assert answered.pack.name == "House"
    assert answered.readings.count == 0
    assert answered.capacity.ah is None


def test_the_answer_brings_findings_up_to_date_first(store, pack, travelled):
    readings = travelled.readings
    commit_import(store, pack, recording_of(readings), None)

    answered = health(store, pack)

    assert stale_ranges(store, pack.id) == []
    assert answered.readings.count == len(readings)
    assert answered.readings.first_ms == readings.ts_ms[0]
    assert answered.readings.last_ms == readings.ts_ms[-1]
    moved = np.abs(readings.current_a).sum() / 60
    assert abs(answered.cycles.charge_ah + answered.cycles.discharge_ah - moved) < 0.02 * moved


def test_the_same_question_again_is_answered_from_memory(store, pack, rng, monkeypatch):
    commit_import(store, pack, recording_of(drawn(rng, 200)), None)
    made = counted(monkeypatch)

    first, second = health(store, pack), health(store, pack)

    assert first == second
    assert len(made) == 1


def test_whatever_changes_the_answer_makes_it_anew(store, pack, rng, monkeypatch):
    commit_import(store, pack, recording_of(drawn(rng, 200)), None)
    made = counted(monkeypatch)
    health(store, pack)

    commit_import(store, pack, recording_of(readings_at([START_MS + 999 * MINUTE_MS], voltage_v=13.0), "b.csv"), None)
    health(store, pack)
    health(store, edit_pack(store, "House", rated_ah=90.0))

    assert len(made) == 3


def test_what_its_owner_has_seen_is_marked_on_the_answer_that_is_kept(store, pack, rng, monkeypatch):
    commit_import(store, pack, recording_of(drawn(rng, 200)), None)
    made = counted(monkeypatch)
    first = health(store, pack)
    assert first.flags
    assert not any(flag.acknowledged for flag in first.flags)

    acknowledge(store, pack.id, first.flags[0].code)
    second = health(store, pack)

    assert len(made) == 1
    assert [flag.code for flag in second.flags if flag.acknowledged] == [first.flags[0].code]


def test_two_logbooks_are_not_confused(new_store, rng):
    stores = [new_store(), new_store()]
    packs = [add_pack(store, name="House", rated_ah=100, cells_in_series=4) for store in stores]
    commit_import(stores[0], packs[0], recording_of(drawn(rng, 50)), None)
    commit_import(stores[1], packs[1], recording_of(drawn(rng, 70)), None)

    counts = [health(store, pack).readings.count for store, pack in zip(stores, packs, strict=True)]

    assert counts == [50, 70]


def test_a_logbook_opened_for_reading_is_answered_from_what_it_holds(store, pack, rng):
    commit_import(store, pack, recording_of(drawn(rng, 200)), None)
    expected = health(store, pack)

    with open_store(str(store.path), read_only=True) as reader:
        assert health(reader, pack) == expected


def test_flags_that_stood_after_the_latest_import_are_remembered_until_it_is_undone(store, pack, rng, monkeypatch):
    told: list[frozenset[str]] = []
    real = job.answer
    monkeypatch.setattr(job, "answer", lambda *given, raised, **more: (told.append(raised), real(*given, **more))[1])
    real_flags = job.flags
    monkeypatch.setattr(job, "flags", lambda *given: (told.append(given[-1]), real_flags(*given))[1])
    receipt = commit_import(store, pack, recording_of(drawn(rng, 200)), None)
    health(store, pack)

    replace_receipt(store, replace(receipt, changes=Changes(flags=("sensor_offset",))))
    health(store, pack)
    undo_import(store, receipt.import_id)
    health(store, pack)

    assert told == [frozenset(), frozenset({"sensor_offset"}), frozenset()]
