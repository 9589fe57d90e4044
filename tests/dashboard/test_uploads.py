"""Files on their way here: piece by piece, broken off and gone on with, and never outside their folder."""

from __future__ import annotations

import io
import os
import stat
import sys
import threading

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


@pytest.mark.parametrize("card", ["", '{"token": "0123', "[]", "{}"])
def test_a_card_that_a_killed_program_left_half_written_stands_in_nobodys_way(uploads, card):
    torn = uploads.begin(1, "trip.csv", 6, changed_ms=5)
    (uploads.folder / torn.token / "upload.json").write_text(card)

    assert uploads.begin(1, "trip.csv", 6, changed_ms=5).token != torn.token
    with pytest.raises(UnknownName):
        uploads.received(torn.token)


def test_a_file_that_a_program_killed_as_it_was_complete_left_can_be_sent_again(uploads):
    first = uploads.begin(1, "trip.csv", 2, changed_ms=5)
    uploads.add(first.token, 0, io.BytesIO(b"ab"), 2)
    (uploads.folder / first.token / "part").rename(uploads.folder / first.token / "gone")

    again = uploads.begin(1, "trip.csv", 2, changed_ms=5)

    assert again.token != first.token
    assert uploads.received(again.token) == 0


def test_a_file_is_completed_once(uploads):
    token = uploads.begin(1, "trip.csv", 2).token
    uploads.add(token, 0, io.BytesIO(b"ab"), 2)
    uploads.complete(token)

    with pytest.raises(UnknownName):
        uploads.complete(token)


def test_files_begun_by_many_at_once_are_all_begun(uploads):
    failed = []

    def begin(number):
        try:
            for changed_ms in range(1, 40):
                uploads.begin(1, f"{number}.csv", 6, changed_ms)
        except Exception as error:  # noqa: BLE001 - told below
            failed.append(error)

    several = [threading.Thread(target=begin, args=(number,)) for number in range(6)]
    for one in several:
        one.start()
    for one in several:
        one.join()

    assert failed == []


@pytest.mark.skipif(sys.platform == "win32", reason="limits and rights of POSIX systems")
def test_a_disk_that_fills_up_is_told_and_what_came_is_kept(uploads):
    import resource  # noqa: PLC0415 - not on every system

    token = uploads.begin(1, "trip.csv", 1 << 20).token
    before = resource.getrlimit(resource.RLIMIT_FSIZE)
    resource.setrlimit(resource.RLIMIT_FSIZE, (300_000, before[1]))
    try:
        with pytest.raises(CannotWrite, match=r"could not be written down here.*"):
            uploads.add(token, 0, io.BytesIO(b"a" * (1 << 20)), 1 << 20)
    finally:
        resource.setrlimit(resource.RLIMIT_FSIZE, before)

    here = uploads.received(token)
    assert 0 < here <= 300_000
    assert uploads.add(token, here, io.BytesIO(b"a" * ((1 << 20) - here)), (1 << 20) - here) == 1 << 20


@pytest.mark.skipif(sys.platform == "win32", reason="limits and rights of POSIX systems")
def test_what_comes_in_is_its_owners_alone_whatever_the_umask(uploads):
    before = os.umask(0)
    try:
        token = uploads.begin(1, "trip.csv", 2).token
        uploads.keep_mapping(token, "[time]")
        uploads.begin(1, "other.csv", 2)
        uploads.add(token, 0, io.BytesIO(b"ab"), 2)
        uploads.complete(token)
    finally:
        os.umask(before)

    modes = {stat.S_IMODE(path.stat().st_mode) for path in (uploads.folder, *uploads.folder.rglob("*"))}
    assert modes == {0o600, 0o700}
