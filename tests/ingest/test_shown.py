"""The receipt says at how many places the readings show the sign of the current, and which rows rest on those beside them."""

from __future__ import annotations

import json
from dataclasses import replace

import numpy as np
import pytest

from logbook.ingest import ImportOptions, read_export, shown
from logbook.ingest.frame import Frame
from logbook.ingest.ledger import Ledger
from logbook.ingest.shown import say_where_it_shows
from logbook.ingest.sign import NO_VOTES, Ballot
from logbook.jobs.receipts import receipt_from_json
from tests.ingest.trip import lines, text, trip

OPTIONS = ImportOptions(time_zone="UTC", cells_in_series=4, rated_ah=100.0)


def votes(rows, signs) -> Ballot:
    rows = np.asarray(rows, np.intp)
    return Ballot(rows, np.asarray(signs, float), rows)


def said(frame: Frame, soc: Ballot, step: Ballot, positive: str = "charge"):
    ledger = Ledger()
    say_where_it_shows(frame, (soc, step, NO_VOTES, NO_VOTES), positive, "", ledger)
    (entry,) = ledger.inferences
    return entry


def frame_of(current: np.ndarray) -> Frame:
    rows = np.arange(len(current))
    return Frame(rows + 2, 1_700_000_000_000 + 60_000 * rows, {"current_a": current})


@pytest.mark.parametrize("block", [3, 7, 1 << 16])
def test_each_stretch_is_told_with_what_flows_in_it(block: int, monkeypatch):
    """60 A for a minute are 1 Ah. A percentage tells what flowed up to its row, a step tells of its row itself."""
    monkeypatch.setattr(shown, "BLOCK", block)
    current = np.full(40, 60.0)
    current[5] = np.nan
    current[6] = 0.05
    current[30:] = -120.0

    entry = said(frame_of(current), votes([10], [1]), votes([20, 30, 35], [1, 1, -1]))

    assert entry.answer == "at 3 places; between, before and after them it is taken to be the same"
    assert entry.strength == "fair"
    assert entry.stretches == ((2, 11), (12, 21), (23, 31), (33, 41))
    assert "state of charge 1 of 1, voltage in steps 2 of 3" in entry.evidence
    # eight minutes of the last row's nine: how long it held is not known
    assert "the largest stretch without one is lines 33 to 41: about 16 Ah, 9 rows in 8 min" in entry.evidence
    assert "4 such stretches hold about 43 Ah" in entry.evidence


def test_what_was_taken_against_the_votes_is_shown_by_none_of_them():
    entry = said(frame_of(np.full(40, 60.0)), votes([10], [1]), votes([20, 30], [1, 1]), "discharge")

    assert entry.answer == "nowhere; taken to be the same throughout"
    assert entry.stretches == ((2, 41),)


def test_short_stretches_and_those_beyond_the_largest_are_counted(monkeypatch):
    """Of stretches of 2, 5, 6 and 7 rows the two largest are listed; the others hold 2 and 5 Ah."""
    monkeypatch.setattr(shown, "MOST_LISTED", 2)

    entry = said(frame_of(np.full(23, 60.0)), NO_VOTES, votes([2, 8, 15], [1, 1, 1]))

    assert entry.stretches == ((11, 16), (18, 24))
    assert "4 such stretches hold about 19 Ah, 2 of them, which are not listed, about 7 Ah" in entry.evidence


def test_where_nothing_flows_nothing_rests_on_its_neighbours():
    current = np.zeros(40)
    current[10] = 5.0

    entry = said(frame_of(current), NO_VOTES, votes([10], [1]))

    assert entry.stretches == ()
    assert "nowhere else 0.1 A flowed" in entry.evidence


def read(tmp_path, t, options: ImportOptions = OPTIONS, **more):
    path = tmp_path / "trip.csv"
    path.write_text(text(lines(t, **more)))
    return read_export(path, options)


def test_a_sign_that_turns_there_and_back_where_nothing_tells_lies_within_a_stretch(tmp_path):
    """A small load of a pack at rest, between two times of use, counted the other way for half an hour."""
    t, rest = trip(600), slice(200, 400)
    current, volts, soc = t.current_a.copy(), t.voltage_v.copy(), t.soc_percent.copy()
    current[rest], volts[rest], soc[rest] = -0.3, 13.2, soc[199]
    current[280:310] = 0.3
    current[[279, 310]] = 0.0

    recording = read(tmp_path, t.with_(current_a=current, voltage_v=volts, soc_percent=soc))

    (entry,) = [entry for entry in recording.receipt.inferences if entry.question == shown.QUESTION]
    turned = recording.lines[280:310]
    np.testing.assert_array_equal(recording.readings.current_a[280:310], 0.3)  # nothing tells that it turned
    assert any(first <= turned.min() and turned.max() <= last for first, last in entry.stretches)


def test_a_current_whose_columns_tell_charge_from_discharge_rests_on_nothing(tmp_path):
    t = trip(300)
    path = tmp_path / "trip.csv"
    rows = [
        f"{np.datetime64(int(ts), 'ms')},{volts},{max(amps, 0.0)},{max(-amps, 0.0)}"
        for ts, volts, amps in zip(t.ts_ms, t.voltage_v, t.current_a, strict=True)
    ]
    path.write_text("timestamp,voltage_v,charge current (A),discharge current (A)\n" + "\n".join(rows))

    recording = read_export(path, OPTIONS)

    np.testing.assert_allclose(recording.readings.current_a, t.current_a, atol=0.0051)
    assert shown.QUESTION not in {entry.question for entry in recording.receipt.inferences}


def test_the_stretches_are_in_the_stored_receipt(tmp_path):
    receipt = read(tmp_path, trip(300)).receipt

    document = json.loads(json.dumps(replace(receipt, import_id=1).as_json()))

    told = {entry["question"]: entry for entry in document["inferences"]}
    assert told[shown.QUESTION]["stretches"]
    assert "stretches" not in told["positive current"]
    assert receipt_from_json(document) == replace(receipt, import_id=1)
