"""What laptops do to a logbook: full disks, folders that cannot be written, torn files, clocks that jump."""

from __future__ import annotations

import os
import shutil
import subprocess
import sys
from contextlib import contextmanager
from pathlib import Path

import pytest
from freezegun import freeze_time

from logbook.jobs.backup import back_up
from logbook.jobs.check import check
from logbook.jobs.health import health
from logbook.jobs.undo import undo
from logbook.store import commit_import, list_imports, open_store
from tests.bench.kills import CASES, DATABASE, Bench, completed, facts, facts_of, killed
from tests.store.recordings import DAY_MS, START_MS, content, drawn, recording_of

pytestmark = pytest.mark.skipif(sys.platform == "win32", reason="limits and rights of POSIX systems")

CANNOT_WRITE = 73
INTERVAL_S = 300


@pytest.fixture(scope="module")
def benches(tmp_path_factory):
    """Each command with its logbook before and after, made once."""
    made = {}

    def bench(case):
        if case.name not in made:
            made[case.name] = Bench(case, tmp_path_factory.mktemp(case.name), INTERVAL_S)
        return made[case.name]

    return bench


def assert_told_and_nothing_lost(bench, folder, ended) -> None:
    """It was done, or a sentence says why not; either way the logbook holds all or nothing and is sound."""
    assert ended.code in {0, CANNOT_WRITE}, ended.said
    assert "should not happen" not in ended.said
    assert ended.code == 0 or "Error: " in ended.said
    assert_sound(bench, folder)


def assert_sound(bench, folder) -> None:
    with open_store(str(folder / DATABASE)) as store:
        assert facts(store) in (bench.before, bench.after)
        assert check(store) == [] or not bench.case.sound


@pytest.mark.parametrize("case", CASES, ids=lambda case: case.name)
def test_a_file_that_may_not_grow_is_told_and_nothing_is_lost(benches, case, tmp_path):
    """The system refuses to let any file grow beyond a limit, as on a full disk or with a quota."""
    bench, codes = benches(case), []
    size = (bench.start / DATABASE).stat().st_size
    for number, limit in enumerate((4096, size // 3, size + 4096, size + size // 4)):
        folder = Path(shutil.copytree(bench.start, tmp_path / str(number)))

        ended = completed(folder, case.words, file_limit=limit)

        codes.append(ended.code)
        assert_told_and_nothing_lost(bench, folder, ended)
        assert completed(folder, case.words).code in case.codes
        assert facts_of(folder / DATABASE) == bench.after
        with open_store(str(folder / DATABASE)) as store:
            assert check(store) == []
    assert CANNOT_WRITE in codes


@contextmanager
def small_disk(folder: Path, size: int):
    """A file system of so many bytes, and True; where only root may mount one, a plain folder and False."""
    folder.mkdir()
    mounted = subprocess.run(
        ["mount", "-t", "tmpfs", "-o", f"size={size}", "tmpfs", folder], check=False, capture_output=True
    )
    if mounted.returncode:
        yield folder, False
        return
    try:
        yield folder, True
    finally:
        subprocess.run(["umount", "-l", folder], check=True)


@pytest.mark.parametrize("case", CASES, ids=lambda case: case.name)
def test_a_full_disk_is_told_and_nothing_is_lost(benches, case, tmp_path):
    bench, codes = benches(case), []
    held = sum(path.stat().st_size + 8192 for path in bench.start.rglob("*"))
    for number, (room, limit) in enumerate(((4096, 4096), (30_000, 4096), (300_000, held + 300_000))):
        with small_disk(tmp_path / str(number), held + room) as (disk, is_small):
            folder = Path(shutil.copytree(bench.start, disk / "logbook"))

            ended = completed(folder, case.words, file_limit=None if is_small else limit)

            codes.append(ended.code)
            after = Path(shutil.copytree(folder, tmp_path / f"after-{number}"))
        assert_told_and_nothing_lost(bench, after, ended)
    assert CANNOT_WRITE in codes


def run_without_rights(folder: Path, *words: str) -> subprocess.CompletedProcess:
    """Run a command as somebody whom permissions bind, which they do not root."""
    command = [sys.executable, "-m", "logbook", "--db", folder / DATABASE, "--no-input", *words]
    if os.geteuid() == 0:
        if not shutil.which("setpriv"):
            pytest.fail("root may write everywhere; install util-linux for setpriv, which gives that up")
        rights = "-dac_override,-dac_read_search"
        command = ["setpriv", f"--bounding-set={rights}", f"--inh-caps={rights}", *command]
    return subprocess.run(command, check=False, capture_output=True, text=True, cwd=Path(__file__).parents[2])


@pytest.mark.parametrize("what", ["folder", "file"])
def test_a_logbook_that_cannot_be_written_says_so_and_stays(benches, tmp_path, what):
    bench = benches(CASES[0])
    folder = Path(shutil.copytree(bench.start, tmp_path / "logbook"))
    before = (folder / DATABASE).read_bytes()
    target = folder if what == "folder" else folder / DATABASE
    target.chmod(0o555 if what == "folder" else 0o444)
    try:
        done = run_without_rights(folder, *(word.format(folder=folder) for word in CASES[0].words))
    finally:
        target.chmod(0o755 if what == "folder" else 0o644)

    assert done.returncode == CANNOT_WRITE, done.stderr
    assert "Traceback" not in done.stderr
    assert DATABASE in done.stderr
    assert (folder / DATABASE).read_bytes() == before
    assert_sound(bench, folder)


@pytest.mark.parametrize("what", ["folder", "file"])
@pytest.mark.parametrize(
    "words",
    [
        ("health", "House"),
        ("pack", "list"),
        ("note", "list"),
        ("imports",),
        ("check",),
        ("backup", "{other}/backups"),
        ("export", "{other}/out"),
    ],
    ids=lambda words: words[0],
)
def test_a_logbook_that_cannot_be_written_can_be_read_and_backed_up(benches, tmp_path, what, words):
    bench = benches(CASES[0])
    folder = Path(shutil.copytree(bench.start, tmp_path / "logbook"))
    facts_of(folder / DATABASE)  # folds the write-ahead file in
    before = {path.name: path.read_bytes() for path in folder.iterdir() if path.is_file()}
    target = folder if what == "folder" else folder / DATABASE
    target.chmod(0o555 if what == "folder" else 0o444)
    try:
        done = run_without_rights(folder, *(word.format(other=tmp_path) for word in words))
    finally:
        target.chmod(0o755 if what == "folder" else 0o644)

    assert done.returncode == 0, done.stderr
    assert {path.name: path.read_bytes() for path in folder.iterdir() if path.is_file()} == before
    for copy in (tmp_path / "backups").glob("*.sqlite3"):
        assert facts_of(copy) == bench.before


def test_a_torn_write_ahead_file_loses_whole_transactions_at_the_most(benches, tmp_path, rng):
    """Killed when the import had landed but was not folded into the database yet, then torn as by a power cut."""
    bench = benches(CASES[0])
    whole = Path(shutil.copytree(bench.start, tmp_path / "whole"))
    assert killed(whole, bench.case, step=bench.steps - 5, after_s=0)
    size = (whole / f"{DATABASE}-wal").stat().st_size
    assert size > 100_000
    seen = set()
    for number in range(12):
        folder = Path(shutil.copytree(whole, tmp_path / str(number)))
        with (folder / f"{DATABASE}-wal").open("r+b") as wal:
            place = int(rng.integers(0, size)) if number else size - 1
            if number % 2:
                wal.seek(place)
                wal.write(rng.bytes(min(4096, size - place)))
            else:
                wal.truncate(place)

        assert_sound(bench, folder)
        seen.add(facts_of(folder / DATABASE) == bench.after)

    assert seen == {True, False}


def test_a_clock_set_back_loses_nothing(store, pack, rng, tmp_path):
    with freeze_time("2030-05-01T12:00:00Z"):
        commit_import(store, pack, recording_of(drawn(rng, 300), "a.csv"), None)
        back_up(store, tmp_path / "backups")
        before = content(store), health(store, pack)
    with freeze_time("2020-05-01T12:00:00Z"):
        later = drawn(rng, 300, start_ms=START_MS + DAY_MS)
        second = commit_import(store, pack, recording_of(later, "b.csv"), None)
        both = health(store, pack)
        made = back_up(store, tmp_path / "backups")

        assert [row.id for row in list_imports(store)] == [1, 2]
        assert both.readings.count == 600
        assert check(store) == []
        assert facts_of(made.path) == facts(store)
        undo(store, second.import_id)
        assert health(store, pack) == before[1]

    assert len(list((tmp_path / "backups").glob("*.sqlite3"))) == 2
