from __future__ import annotations

import json

import pytest


def notes(run, *arguments: str) -> list[dict]:
    return json.loads(run("note", "list", *arguments, "--json").out)


def test_a_note_is_written_on_the_packs_own_clock(house):
    house("pack", "edit", "House battery", "--timezone", "Europe/Berlin")

    written = house("note", "add", "  New lugs on the negative cable ", "--at", "2026-02-07T06:03")

    assert written.code == 0
    assert "Note 1 on House battery, 7 Feb 2026, 06:03: New lugs on the negative cable" in written.out
    assert notes(house) == [
        {"id": 1, "pack": "House battery", "time": "2026-02-07T05:03:00Z", "text": "New lugs on the negative cable"}
    ]


def test_notes_are_listed_by_time_of_one_pack_or_of_all(house):
    house("pack", "add", "Spare", "--rated-ah", "50", "--cells", "4")
    house("note", "add", "later", "--pack", "Spare", "--at", "2026-03-01")
    house("note", "add", "first", "--pack", "House battery", "--at", "2026-02-01")

    assert [entry["text"] for entry in notes(house)] == ["first", "later"]
    assert [entry["text"] for entry in notes(house, "spare")] == ["later"]
    assert "1 Mar 2026, 00:00" in house("note", "list").out


def test_the_hour_that_comes_twice_is_its_first(house):
    house("pack", "edit", "House battery", "--timezone", "Europe/Berlin")
    house("note", "add", "night watch", "--at", "2026-10-25T02:30")

    assert notes(house)[0]["time"] == "2026-10-25T00:30:00Z"


@pytest.mark.parametrize("text", ["", "   ", "x" * 2001])
def test_a_note_has_some_words_and_not_too_many(house, text):
    assert house("note", "add", text).code == 2
    assert notes(house) == []


def test_a_note_is_shown_before_it_goes_and_needs_a_yes(house, terminal):
    house("note", "add", "wrong van")

    refused = house("note", "remove", "1")
    asked = terminal(False)
    declined = house("note", "remove", "1")

    assert (refused.code, declined.code) == (65, 0)
    assert "wrong van" in declined.err
    assert asked == ["Remove this note?"]
    assert len(notes(house)) == 1
    assert house("note", "remove", "1", "--yes").code == 0
    assert notes(house) == []


def test_a_note_that_is_not_there_is_said_so(house):
    assert house("note", "remove", "7", "--yes").code == 65


def test_without_a_note_the_way_to_one_is_shown(house):
    assert "logbook note add" in house("note", "list").err
