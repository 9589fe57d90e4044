"""A logbook where nothing may be written is read where it stands, with what its write-ahead log holds."""

from __future__ import annotations

import shutil
import time
from contextlib import contextmanager

import pytest

from logbook.errors import BadConfiguration, CannotWrite
from logbook.jobs.backup import back_up
from logbook.jobs.health import health
from logbook.store import Store, add_note, commit_import, list_notes, migrate, open_store, readonly
from logbook.store.engine import migration_engine
from logbook.store.readonly import must_be_left_alone, open_read_only
from tests.store.recordings import content, drawn, recording_of


@pytest.fixture
def filled(store, pack, rng):
    commit_import(store, pack, recording_of(drawn(rng, 500)), None)
    health(store, pack)
    return store


@pytest.fixture
def mocked(monkeypatch):
    """Folders for temporary files that were made."""
    made = []
    true = readonly.mkdtemp
    monkeypatch.setattr(readonly, "mkdtemp", lambda **named: made.append(true(**named)) or made[-1])
    return made


@contextmanager
def killed(store, target):
    """What a program leaves that was killed: the database and its write-ahead log."""
    target.mkdir()
    for end in ("", "-wal"):
        shutil.copy(store.path.with_name(store.path.name + end), target)
    yield target / store.path.name


def listed(folder):
    return {path.name: path.read_bytes() for path in folder.iterdir()}


def test_it_is_read_where_it_stands_and_nothing_is_put_beside_it(filled, pack, tmp_path, mocked):
    before, told = content(filled), health(filled, pack)
    filled.close()
    files = listed(filled.path.parent)

    with open_read_only(str(filled.path)) as store:
        assert content(store) == before
        assert health(store, pack) == told
        assert back_up(store, tmp_path / "backups").readings == 500
        with pytest.raises(CannotWrite, match="reading only"):
            add_note(store, pack.id, 0, "no")

    assert listed(filled.path.parent) == files
    assert mocked == []


def test_what_only_the_write_ahead_log_holds_is_seen(filled, pack, tmp_path, mocked):
    add_note(filled, pack.id, 0, "in the log alone")
    with killed(filled, tmp_path / "killed") as path:
        files = listed(path.parent)

        with open_read_only(str(path)) as store:
            assert [note.text for note in list_notes(store, pack.id)] == ["in the log alone"]
            assert content(store) == content(filled)
            assert store.originals_folder.parent == path.parent

        assert listed(path.parent) == files
    assert len(mocked) == 1
    assert not shutil.os.path.exists(mocked[0])


def test_a_change_by_another_program_is_told_and_no_half_of_it_is_shown(filled, pack):
    path = filled.path
    filled.close()

    with open_read_only(str(path)) as store, open_store(str(path)) as writer:
        add_note(writer, pack.id, time.time_ns() // 10**6, "meanwhile")
        with pytest.raises(CannotWrite, match="changed by another program"):
            list_notes(store, pack.id)


def test_answers_that_are_out_of_date_are_worked_out_for_the_reader_alone(store, pack, travelled_day):
    commit_import(store, pack, recording_of(travelled_day), None)
    path = store.path
    store.close()
    files = listed(path.parent)

    with open_read_only(str(path)) as still:
        told = health(still, pack)

    assert listed(path.parent) == files
    assert told.readings.count == len(travelled_day)
    with open_store(str(path)) as again:
        assert health(again, pack) == told


@pytest.fixture
def travelled_day(rng):
    return drawn(rng, 3000)


def test_an_older_logbook_is_refused_with_what_to_do(filled):
    path = filled.path
    filled.close()
    with migration_engine(str(path)).begin() as connection:
        migrate.downgrade(connection, "0004")
    Store.close(filled)

    with pytest.raises(CannotWrite, match="older version"):
        open_read_only(str(path))


def test_what_is_no_logbook_is_refused(tmp_path):
    other = tmp_path / "x.sqlite3"
    other.write_bytes(b"no database at all" * 100)

    with pytest.raises(BadConfiguration, match="not a logbook"):
        open_read_only(str(other))
    with pytest.raises(CannotWrite, match="no logbook here"):
        open_read_only(str(tmp_path / "none.sqlite3"))


def test_no_room_for_the_copy_is_told(filled, pack, tmp_path, monkeypatch):
    add_note(filled, pack.id, 0, "in the log alone")
    monkeypatch.setattr(readonly.shutil, "disk_usage", lambda _folder: shutil._ntuple_diskusage(10, 5, 5))
    with killed(filled, tmp_path / "killed") as path, pytest.raises(CannotWrite, match="are free"):
        open_read_only(str(path))


def test_only_where_it_cannot_be_written_is_it_left_alone(filled, monkeypatch, tmp_path):
    assert not must_be_left_alone(str(filled.path))
    assert not must_be_left_alone(str(tmp_path / "none.sqlite3"))

    monkeypatch.setattr(readonly.os, "access", lambda _path, mode: mode == readonly.os.R_OK)

    assert must_be_left_alone(str(filled.path))


def test_a_logbook_on_a_disk_without_room_for_a_logs_index_is_left_alone(filled, monkeypatch):
    """SQLite puts 32 KiB beside a database with a write-ahead log, for reading too (sqlite.org/walformat.html, section 2)."""
    assert not must_be_left_alone(str(filled.path))
    true = shutil.disk_usage(filled.path.parent)

    monkeypatch.setattr(shutil, "disk_usage", lambda _path: true._replace(free=32 * 1024))
    assert must_be_left_alone(str(filled.path))

    monkeypatch.setattr(shutil, "disk_usage", lambda _path: true._replace(free=1 << 20))
    assert not must_be_left_alone(str(filled.path))
