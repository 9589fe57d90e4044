"""A fingerprint is that of the file as it is now."""

from __future__ import annotations

import hashlib
import os

import pytest

from logbook.ingest import fingerprint


def test_it_is_the_hash_of_the_bytes_also_of_a_file_longer_than_a_block(tmp_path, monkeypatch):
    monkeypatch.setattr(fingerprint, "BLOCK_BYTES", 1000)
    for size in (0, 1, 999, 1000, 1001, 12_345):
        path = tmp_path / f"{size}.csv"
        path.write_bytes(os.urandom(size))

        assert fingerprint.sha256_of(path) == hashlib.sha256(path.read_bytes()).hexdigest()


def test_a_file_that_changed_is_hashed_anew(tmp_path):
    path = tmp_path / "trip.csv"
    path.write_bytes(b"before")
    os.utime(path, ns=(1, 1))
    before = fingerprint.sha256_of(path)

    path.write_bytes(b"after!")

    assert before == hashlib.sha256(b"before").hexdigest()
    assert fingerprint.sha256_of(path) == hashlib.sha256(b"after!").hexdigest()


def test_a_file_that_did_not_change_is_read_once(tmp_path, monkeypatch):
    path = tmp_path / "trip.csv"
    path.write_bytes(b"once")
    fingerprint.begin(path)
    first = fingerprint.sha256_of(path)
    monkeypatch.setattr(fingerprint, "_Hashing", pytest.fail)

    assert fingerprint.sha256_of(path) == first


def test_what_cannot_be_read_is_told_when_it_is_asked_for_and_tried_again(tmp_path):
    path = tmp_path / "later.csv"
    fingerprint.begin(path)
    fingerprint.begin(tmp_path)
    with pytest.raises(FileNotFoundError):
        fingerprint.sha256_of(path)
    with pytest.raises(IsADirectoryError):
        fingerprint.sha256_of(tmp_path)

    path.write_bytes(b"there")

    assert fingerprint.sha256_of(path) == hashlib.sha256(b"there").hexdigest()


def test_no_more_files_are_remembered_than_needed(tmp_path):
    for number in range(2 * fingerprint.KEPT):
        path = tmp_path / f"{number}.csv"
        path.write_text(str(number))
        fingerprint.sha256_of(path)

    assert len(fingerprint._known) == fingerprint.KEPT


@pytest.mark.skipif(not hasattr(os, "mkfifo"), reason="pipes of POSIX systems")
def test_beginning_with_a_pipe_waits_for_nobody(tmp_path):
    os.mkfifo(tmp_path / "pipe")

    fingerprint.begin(tmp_path / "pipe")

    assert not any(hashing.is_alive() for hashing in fingerprint._known.values())
