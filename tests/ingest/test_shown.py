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
from logbook.schema import shown as schema
from logbook.schema.shown import MOST_LISTED, Shown, Stretch, answer_of, evidence_of, together
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


def lines_listed(entry) -> list[tuple[int, int]]:
    return [(stretch.first_line, stretch.last_line) for stretch in entry.shown.listed]


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

    assert entry.answer == "at 3 places; elsewhere it is taken to be the same"
    assert entry.strength == "fair"
    assert lines_listed(entry) == [(2, 11), (12, 21), (23, 31), (33, 41)]
    # eight minutes of the last row's nine: how long it held is not known
    assert entry.evidence == (
        "the largest stretch where it does not show is lines 33 to 41 (8 min, 16 Ah); all 4 such stretches hold 43 Ah"
    )
    assert (entry.shown.places, entry.shown.stretches, entry.shown.ah) == (3, 4, 43.0)


def test_what_was_taken_against_the_votes_is_shown_by_none_of_them():
    entry = said(frame_of(np.full(40, 60.0)), votes([10], [1]), votes([20, 30], [1, 1]), "discharge")

    assert entry.answer == "nowhere; taken to be the same throughout"
    assert lines_listed(entry) == [(2, 41)]


def test_short_stretches_and_those_beyond_the_largest_are_counted(monkeypatch):
    """Of stretches of 2, 5, 6 and 7 rows the two largest are listed; the others hold 2 and 5 Ah."""
    monkeypatch.setattr(shown, "MOST_LISTED", 2)
    monkeypatch.setattr(schema, "MOST_LISTED", 2)

    entry = said(frame_of(np.full(23, 60.0)), NO_VOTES, votes([2, 8, 15], [1, 1, 1]))

    assert lines_listed(entry) == [(11, 16), (18, 24)]
    assert [stretch.ah for stretch in entry.shown.listed] == [6.0, 6.0]
    assert entry.evidence.endswith("all 4 such stretches hold 19 Ah")
    assert (entry.shown.stretches, entry.shown.ah) == (4, 19.0)


def test_where_nothing_flows_nothing_rests_on_its_neighbours():
    current = np.zeros(40)
    current[10] = 5.0

    entry = said(frame_of(current), NO_VOTES, votes([10], [1]))

    assert entry.shown.listed == ()
    assert entry.evidence == "elsewhere less than 0.1 A flowed"


def test_where_only_a_row_or_two_are_without_it_their_sum_is_told():
    entry = said(frame_of(np.full(9, 60.0)), NO_VOTES, votes([1, 4, 7], [1, 1, 1]))

    assert entry.shown.listed == ()
    assert entry.evidence == "it does not show only in a row or two at a time: 4 such stretches hold 5 Ah"


@pytest.mark.parametrize(("places", "told"), [(1, "1 place"), (33_359, "33 359 places")])
def test_many_places_are_counted_as_numbers_are_written_everywhere(places: int, told: str):
    """The sentence an owner reads, of thousands of places."""
    longest = Stretch(1_050_214, 1_052_212, 2_160.0, 0.414)
    found = Shown(places, 103_324, 9016.4, (Stretch(3, 9, 60.0, 0.004), longest))

    assert answer_of(found) == f"at {told}; elsewhere it is taken to be the same"
    assert evidence_of(found) == (
        "the largest stretch where it does not show is lines 1 050 214 to 1 052 212 (36 min, 0.414 Ah); "
        "all 103 324 such stretches hold 9 016 Ah"
    )


@pytest.mark.parametrize("cut", [6, 15, 25])
def test_two_pieces_of_a_file_show_together_what_the_whole_shows(cut: int):
    current = np.linspace(30.0, 90.0, 40)
    frame, rows = frame_of(current), np.array([2, 10, 20, 30])
    pieces = [
        said(frame.take(part), NO_VOTES, votes(there, np.ones(len(there)))).shown
        for part, there in ((slice(0, cut), rows[rows < cut]), (slice(cut, 40), rows[rows >= cut] - cut))
    ]

    whole, found = said(frame, NO_VOTES, votes(rows, np.ones(4))).shown, together(*pieces)

    assert (found.places, found.stretches) == (whole.places, whole.stretches)
    assert [part.first_line for part in found.listed] == [part.first_line for part in whole.listed]
    assert [part.last_line for part in found.listed] == [part.last_line for part in whole.listed]
    # what flowed between the last row of one and the first of the other is not known
    assert found.ah == pytest.approx(whole.ah - current[cut - 1] / 60, abs=0.01)


def test_of_many_pieces_the_largest_stretches_stay_listed_and_all_are_counted():
    found = Shown(0, 0, 0.0)
    for piece in range(30):
        parts = tuple(Stretch(k, k + 3, 60.0, float(k % 97)) for k in range(piece * 100, piece * 100 + 100, 10))
        found = together(found, Shown(10, 10, sum(part.ah for part in parts), parts))

    assert (found.places, found.stretches, len(found.listed)) == (300, 300, MOST_LISTED)
    least = min(part.ah for part in found.listed)
    assert sum(k % 97 > least for k in range(0, 3000, 10)) <= MOST_LISTED
    assert found.ah == pytest.approx(sum(k % 97 for k in range(0, 3000, 10)))


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
    assert any(first <= turned.min() and turned.max() <= last for first, last in lines_listed(entry))


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
    assert told[shown.QUESTION]["shown"]["listed"]
    assert "shown" not in told["positive current"]
    assert receipt_from_json(document) == replace(receipt, import_id=1)
