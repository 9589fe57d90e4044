from __future__ import annotations

import shutil
import signal
import stat
import subprocess
import sys
import threading

import pytest
import sqlalchemy as sa
from adbc_driver_manager import AdbcStatusCode

from logbook.errors import BadConfiguration, CannotWrite
from logbook.store import (
    add_note,
    add_pack,
    commit_import,
    dialect,
    list_notes,
    list_packs,
    models,
    open_store,
    patience,
)
from tests.store.recordings import DAY_MS, START_MS, content, drawn, recording_of


def setting(store, name):
    return dialect.outside_transaction(store.engine, f"PRAGMA {name}")[0][0]


def test_a_new_logbook_is_its_owners_alone(tmp_path):
    with open_store(str(tmp_path / "new" / "logbook.sqlite3")) as store:
        add_pack(store, name="House", rated_ah=100, cells_in_series=4)
        beside = [path for path in store.path.parent.iterdir() if path.is_file()]

        assert stat.S_IMODE(store.path.parent.stat().st_mode) == 0o700
        assert len(beside) == 3
        assert {stat.S_IMODE(path.stat().st_mode) for path in beside} == {0o600}


def test_connections_keep_a_write_ahead_log_foreign_keys_and_patience(store):
    assert setting(store, "journal_mode") == "wal"
    assert setting(store, "foreign_keys") == 1
    assert setting(store, "synchronous") == 2
    assert setting(store, "busy_timeout") == dialect.BUSY_TIMEOUT_MS


def test_a_row_without_its_parent_is_refused(store):
    with pytest.raises(sa.exc.IntegrityError, match="FOREIGN KEY"), store.writing() as connection:
        connection.execute(sa.insert(models.note).values(pack_id=99, ts_ms=0, text="lost"))


@pytest.mark.parametrize("address", ["sqlite:///{path}", "{path}"])
def test_a_url_and_a_bare_path_open_the_same_file(tmp_path, address):
    path = tmp_path / "with space" / "lögbook.sqlite3"

    open_store(address.format(path=path)).close()

    assert path.exists()


@pytest.mark.parametrize("address", ["sqlite:///:memory:", "sqlite://", "oracle://host/db", "nonsense://"])
def test_an_address_that_holds_no_logbook_is_refused(address):
    with pytest.raises(BadConfiguration, match="not a database"):
        open_store(address)


def test_a_place_that_cannot_be_written_is_named(tmp_path):
    (tmp_path / "file").write_text("in the way")

    with pytest.raises(CannotWrite, match=r"file.*cannot be written"):
        open_store(str(tmp_path / "file" / "logbook.sqlite3"))


def test_a_folder_is_no_logbook(tmp_path):
    with pytest.raises(CannotWrite, match="cannot be written"):
        open_store(str(tmp_path))


def test_a_newer_logbook_is_refused_with_a_sentence_and_left_alone(store):
    with store.writing() as connection:
        connection.execute(sa.text("UPDATE alembic_version SET version_num = '9999'"))
    store.close()
    before = store.path.read_bytes()

    for read_only in (False, True):
        with pytest.raises(BadConfiguration, match="newer version"):
            open_store(str(store.path), read_only=read_only)

    assert store.path.read_bytes() == before
    assert {path.name for path in store.path.parent.iterdir()} <= {
        store.path.name, f"{store.path.name}-wal", f"{store.path.name}-shm",
    }  # fmt: skip


def test_another_programs_database_is_refused_and_left_alone(tmp_path):
    path = tmp_path / "other.sqlite3"
    path.touch()
    engine = dialect.create_engine(dialect.parse_url(str(path)))
    with engine.execution_options(begin=dialect.WRITE).begin() as connection:
        connection.exec_driver_sql("CREATE TABLE recipe (id INTEGER PRIMARY KEY)")
    engine.dispose()

    with pytest.raises(BadConfiguration, match="something else"):
        open_store(str(path))


def test_a_file_that_is_no_database_is_refused_and_left_alone(tmp_path):
    path = tmp_path / "trip.csv"
    path.write_text("time,voltage\n" * 200)

    with pytest.raises(BadConfiguration, match="not a logbook"):
        open_store(str(path))

    assert path.read_text() == "time,voltage\n" * 200


def test_a_logbook_opened_for_reading_is_not_written(store, pack):
    with open_store(str(store.path), read_only=True) as reader:
        assert list_packs(reader) == [pack]
        with pytest.raises(CannotWrite, match="reading only"):
            add_note(reader, pack.id, 0, "no")


def test_reading_needs_a_logbook_that_is_there(tmp_path):
    with pytest.raises(CannotWrite, match="no logbook"):
        open_store(str(tmp_path / "none.sqlite3"), read_only=True)

    assert list(tmp_path.iterdir()) == []


def test_a_logbook_that_another_program_holds_is_busy(store, pack, monkeypatch):
    monkeypatch.setattr(dialect, "BUSY_TIMEOUT_MS", 50)

    with open_store(str(store.path)) as other, store.writing(), pytest.raises(CannotWrite, match="busy"):
        add_note(other, pack.id, 0, "too soon")

    assert list_notes(store, pack.id) == []


def test_a_full_disk_is_said_and_changes_nothing(store, pack, rng):
    """SQLite is told that the file may not grow, and then reports what it reports on a full disk."""
    commit_import(store, pack, recording_of(drawn(rng, 100), "a.csv"), None)
    before = content(store)
    store.close()
    pages = dialect.outside_transaction(store.engine, "PRAGMA page_count")[0][0]
    store.close()
    sa.event.listen(store.engine, "connect", lambda raw, _: raw.fetch_arrow(f"PRAGMA max_page_count={pages + 3}"))

    with pytest.raises(CannotWrite, match="disk is full"):
        commit_import(store, pack, recording_of(drawn(rng, 20_000, start_ms=START_MS + 100 * DAY_MS), "b.csv"), None)

    assert content(store) == before
    assert dialect.integrity_problems(store.engine) == []


def test_a_transaction_that_fails_leaves_nothing(store, pack):
    def half() -> None:
        with store.writing() as connection:
            connection.execute(sa.insert(models.note).values(pack_id=pack.id, ts_ms=0, text="half"))
            raise RuntimeError

    with pytest.raises(RuntimeError):
        half()

    assert list_notes(store, pack.id) == []


def test_a_reader_sees_one_moment_while_another_writes(store, pack):
    notes = sa.select(sa.func.count()).select_from(models.note)

    with store.reading() as connection:
        before = connection.execute(notes).scalar_one()
        writer = threading.Thread(target=add_note, args=(store, pack.id, 0, "meanwhile"))
        writer.start()
        writer.join()
        during = connection.execute(notes).scalar_one()

    assert (before, during) == (0, 0)
    assert len(list_notes(store, pack.id)) == 1


def test_writers_wait_for_each_other(store, pack):
    def write_some() -> None:
        for number in range(10):
            add_note(store, pack.id, number, "one of many")

    writers = [threading.Thread(target=write_some) for _ in range(4)]
    for writer in writers:
        writer.start()
    for writer in writers:
        writer.join()

    assert len(list_notes(store, pack.id)) == 40


def test_a_wait_for_another_program_is_told(store, pack, monkeypatch, caplog):
    monkeypatch.setattr(patience, "MOMENT_S", 0.1)
    add_note(store, pack.id, 0, "at once")
    assert caplog.text == ""
    waiter = threading.Thread(target=add_note, args=(store, pack.id, 0, "later"))
    with store.writing():
        waiter.start()
        waiter.join(1.0)
        assert "another program holds the logbook" in caplog.text
    waiter.join()

    assert [note.text for note in list_notes(store, pack.id)] == ["at once", "later"]


HOLD = """
import sqlite3, sys
held = sqlite3.connect(sys.argv[1], isolation_level=None)
held.execute("BEGIN EXCLUSIVE")
print("held", flush=True)
sys.stdin.readline()
held.execute("COMMIT")
held.close()
"""


@pytest.fixture
def held_elsewhere(store, pack):
    """A logbook without a write-ahead log, as a restore leaves it, that another program holds until it is told to stop."""
    add_note(store, pack.id, 0, "before")
    dialect.close_for_good(store.engine)
    words = [sys.executable, "-c", HOLD, str(store.path)]
    with subprocess.Popen(words, stdin=subprocess.PIPE, stdout=subprocess.PIPE, text=True) as holding:
        assert holding.stdout.readline() == "held\n"
        yield store, holding.stdin
        if not holding.stdin.closed:
            holding.stdin.close()


def test_a_restored_logbook_that_another_program_holds_is_waited_for_in_plain_words(
    held_elsewhere, monkeypatch, caplog
):
    store, holder = held_elsewhere
    monkeypatch.setattr(patience, "MOMENT_S", 0.1)
    notes = []

    def look() -> None:
        with open_store(str(store.path)) as other:
            notes.extend(list_notes(other, 1))

    looking = threading.Thread(target=look)
    looking.start()
    looking.join(2.0)
    assert looking.is_alive()
    assert "another program holds the logbook" in caplog.text
    holder.close()
    looking.join()

    assert [note.text for note in notes] == ["before"]


def test_a_restored_logbook_that_another_program_goes_on_holding_is_busy(held_elsewhere, monkeypatch):
    store, _holder = held_elsewhere
    monkeypatch.setattr(dialect, "BUSY_TIMEOUT_MS", 50)

    with pytest.raises(CannotWrite, match="busy"):
        open_store(str(store.path))


@pytest.mark.skipif(sys.platform == "win32", reason="a program there cannot be sent Ctrl-C alone")
def test_a_wait_can_be_broken_off(tmp_path):
    """By Ctrl-C, which a wait of the database's own would not hear."""
    path = tmp_path / "logbook.sqlite3"
    with open_store(str(path)) as store:
        add_pack(store, name="House", rated_ah=100, cells_in_series=4)
        with store.writing():
            words = [sys.executable, "-m", "logbook", "--db", str(path), "--no-input", "note", "add", "later"]
            waiting = subprocess.Popen(words, stderr=subprocess.PIPE, stdout=subprocess.DEVNULL, text=True)
            assert "another program holds the logbook" in waiting.stderr.readline()
            waiting.send_signal(signal.SIGINT)
            _, said = waiting.communicate(timeout=60)

        assert waiting.returncode == 130, said
        assert list_notes(store, 1) == []


def test_a_path_longer_than_any_system_knows_is_told(tmp_path):
    with pytest.raises(CannotWrite, match="too long"):
        open_store(str(tmp_path / "/".join(["y"] * 2000)))


@pytest.mark.parametrize("statement", ["DROP TABLE note", "ALTER TABLE note DROP COLUMN text"])
def test_a_logbook_whose_tables_are_not_its_own_is_told_to_be_restored(store, pack, statement):
    with store.writing() as connection:
        connection.exec_driver_sql(statement)

    with pytest.raises(BadConfiguration, match="gone") as told:
        list_notes(store, pack.id)
    assert "backup" in told.value.mend


@pytest.mark.parametrize(("free", "words"), [(0, "disk is full"), (1 << 30, "disk reports an error")])
def test_a_disk_without_room_for_a_logs_index_is_told_to_be_full(store, monkeypatch, free, words):
    """SQLite calls it an error of the disk."""
    room = shutil.disk_usage(store.path.parent)._replace(free=free)
    monkeypatch.setattr(shutil, "disk_usage", lambda _path: room)

    with pytest.raises(CannotWrite, match=words), store.reading():
        raise dialect.ERRORS[1]("disk I/O error", status_code=AdbcStatusCode.IO)
