"""Several programs at one logbook: real processes, none of which may fail, lose what another wrote, or answer stale."""

from __future__ import annotations

import multiprocessing
import os
import sys
from contextlib import contextmanager
from typing import TYPE_CHECKING

import pytest

from logbook.cli import main
from logbook.jobs.check import check
from logbook.jobs.health import health
from logbook.jobs.refresh import rebuild, refresh
from logbook.store import (
    add_note,
    add_pack,
    commit_import,
    edit_pack,
    list_imports,
    list_notes,
    list_packs,
    open_store,
    pack_named,
    read_readings,
    stale_ranges,
    undo_import,
)
from tests.bench.kills import write_file
from tests.bench.logs import day_of, recording_of
from tests.store.recordings import assert_same

if TYPE_CHECKING:
    from pathlib import Path

CONTEXT = multiprocessing.get_context("spawn" if sys.platform == "win32" else "forkserver")
LONGEST_S = 120
INTERVAL_S = 20


def command(words: list[str], said: Path, start) -> None:
    """One command of the program, begun together with others."""
    os.dup2(os.open(said, os.O_WRONLY | os.O_CREAT, 0o600), 2)
    start.wait(LONGEST_S)
    main(words)


def together(folder: Path, *commands: tuple[str, ...]) -> None:
    """Run commands at the same time; each must end well."""
    start, running = CONTEXT.Barrier(len(commands)), []
    for number, words in enumerate(commands):
        said = folder / f"said-{number}"
        spoken = ["--db", str(folder / "logbook.sqlite3"), "--no-input", *map(str, words)]
        process = CONTEXT.Process(target=command, args=(spoken, said, start), daemon=True)
        process.start()
        running.append((process, said, words))
    for process, said, words in running:
        process.join(LONGEST_S)
        assert process.exitcode == 0, f"{words} ended with {process.exitcode}: {said.read_text()}"


def taking(path: Path, pack: str = "House") -> tuple[str, ...]:
    return ("import", str(path), "--pack", pack, "--timezone", "UTC", "--positive", "charge")


@pytest.fixture
def folder(tmp_path):
    """A logbook with two packs, one day of readings in the first, and two files that overlap that day and each other."""
    with open_store(str(tmp_path / "logbook.sqlite3")) as store:
        for name in ("House", "Spare"):
            add_pack(store, name=name, rated_ah=100, cells_in_series=4)
        commit_import(store, list_packs(store)[0], recording_of(day_of(0, INTERVAL_S)), None)
    write_file(tmp_path / "a.csv", 0, 3, INTERVAL_S)
    write_file(tmp_path / "b.csv", 2, 3, INTERVAL_S)
    return tmp_path


@contextmanager
def opened(folder):
    with open_store(str(folder / "logbook.sqlite3")) as store:
        yield store


def assert_sound_and_up_to_date(store) -> None:
    for pack in list_packs(store):
        answered = health(store, pack)
        assert stale_ranges(store, pack.id) == []
        rebuild(store, pack)
        assert health(store, pack) == answered
    assert check(store) == []


def test_one_file_brought_by_three_programs_at_once_is_in_once(folder):
    together(folder, *[taking(folder / "a.csv")] * 3)

    with opened(folder) as store:
        assert [row.file_name for row in list_imports(store)][1:] == ["a.csv"]
        assert health(store, pack_named(store, "House")).readings.count == 3 * 86_400 // INTERVAL_S
        assert_sound_and_up_to_date(store)


def test_files_that_overlap_brought_at_once_give_what_one_after_the_other_gives(folder, new_store):
    together(folder, taking(folder / "a.csv"), taking(folder / "b.csv"))

    one_by_one = new_store()
    pack = add_pack(one_by_one, name="House", rated_ah=100, cells_in_series=4)
    for number in range(5):
        commit_import(one_by_one, pack, recording_of(day_of(number, INTERVAL_S)), None)
    with opened(folder) as store:
        assert len(list_imports(store)) == 3
        assert_same(read_readings(store, pack.id), read_readings(one_by_one, pack.id))
        assert health(store, pack).cycles == health(one_by_one, pack).cycles
        assert_sound_and_up_to_date(store)


def test_imports_into_two_packs_at_once_are_both_in(folder):
    together(folder, taking(folder / "a.csv"), taking(folder / "b.csv", "Spare"), taking(folder / "a.csv", "Spare"))

    with opened(folder) as store:
        counts = {pack.name: health(store, pack).readings.count for pack in list_packs(store)}
        assert counts == {"House": 3 * 86_400 // INTERVAL_S, "Spare": 5 * 86_400 // INTERVAL_S}
        assert_sound_and_up_to_date(store)


def test_answers_asked_for_by_several_programs_during_an_import_leave_nothing_stale(folder):
    together(folder, taking(folder / "a.csv"), *[("health", "House")] * 3, ("rebuild",), ("check",), ("imports",))

    with opened(folder) as store:
        assert_sound_and_up_to_date(store)


def test_undo_and_import_and_backup_at_once(folder):
    together(folder, taking(folder / "b.csv"), ("undo", "1", "--yes"), ("backup", folder / "backups"))

    with opened(folder) as store:
        assert [row.file_name for row in list_imports(store)] == ["b.csv"]
        assert_sound_and_up_to_date(store)
    (copy,) = (folder / "backups").glob("*.sqlite3")
    with open_store(str(copy)) as store:
        assert check(store) == []


def test_a_new_logbook_opened_by_several_programs_at_once_is_made_once(tmp_path):
    adding = [("pack", "add", f"Pack {number}", "--rated-ah", "100", "--cells", "4") for number in range(4)]

    together(tmp_path, *adding)

    with opened(tmp_path) as store:
        assert sorted(pack.name for pack in list_packs(store)) == [f"Pack {number}" for number in range(4)]


def watch(path: str, stop, pipe) -> None:
    """A dashboard: asks for the answer again and again, and tells every count of readings it was given."""
    seen = []
    with open_store(path) as store:
        pack = pack_named(store, "House")
        pipe.send("ready")
        while not stop.is_set():
            count = health(store, pack).readings.count
            if not seen or seen[-1] != count:
                seen.append(count)
        seen.append(health(store, pack).readings.count)
    pipe.send(seen)


def test_two_dashboards_see_each_state_whole_and_end_with_the_last(folder):
    """What a reader is told is the logbook before an import or after it, never a mixture, and at last the newest."""
    day = 86_400 // INTERVAL_S
    stop, watching = CONTEXT.Event(), []
    for _ in range(2):
        here, there = CONTEXT.Pipe()
        process = CONTEXT.Process(target=watch, args=(str(folder / "logbook.sqlite3"), stop, there), daemon=True)
        process.start()
        watching.append((process, here))
    for _, here in watching:
        assert here.poll(LONGEST_S)
        here.recv()

    with opened(folder) as store:
        pack = pack_named(store, "House")
        for number in range(1, 6):
            commit_import(store, pack, recording_of(day_of(number, INTERVAL_S)), None)
            refresh(store, pack)
        undo_import(store, 4)
    stop.set()
    for process, here in watching:
        assert here.poll(LONGEST_S)
        seen = here.recv()
        process.join(LONGEST_S)
        assert process.exitcode == 0
        assert set(seen) <= {number * day for number in range(1, 7)}
        assert seen[-1] == 5 * day
    with opened(folder) as store:
        assert_sound_and_up_to_date(store)


def write(path: str, worker: int, times: int) -> None:
    """Add notes and change a limit of one's own, as fast as it goes."""
    limits = ("flag_standby_a", "flag_cutoffs", "flag_logged_percent")
    with open_store(path) as store:
        for number in range(times):
            add_note(store, 1, number, f"{worker}-{number}")
            edit_pack(store, "House", limits={limits[worker]: 1.0 + number})


def test_no_update_is_lost_between_programs_that_write_at_once(folder):
    path = str(folder / "logbook.sqlite3")

    with CONTEXT.Pool(3) as pool:
        pool.starmap(write, [(path, worker, 20) for worker in range(3)], chunksize=1)

    with opened(folder) as store:
        notes = {note.text for note in list_notes(store, 1)}
        limits = pack_named(store, "House").limits
    assert notes == {f"{worker}-{number}" for worker in range(3) for number in range(20)}
    assert (limits.flag_standby_a, limits.flag_cutoffs, limits.flag_logged_percent) == (20.0, 20.0, 20.0)
