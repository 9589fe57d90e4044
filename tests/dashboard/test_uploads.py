"""Files on their way here: piece by piece, broken off and gone on with, and never outside their folder."""

from __future__ import annotations

import io
import os

import pytest

from logbook.dashboard.uploads import FORGOTTEN_S, Uploads, safe_name
from logbook.errors import BadData, CannotWrite, UnknownName


@pytest.fixture
def uploads(tmp_path):
    return Uploads(tmp_path / "uploads")


def test_pieces_become_the_file(uploads):
    token = uploads.begin(1, "trip.csv", 6).token

    assert uploads.add(token, 0, io.BytesIO(b"abcd"), 4) == 4
    assert uploads.add(token, 4, io.BytesIO(b"ef"), 2) == 6
    assert uploads.complete(token).read_bytes() == b"abcdef"


def test_a_piece_that_breaks_off_keeps_what_came(uploads):
    token = uploads.begin(1, "trip.csv", 6).token

    assert uploads.add(token, 0, io.BytesIO(b"ab"), 4) == 2
    with pytest.raises(BadData, match="2 bytes"):
        uploads.add(token, 4, io.BytesIO(b"ef"), 2)
    assert uploads.received(token) == 2


def test_the_same_file_goes_on_where_it_broke_off_another_one_does_not(uploads):
    first = uploads.begin(1, "trip.csv", 6, changed_ms=5)
    uploads.add(first.token, 0, io.BytesIO(b"ab"), 2)

    assert uploads.begin(1, "trip.csv", 6, changed_ms=5).token == first.token
    assert uploads.begin(1, "trip.csv", 6, changed_ms=6).token != first.token
    assert uploads.begin(2, "trip.csv", 6, changed_ms=5).token != first.token
    assert uploads.begin(1, "trip.csv", 7, changed_ms=5).token != first.token
    assert uploads.begin(1, "trip.csv", 6).token != first.token


@pytest.mark.parametrize("token", ["", "..", "../..", "0123456789abcdef", "0123456789ABCDEF", "/etc/passwd"])
def test_a_token_is_never_a_path(uploads, token):
    with pytest.raises(UnknownName):
        uploads.received(token)


def test_no_room_is_told_before_the_first_byte(uploads):
    with pytest.raises(CannotWrite, match="not enough room"):
        uploads.begin(1, "trip.csv", 1 << 60)


def test_what_nobody_asks_for_is_taken_away_after_a_day(uploads):
    old, fresh, waiting = (uploads.begin(1, "trip.csv", 6).token for _ in range(3))
    for token in (old, waiting):
        then = (uploads.folder / token).stat().st_mtime - FORGOTTEN_S - 60
        os.utime(uploads.folder / token, (then, then))

    uploads.tidy({waiting})

    assert {folder.name for folder in uploads.folder.iterdir()} == {fresh, waiting}


@pytest.mark.parametrize(
    ("name", "safe"),
    [
        ("../../etc/passwd", "passwd"),
        ("C:\\trips\\März 2026.csv", "März 2026.csv"),
        ("a<b>.csv", "a_b_.csv"),
        ("...", "upload"),
        ("", "upload"),
    ],
)
def test_a_name_never_becomes_a_path(name, safe):
    assert safe_name(name) == safe
