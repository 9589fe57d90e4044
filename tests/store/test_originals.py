from __future__ import annotations

import hashlib
import stat

import pytest

from logbook.errors import BadData, CannotWrite, InputMissing
from logbook.store import originals


@pytest.fixture
def file(tmp_path, rng):
    path = tmp_path / "trip.csv"
    path.write_bytes(rng.bytes(3_000_000) + b"13.2;0.5\n" * 100_000)
    return path


def sha(path) -> str:
    return hashlib.sha256(path.read_bytes()).hexdigest()


def test_a_kept_file_comes_back_to_the_byte_and_takes_less_room(tmp_path, file):
    folder = tmp_path / "originals"

    name = originals.keep(folder, file, sha(file))
    originals.bring_back(folder, sha(file), tmp_path / "again.csv")

    assert (tmp_path / "again.csv").read_bytes() == file.read_bytes()
    assert name == f"{sha(file)[:2]}/{sha(file)}.zst"
    assert (folder / name).stat().st_size < file.stat().st_size
    assert stat.S_IMODE((folder / name).stat().st_mode) == 0o600
    assert stat.S_IMODE(folder.stat().st_mode) == 0o700


def test_the_same_content_is_kept_once(tmp_path, file):
    folder = tmp_path / "originals"
    copy = tmp_path / "copy.csv"
    copy.write_bytes(file.read_bytes())

    assert originals.keep(folder, file, sha(file)) == originals.keep(folder, copy, sha(copy))
    assert len([entry for entry in folder.rglob("*") if entry.is_file()]) == 1


def test_a_file_that_is_not_what_was_read_is_refused_and_leaves_nothing(tmp_path, file):
    folder = tmp_path / "originals"

    with pytest.raises(BadData, match="changed"):
        originals.keep(folder, file, "0" * 64)

    assert [entry for entry in folder.rglob("*") if entry.is_file()] == []


def test_a_place_that_cannot_be_written_is_named(tmp_path, file):
    folder = tmp_path / "originals"
    folder.write_text("in the way")

    with pytest.raises(CannotWrite, match="could not be kept"):
        originals.keep(folder, file, sha(file))


def test_a_damaged_original_is_noticed_and_not_handed_out(tmp_path, file):
    folder = tmp_path / "originals"
    kept = folder / originals.keep(folder, file, sha(file))
    damaged = bytearray(kept.read_bytes())
    damaged[2_000_000] ^= 1
    kept.write_bytes(damaged)

    assert not originals.is_sound(folder, sha(file))
    with pytest.raises(BadData, match="damaged"):
        originals.bring_back(folder, sha(file), tmp_path / "again.csv")

    assert not (tmp_path / "again.csv").exists()


def test_an_original_that_was_not_kept_is_named(tmp_path):
    with pytest.raises(InputMissing, match="not kept"):
        originals.bring_back(tmp_path, "0" * 64, tmp_path / "again.csv")
