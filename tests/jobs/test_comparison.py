"""What an import changed in the answers is told and kept, and never told wrongly."""

from __future__ import annotations

from dataclasses import replace

import numpy as np

from logbook.analysis.answer import answer
from logbook.analysis.change import changes
from logbook.errors import CannotWrite
from logbook.jobs import comparison, trial
from logbook.jobs.health import health
from logbook.jobs.import_files import import_file
from logbook.jobs.receipts import receipt_from_json
from logbook.jobs.undo import undo
from logbook.store import commit_import, edit_pack, stored_receipt
from tests.jobs.test_import_files import OPTIONS, trip
from tests.store.recordings import MINUTE_MS, START_MS, content, readings_at, recording_of


def test_the_receipt_tells_what_the_answers_before_and_after_tell(store, pack, tmp_path):
    import_file(store, trip(tmp_path / "a.csv"), pack, OPTIONS)
    before = health(store, pack)

    receipt = import_file(store, trip(tmp_path / "b.csv", day=3), pack, OPTIONS)

    assert receipt.changes.reason is None
    assert receipt.changes.sentences == changes(before, health(store, pack), pack.time_zone) != ()
    assert receipt_from_json(stored_receipt(store, receipt.import_id)) == receipt


def test_first_readings_are_compared_with_nothing(store, pack, tmp_path):
    receipt = import_file(store, trip(tmp_path / "a.csv"), pack, OPTIONS)

    assert receipt.changes.sentences[0] == "The log: 1 Mar 2025, 60 min of it logged."


def test_a_known_file_changes_nothing(store, pack, tmp_path):
    path = trip(tmp_path / "a.csv")
    import_file(store, path, pack, OPTIONS)

    again = import_file(store, path, pack, OPTIONS)

    assert (again.changes.sentences, again.changes.reason) == ((), None)


def test_a_dry_run_tells_what_the_import_then_tells_and_writes_nothing(store, pack, tmp_path, monkeypatch):
    monkeypatch.setattr("tempfile.tempdir", str(tmp_path))
    import_file(store, trip(tmp_path / "a.csv"), pack, OPTIONS)
    before, files = content(store), sorted(tmp_path.rglob("*"))
    path = trip(tmp_path / "b.csv", day=3)

    tried = import_file(store, path, pack, OPTIONS, dry_run=True)

    assert (tried.dry_run, tried.import_id) == (True, None)
    assert tried.changes.sentences != ()
    assert content(store) == before
    assert sorted(tmp_path.rglob("*")) == sorted([*files, path])
    done = import_file(store, path, pack, OPTIONS)
    assert replace(tried, dry_run=False, import_id=done.import_id) == done


def test_a_dry_run_of_very_many_first_readings_compares_too(store, pack, tmp_path, monkeypatch):
    monkeypatch.setattr(comparison, "LATER_FROM", 59)

    tried = import_file(store, trip(tmp_path / "a.csv"), pack, OPTIONS, dry_run=True)

    assert tried.changes.sentences[0].startswith("The log: 1 Mar 2025")


def test_a_logbook_too_large_to_copy_is_not_tried_on(store, pack, tmp_path, monkeypatch):
    monkeypatch.setattr(trial, "MOST_BYTES", 1000)

    tried = import_file(store, trip(tmp_path / "a.csv"), pack, OPTIONS, dry_run=True)

    assert tried.rows_stored == 60
    assert "too much to copy" in tried.changes.reason
    assert health(store, pack).readings.count == 0


def test_very_many_first_readings_are_compared_when_the_answers_are_worked_out(store, pack, tmp_path, monkeypatch):
    monkeypatch.setattr(comparison, "LATER_FROM", 59)
    first = import_file(store, trip(tmp_path / "a.csv"), pack, OPTIONS)
    assert first.changes.reason.startswith("60 readings are to be gone through first; the receipt says")

    answered = health(store, pack)

    told = receipt_from_json(stored_receipt(store, first.import_id)).changes
    assert told.reason is None
    assert told.sentences == changes(answer({}, pack), answered, pack.time_zone) != ()
    assert told.flags == tuple(flag.code for flag in answered.flags)


def test_the_next_import_works_out_the_answers_that_were_left(store, pack, tmp_path, monkeypatch):
    monkeypatch.setattr(comparison, "LATER_FROM", 59)
    first = import_file(store, trip(tmp_path / "a.csv"), pack, OPTIONS)

    second = import_file(store, trip(tmp_path / "b.csv", day=9), pack, OPTIONS)

    assert receipt_from_json(stored_receipt(store, first.import_id)).changes.reason is None
    assert (second.changes.reason, second.changes.sentences != ()) == (None, True)


def test_much_work_is_left_to_whoever_asks_for_the_answer(store, pack, tmp_path, monkeypatch):
    monkeypatch.setattr(comparison, "MOST_READINGS", 59)

    first = import_file(store, trip(tmp_path / "a.csv"), pack, OPTIONS)
    second = import_file(store, trip(tmp_path / "b.csv", day=9), pack, OPTIONS)

    assert first.changes.reason == "60 readings are to be gone through first, so nothing was compared."
    assert second.changes.reason == "The answers were out of date before this import, so nothing was compared."
    assert health(store, pack).readings.count == 120


def test_answers_that_were_out_of_date_are_brought_up_to_date_first(store, pack, tmp_path):
    """Else the change of the rating would be told as a change by the file."""
    import_file(store, trip(tmp_path / "a.csv"), pack, OPTIONS)
    edited = edit_pack(store, pack.name, limits={"charge_minimum_c": 25.0})

    receipt = import_file(store, trip(tmp_path / "b.csv", day=3), edited, OPTIONS)

    (cold,) = [said for said in receipt.changes.sentences if said.startswith("Charged below 25 °C: 2 times")]
    assert "Before: once" in cold


def test_what_another_import_changed_is_not_told_as_this_ones(store, pack, tmp_path, monkeypatch):
    look = comparison.look

    def look_then_another_comes(*arguments):
        seen = look(*arguments)
        readings = readings_at(START_MS + np.arange(60) * MINUTE_MS, voltage_v=13.2, current_a=-5.0)
        commit_import(store, pack, recording_of(readings), None)
        return seen

    monkeypatch.setattr(comparison, "look", look_then_another_comes)

    receipt = import_file(store, trip(tmp_path / "a.csv"), pack, OPTIONS)

    assert receipt.rows_stored == 60
    assert receipt.changes.reason == "Another import or undo came between, so nothing was compared."


def test_an_import_stands_though_its_comparison_breaks_off(store, pack, tmp_path, monkeypatch):
    def full_disk(*_arguments):
        raise CannotWrite("the disk is full.", where="logbook.sqlite3")

    import_file(store, trip(tmp_path / "a.csv"), pack, OPTIONS)
    with monkeypatch.context() as patch:
        patch.setattr(comparison, "replace_receipt", full_disk)
        receipt = import_file(store, trip(tmp_path / "b.csv", day=3), pack, OPTIONS)

    assert receipt.rows_stored == 60
    assert receipt.changes.reason.endswith("logbook.sqlite3: the disk is full.")
    assert receipt_from_json(stored_receipt(store, receipt.import_id)) == replace(receipt, changes=None)


def test_undo_brings_the_answers_back(store, pack, tmp_path):
    import_file(store, trip(tmp_path / "a.csv"), pack, OPTIONS)
    before = health(store, pack)
    receipt = import_file(store, trip(tmp_path / "b.csv", day=3), pack, OPTIONS)

    undo(store, receipt.import_id)

    assert changes(before, health(store, pack)) == ()
