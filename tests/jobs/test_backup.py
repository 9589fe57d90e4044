from __future__ import annotations

import os
import stat
import subprocess
import sys
import threading
import time
from datetime import UTC, datetime
from pathlib import Path

import pytest

from logbook.errors import BadConfiguration, CannotWrite, InputMissing
from logbook.jobs.backup import back_up, newest_backup, restore
from logbook.jobs.health import health
from logbook.settings import database_url
from logbook.store import add_note, commit_import, list_imports, list_notes, migrate, open_store, originals, undo_import
from logbook.store.engine import migration_engine
from logbook.store.unfinished import LOCK_FILE, alone_in, by_file, by_folder
from tests.store.recordings import START_MS, content, drawn, readings_at, recording_of

NOW = datetime(2025, 6, 1, 12, 30, tzinfo=UTC)


@pytest.fixture
def filled(store, pack, rng, tmp_path):
    path = tmp_path / "trip.csv"
    path.write_bytes(b"trip.csv")
    commit_import(store, pack, recording_of(drawn(rng, 500), "trip.csv"), path)
    health(store, pack)
    return store


def test_a_backup_is_the_logbook_of_that_moment_with_its_originals(filled, pack, tmp_path):
    before = content(filled)

    made = back_up(filled, tmp_path / "backups", now=NOW)
    add_note(filled, pack.id, 0, "later")

    assert made.path.name == "logbook-20250601T123000Z.sqlite3"
    assert (made.readings, made.packs, made.originals) == (500, 1, 1)
    with open_store(str(made.path)) as copy:
        assert content(copy) == before
    assert [path.name for path in made.path.parent.iterdir() if "part" in path.name] == []


def test_a_second_backup_within_a_second_is_the_newer_one(filled, pack, tmp_path):
    first = back_up(filled, tmp_path / "backups", now=NOW)
    add_note(filled, pack.id, 0, "later")

    second = back_up(filled, tmp_path / "backups", now=NOW)

    assert first.path.name == "logbook-20250601T123000Z.sqlite3"
    assert newest_backup(tmp_path / "backups") == second.path
    with open_store(str(first.path)) as copy:
        assert list_notes(copy, pack.id) == []


def test_numbers_given_go_on_after_a_backup_is_restored(filled, pack, tmp_path):
    undo_import(
        filled, commit_import(filled, pack, recording_of(readings_at([0], voltage_v=1.0), "b.csv"), None).import_id
    )
    made = back_up(filled, tmp_path / "backups")
    filled.close()

    restore(made.path, str(filled.path))

    with open_store(str(filled.path)) as store:
        assert commit_import(store, pack, recording_of(readings_at([0], voltage_v=1.0), "c.csv"), None).import_id == 3


def test_what_a_killed_restore_left_is_not_played_into_the_next(filled, tmp_path):
    """A write-ahead file of another copy beside it would change what is restored."""
    made = back_up(filled, tmp_path / "backups", now=NOW)
    before = content(filled)
    filled.close()
    for end in ("", "-wal", "-shm"):
        filled.path.with_name(f"{filled.path.name}.restoring{end}").write_bytes(b"left" * 5000)

    restore(made.path, str(filled.path), now=NOW)

    with open_store(str(filled.path)) as store:
        assert content(store) == before
    assert [path.name for path in filled.path.parent.iterdir() if "restoring" in path.name] == []


def test_a_name_a_killed_restore_gave_the_living_logbook_is_taken_back(filled, tmp_path):
    """Two names of one living database would have two write-ahead files."""
    made = back_up(filled, tmp_path / "backups", now=NOW)
    filled.close()
    second_name = filled.path.with_name(f"{filled.path.name}.replaced-20250101T000000Z")
    second_name.hardlink_to(filled.path)

    former = restore(made.path, str(filled.path), now=NOW)

    assert not second_name.exists()
    assert former.exists()


def test_unfinished_files_of_killed_programs_go_but_not_those_of_living_ones(filled, tmp_path):
    folder = tmp_path / "backups"
    folder.mkdir()
    dead, living = (folder / f"logbook-{name}Z.sqlite3.part" for name in ("20200101T000000", "20250601T122959"))
    for path in (dead, living):
        path.write_bytes(b"half")
    os.utime(dead, (0, 0))

    back_up(filled, folder, now=NOW)

    assert not dead.exists()
    assert living.exists()


def test_a_backup_is_private(filled, tmp_path):
    made = back_up(filled, tmp_path / "backups", now=NOW)

    assert stat.S_IMODE(made.path.stat().st_mode) == 0o600
    assert stat.S_IMODE(made.path.parent.stat().st_mode) == 0o700


def test_a_backup_can_be_made_while_the_logbook_is_written(filled, pack, tmp_path):
    stop = threading.Event()
    written: list[int] = []

    def write() -> None:
        while not stop.is_set():
            add_note(filled, pack.id, len(written), "busy")
            written.append(1)

    writer = threading.Thread(target=write)
    writer.start()
    made = back_up(filled, tmp_path / "backups", now=NOW)
    stop.set()
    writer.join()

    with open_store(str(made.path)) as copy:
        assert len(list_notes(copy, pack.id)) <= len(written)


def test_restoring_gives_back_the_same_content_and_keeps_the_former_logbook(filled, pack, tmp_path):
    made = back_up(filled, tmp_path / "backups", now=NOW)
    before = content(filled)
    add_note(filled, pack.id, 0, "written after the backup")
    after = content(filled)
    filled.close()

    former = restore(made.path, str(filled.path), now=NOW)

    with open_store(str(filled.path)) as store:
        assert content(store) == before
    with open_store(str(former)) as store:
        assert content(store) == after


def test_restoring_where_nothing_is_makes_the_logbook_with_its_originals(filled, tmp_path):
    made = back_up(filled, tmp_path / "backups", now=NOW)

    former = restore(made.path, str(tmp_path / "elsewhere" / "logbook.sqlite3"), now=NOW)

    assert former is None
    with open_store(str(tmp_path / "elsewhere" / "logbook.sqlite3")) as store:
        assert content(store) == content(filled)
        assert originals.is_sound(store.originals_folder, list_imports(store)[0].sha256)


def test_a_damaged_backup_is_refused_and_the_logbook_stays(filled, tmp_path):
    made = back_up(filled, tmp_path / "backups", now=NOW)
    size = made.path.stat().st_size
    with made.path.open("r+b") as file:
        file.seek(size // 2)
        file.write(b"\xff" * 40_000)
    before = content(filled)
    filled.close()

    with pytest.raises(BadConfiguration, match="damaged"):
        restore(made.path, str(filled.path), now=NOW)

    assert content(filled) == before


@pytest.mark.parametrize("found", [b"", b"x", b"no backup at all\n" * 100])
def test_a_file_that_holds_no_logbook_is_no_backup(filled, tmp_path, found):
    (tmp_path / "lost.sqlite3").write_bytes(found)
    before = content(filled)
    filled.close()

    with pytest.raises(BadConfiguration, match=r"(not a|no) logbook") as refused:
        restore(tmp_path / "lost.sqlite3", str(filled.path), now=NOW)

    assert refused.value.where == str(tmp_path / "lost.sqlite3")
    assert content(filled) == before
    assert [path.name for path in filled.path.parent.iterdir() if "re" in path.suffix] == []


def test_a_logbook_that_is_in_use_is_not_replaced(filled, pack, tmp_path):
    made = back_up(filled, tmp_path / "backups", now=NOW)
    before = content(filled)

    with pytest.raises(CannotWrite, match="open in another program"):
        restore(made.path, str(filled.path), now=NOW)

    add_note(filled, pack.id, 0, "still in use")
    assert content(filled, without=("note",)) == {name: rows for name, rows in before.items() if name != "note"}


def test_a_backup_of_an_older_version_is_restored_and_brought_up_to_date(filled, pack, tmp_path):
    add_note(filled, pack.id, START_MS, "lost with the old tables")
    made = back_up(filled, tmp_path / "backups", now=NOW)
    with migration_engine(str(made.path)).begin() as connection:
        migrate.downgrade(connection, "0005")
    filled.close()

    restore(made.path, str(filled.path), now=NOW)

    with open_store(str(filled.path)) as store:
        assert len(list_imports(store)) == 1
    assert [path.name for path in filled.path.parent.iterdir() if "restoring" in path.name] == []


def test_a_logbook_stands_at_its_place_at_every_moment_of_a_restore(filled, tmp_path, monkeypatch):
    made = back_up(filled, tmp_path / "backups", now=NOW)
    filled.close()
    replace, stood = Path.replace, []

    def watched(self, target):
        moved = replace(self, target)
        stood.append(filled.path.exists())
        return moved

    monkeypatch.setattr(Path, "replace", watched)
    former = restore(made.path, str(filled.path), now=NOW)

    assert former.exists()
    assert stood
    assert all(stood)


def test_a_backup_that_is_not_there_is_named(tmp_path):
    with pytest.raises(InputMissing, match="no such backup"):
        restore(tmp_path / "none.sqlite3", str(tmp_path / "logbook.sqlite3"))


def test_a_folder_that_cannot_be_written_is_named(filled, tmp_path):
    (tmp_path / "file").write_text("in the way")

    with pytest.raises(CannotWrite, match="cannot be written"):
        back_up(filled, tmp_path / "file")


def test_later_backups_copy_only_new_originals(filled, pack, tmp_path):
    back_up(filled, tmp_path / "backups", now=NOW)
    (kept,) = (tmp_path / "backups" / "originals").rglob("*.zst")
    first = kept.stat().st_mtime_ns
    path = tmp_path / "more.csv"
    path.write_bytes(b"more.csv")
    commit_import(filled, pack, recording_of(readings_at([START_MS - 1], voltage_v=13.0), "more.csv"), path)

    made = back_up(filled, tmp_path / "backups", now=NOW.replace(hour=13))

    assert made.originals == 2
    assert kept.stat().st_mtime_ns == first


@pytest.mark.parametrize(
    "name", ["a?b", "a%41b", "%00", "?mode=memory", "a#b", "new\nline", "a b;&'\"", "\u202e-x", "ü🔋"]
)
def test_a_folder_of_any_name_takes_a_backup_and_a_restored_logbook(filled, pack, tmp_path, name):
    before = content(filled)

    made = back_up(filled, tmp_path / name / "backups", now=NOW)

    target = tmp_path / name / f"{name}.sqlite3"
    for former in (False, True):
        moved = restore(made.path, database_url(str(target)), now=NOW)
        assert (moved is not None) is former
    with open_store(database_url(str(target))) as store:
        assert content(store) == before
    left = {path.name for path in target.parent.iterdir() if "restoring" in path.name or path.name.endswith(".part")}
    assert left == set()


def at_once(*jobs):
    """Run them together; gives what each returned or raised."""
    found = [None] * len(jobs)

    def run(place):
        try:
            found[place] = jobs[place]()
        except CannotWrite as error:
            found[place] = error

    threads = [threading.Thread(target=run, args=(place,)) for place in range(len(jobs))]
    for thread in threads:
        thread.start()
    for thread in threads:
        thread.join()
    return found


def test_backups_into_one_folder_at_once_are_all_whole(filled, tmp_path):
    before = content(filled)

    made = at_once(*[lambda: back_up(filled, tmp_path / "backups", now=NOW)] * 3)

    assert len({each.path.name for each in made}) == 3
    for each in made:
        with open_store(str(each.path)) as copy:
            assert content(copy) == before


def test_restores_at_once_come_one_after_the_other(filled, tmp_path):
    before, url = content(filled), str(filled.path)
    made = back_up(filled, tmp_path / "backups", now=NOW)
    filled.close()

    former = at_once(*[lambda: restore(made.path, url, now=NOW)] * 3)

    assert len(set(former)) == 3
    with open_store(url) as store:
        assert content(store) == before
    left = {path.name for path in filled.path.parent.iterdir() if path.is_file()}
    assert left - {f"{filled.path.name}-wal", f"{filled.path.name}-shm"} == {
        filled.path.name,
        *(path.name for path in former),
    }


LOCKS = [by_file] if sys.platform == "win32" else [by_file, by_folder]


@pytest.mark.parametrize("lock_by", LOCKS)
def test_who_waits_too_long_for_another_restore_is_told(tmp_path, lock_by):
    with (
        alone_in(tmp_path, lock_by=lock_by),
        pytest.raises(CannotWrite, match="another backup or restore"),
        alone_in(tmp_path, patience_s=0.2, lock_by=lock_by),
    ):
        pass
    with alone_in(tmp_path, patience_s=0.0, lock_by=lock_by):
        pass


@pytest.mark.parametrize("lock_by", LOCKS)
def test_a_folder_is_held_against_another_program_until_that_is_killed(tmp_path, lock_by):
    words = f"with unfinished.alone_in(Path({str(tmp_path)!r}), lock_by=unfinished.{lock_by.__name__}): print(flush=True); input()"
    code = f"from pathlib import Path; from logbook.store import unfinished\n{words}"
    with subprocess.Popen([sys.executable, "-c", code], stdin=subprocess.PIPE, stdout=subprocess.PIPE) as other:
        assert other.stdout.readline()
        with pytest.raises(CannotWrite), alone_in(tmp_path, patience_s=0.0, lock_by=lock_by):
            pass
        other.kill()
        other.wait()

        with alone_in(tmp_path, patience_s=5.0, lock_by=lock_by):
            assert {path.name for path in tmp_path.iterdir()} <= {LOCK_FILE}


@pytest.mark.parametrize("lock_by", LOCKS)
def test_many_come_one_after_the_other(tmp_path, lock_by):
    inside, most, times = [], [], []

    def stay():
        with alone_in(tmp_path, lock_by=lock_by):
            inside.append(1)
            most.append(len(inside))
            time.sleep(0.01)
            inside.pop()
            times.append(1)

    threads = [threading.Thread(target=stay) for _ in range(6)]
    for thread in threads:
        thread.start()
    for thread in threads:
        thread.join()

    assert most == [1] * 6
    assert len(times) == 6


def test_kept_files_that_are_gone_are_counted(filled, tmp_path):
    (row,) = list_imports(filled)
    (filled.originals_folder / row.original).unlink()

    made = back_up(filled, tmp_path / "backups", now=NOW)

    assert (made.originals, made.gone) == (0, 1)


def test_a_logbook_behind_a_link_is_restored_and_the_former_one_kept(filled, pack, tmp_path):
    before = content(filled)
    made = back_up(filled, tmp_path / "backups", now=NOW)
    add_note(filled, pack.id, 0, "later")
    filled.close()
    link = tmp_path / "link.sqlite3"
    link.symlink_to(filled.path)

    former = restore(made.path, str(link), now=NOW)

    with open_store(str(link)) as store:
        assert content(store) == before
    with open_store(str(former)) as store:
        assert [note.text for note in list_notes(store, pack.id)] == ["later"]


@pytest.mark.skipif(sys.platform == "win32", reason="names of files are no bytes there")
def test_a_folder_whose_name_is_no_utf8_is_told(filled, tmp_path):
    with pytest.raises(CannotWrite, match="UTF-8"):
        back_up(filled, tmp_path / "\udcff", now=NOW)
    assert list(tmp_path.glob("*backups*")) == []
