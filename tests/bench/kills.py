"""Kills: real processes killed (SIGKILL) in the middle of a command, at a boundary of its statements or at any moment.

After each kill the logbook must open, pass `logbook check`, hold all of what the command does or nothing of it, and
the same command must then complete. Boundaries are those of every statement sent to the database and of every file
opened, renamed, linked or removed beside it.
"""

from __future__ import annotations

import itertools
import multiprocessing
import os
import re
import shutil
import signal
import sys
import tempfile
import time
from dataclasses import dataclass, replace
from pathlib import Path
from typing import TYPE_CHECKING, Any

import numpy as np
import sqlalchemy as sa

from logbook.cli import main
from logbook.jobs import (  # noqa: F401 - some for the children alone
    backup,
    check,
    comparison,
    demo,
    era,
    export,
    health,
    import_files,
    refresh,
    undo,
)
from logbook.store import adbc, add_note, add_pack, commit_import, migrate, models, open_store
from logbook.store.engine import migration_engine
from tests.bench.logs import day_of, recording_of

if TYPE_CHECKING:
    from collections.abc import Callable, Iterator, Sequence
    from multiprocessing.connection import Connection as Pipe

    from logbook.schema.reading import Readings
    from logbook.store import Store

    Facts = dict[str, list[tuple[Any, ...]]]

DATABASE = "logbook.sqlite3"
BACKUPS, EXPORT = "backups", "export"
OLD = "0004"
"""Revision the logbook to be upgraded begins at."""
VOLATILE = {
    "import": ("id", "pack_id", "sha256", "file_name"),
    "hour": (),
    "finding": (),
    "finding_kind": (),
    "stale": (),
    "digest_state": (),
    "answer": (),
}
"""Columns looked at where not all are: findings and answers are derived, and a later look makes them."""
LONGEST_S = 120
GONE = 65
"""`undo` of an import that is taken back already."""
THERE = 73
"""`export` into a folder that is there already."""
MOMENT = re.compile(r"\d{8}T\d{6}Z(-\d+)?")
"""Time in the name of a backup or of a logbook moved aside."""


@dataclass(frozen=True)
class Case:
    """One command, and the state it begins in."""

    name: str
    make: Callable[[Path, int], None]
    words: tuple[str, ...]
    codes: tuple[int, ...] = (0,)
    """What the command may end with once it is tried again."""
    sound: bool = True
    """Whether the logbook it begins with is."""
    stages: Callable[[Path], list[Facts]] | None = None
    """What the logbook may hold besides all and nothing, where the command lands piece by piece."""


@dataclass(frozen=True)
class Ended:
    """How a command ended that was not killed."""

    code: int
    steps: int
    """Boundaries it passed."""
    said: str
    """What it wrote to stderr."""
    took_s: float = 0.0


@dataclass(frozen=True)
class Kill:
    """One kill, and what was wrong after it."""

    case: str
    where: str
    landed: bool
    """Whether the process died of it; else the command was done before."""
    problems: tuple[str, ...]


def readings(number: int, interval_s: int) -> Readings:
    """One day of a pack in use."""
    return day_of(number, interval_s)


def write_file(path: Path, first_day: int, days: int, interval_s: int) -> None:
    """A file as a monitor writes it."""
    lines = ["Time,Voltage (V),Current (A),Temperature (°C),State of charge (%)"]
    for number in range(first_day, first_day + days):
        day = day_of(number, interval_s)
        times = np.datetime_as_string(day.ts_ms.astype("datetime64[ms]"), "s")
        columns = (day.voltage_v, day.current_a, day.temperature_c, day.soc_percent)
        lines += [",".join(map(str, row)) for row in zip(times, *columns, strict=True)]
    path.write_text("\n".join(lines) + "\n", "utf-8")


def held(folder: Path, interval_s: int) -> None:
    """A logbook of two days, the second brought by two imports, the first with its file kept, with its answers made."""
    with open_store(str(folder / DATABASE)) as store:
        pack = add_pack(store, name="House", rated_ah=100, cells_in_series=4)
        add_note(store, pack.id, 0, "cables changed")
        for number in range(2):
            recording = recording_of(readings(number, interval_s))
            original = folder / recording.receipt.file_name
            original.write_bytes(original.name.encode())  # what its hash is of
            commit_import(store, pack, recording, None if number else original)
        second = readings(1, 2 * interval_s)
        recording = recording_of(replace(second, temperature_c=np.full(len(second), np.nan)))
        commit_import(store, pack, replace(recording, receipt=replace(recording.receipt, sha256="0" * 64)), None)
        health.health(store, pack)
    write_file(folder / "trip.csv", 1, 2, interval_s)


def to_be_upgraded(folder: Path, interval_s: int) -> None:
    """The same as an older version left it."""
    held(folder, interval_s)
    with migration_engine(str(folder / DATABASE)).begin() as connection:
        migrate.downgrade(connection, OLD)


def to_be_restored(folder: Path, interval_s: int) -> None:
    """The same with a backup, and something written after it."""
    held(folder, interval_s)
    with open_store(str(folder / DATABASE)) as store:
        made = backup.back_up(store, folder / BACKUPS)
        made.path.rename(made.path.with_name("kept.sqlite3"))
        add_note(store, 1, 1, "written after the backup")


def damaged(folder: Path, interval_s: int) -> None:
    """The same with wrong rollups and findings."""
    held(folder, interval_s)
    with open_store(str(folder / DATABASE)) as store, store.writing() as connection:
        connection.execute(sa.update(models.rollup).values(n=models.rollup.c.n + 1))
        connection.execute(sa.update(models.finding).values(start_ms=models.finding.c.start_ms + 1))


def with_two_packs(folder: Path, interval_s: int) -> None:
    """The same with a pack that could take the place of the other."""
    held(folder, interval_s)
    with open_store(str(folder / DATABASE)) as store:
        add_pack(store, name="Spare", rated_ah=100, cells_in_series=4)


def empty(folder: Path, _interval_s: int) -> None:
    """A logbook that holds nothing yet."""
    open_store(str(folder / DATABASE)).close()


def demo_stages(folder: Path) -> list[Facts]:
    """What a logbook holds after each file of the sample data, and with each pack added before its first file."""
    found: list[Facts] = []
    with open_store(str(folder / DATABASE)) as store:
        demo.load_demo(store, lambda _done: found.append(facts(store)))
    packs = [stage["pack"] for stage in found]
    nothing = {name: list[Any]() for name in found[0] if name != "alembic_version"}
    return [{**stage, "pack": pack} for stage in [nothing, *found] for pack in [[], *packs]]


CASES = (
    Case(
        "import", held, ("import", "{folder}/trip.csv", "--pack", "House", "--timezone", "UTC", "--positive", "charge")
    ),
    Case("undo", held, ("undo", "2", "--yes"), codes=(0, GONE)),
    Case("rebuild", held, ("rebuild",)),
    Case("upgrade", to_be_upgraded, ("imports",)),
    Case("backup", held, ("backup", f"{{folder}}/{BACKUPS}")),
    Case("export", held, ("export", f"{{folder}}/{EXPORT}"), codes=(0, THERE)),
    Case("mend", damaged, ("check", "--mend"), sound=False),
    Case("swap", with_two_packs, ("pack", "swap", "House", "Spare", "--at", "2020-01-02")),
    Case("edit", held, ("pack", "edit", "House", "--rated-ah", "120")),
    Case("restore", to_be_restored, ("restore", f"{{folder}}/{BACKUPS}/kept.sqlite3", "--yes")),
)
LONG_CASES = (Case("demo", empty, ("demo", "--no-serve"), stages=demo_stages),)
"""Taken by the bench alone."""


TOUCHING = frozenset({"open", "os.rename", "os.remove", "os.link", "os.mkdir", "os.rmdir", "os.chmod", "os.truncate"})
"""What a program does to files beside the database, by the names of Python's audit events."""


class Tap:
    """Counts the boundaries a command passes, and kills the process at one of them."""

    def __init__(self, folder: Path, kill_at: int | None) -> None:
        self.folder, self.kill_at, self.count = str(folder), kill_at, 0

    def open(self) -> None:
        """Look at every statement and every file from now on."""
        for owner, name in (
            (adbc.Connection, "fetch_arrow"),
            (adbc.Connection, "ingest"),
            (adbc.Connection, "execute_many"),
            (adbc.Connection, "_end"),
            (adbc.Cursor, "executemany"),
        ):
            setattr(owner, name, self._before(getattr(owner, name)))
        sys.addaudithook(self._audit)

    def step(self) -> None:
        """Pass one boundary."""
        self.count += 1
        if self.count == self.kill_at:
            os.kill(os.getpid(), signal.SIGKILL)

    def _before(self, method: Callable[..., Any]) -> Callable[..., Any]:
        def stepped(*arguments: Any, **named: Any) -> Any:
            self.step()
            return method(*arguments, **named)

        return stepped

    def _audit(self, event: str, arguments: tuple[Any, ...]) -> None:
        if event in TOUCHING and str(arguments[0]).startswith(self.folder):
            self.step()


def victim(folder: str, words: tuple[str, ...], kill_at: int | None, file_limit: int | None, pipe: Pipe) -> None:
    """Run one command of the program in this process, which is there to be killed."""
    if file_limit is not None:
        import resource  # noqa: PLC0415 - not on every system

        resource.setrlimit(resource.RLIMIT_FSIZE, (file_limit, file_limit))
    said = tempfile.TemporaryFile("w+b")  # noqa: SIM115 - for as long as the process lives, and not on a full disk
    os.dup2(said.fileno(), 2)
    os.dup2(os.open(os.devnull, os.O_WRONLY), 1)
    tap = Tap(Path(folder), kill_at)
    tap.open()
    pipe.send("ready")
    code = 0
    try:
        main(words)
    except SystemExit as done:
        code = int(done.code or 0)
    sys.stderr.flush()
    said.seek(0)
    pipe.send(Ended(code, tap.count, said.read().decode(errors="replace").strip()))


def spawn(
    folder: Path, words: tuple[str, ...], *, kill_at: int | None = None, file_limit: int | None = None
) -> tuple[Any, Pipe]:
    """Begin a command in a process of its own; gives it once it has loaded its libraries.

    With a `file_limit` no file can grow beyond so many bytes.
    """
    context = multiprocessing.get_context("forkserver")
    context.set_forkserver_preload([__name__])
    here, there = context.Pipe()
    spoken = ("--db", str(folder / DATABASE), "--no-input", *(word.format(folder=folder) for word in words))
    process = context.Process(target=victim, args=(str(folder), spoken, kill_at, file_limit, there), daemon=True)
    process.start()
    there.close()
    if not here.poll(LONGEST_S):
        raise TimeoutError(f"{words[0]} did not begin")
    here.recv()
    return process, here


def completed(folder: Path, words: tuple[str, ...], *, file_limit: int | None = None) -> Ended:
    """Run a command to its end."""
    process, pipe = spawn(folder, words, file_limit=file_limit)
    began = time.perf_counter()
    ended: Ended = pipe.recv() if pipe.poll(LONGEST_S) else Ended(-1, 0, "it did not end")
    took_s = time.perf_counter() - began
    process.join(LONGEST_S)
    return replace(ended, took_s=took_s)


def killed(folder: Path, case: Case, *, step: int | None, after_s: float) -> bool:
    """Kill a command at a boundary, or so long after its beginning; whether it died of it."""
    process, pipe = spawn(folder, case.words, kill_at=step)
    if step is None:
        time.sleep(after_s)
        process.kill()
    process.join(LONGEST_S)
    pipe.close()
    return process.exitcode == -signal.SIGKILL


def facts(store: Store) -> Facts:
    """What a logbook holds that is not derived."""
    found = {}
    with store.reading() as connection:
        for table in models.metadata.sorted_tables:
            columns = [table.c[name] for name in VOLATILE[table.name]] if table.name in VOLATILE else list(table.c)
            if columns:
                rows = connection.execute(sa.select(*columns))
                found[table.name] = sorted(map(tuple, rows), key=repr)
    return found


def facts_of(path: Path) -> Facts:
    """What the logbook of a file holds."""
    with open_store(str(path)) as store:
        return facts(store)


class Bench:
    """The kills of one case: its state before and after, made once, and a copy of it for each kill."""

    def __init__(self, case: Case, folder: Path, interval_s: int) -> None:
        self.case, self.folder = case, folder
        self.start = folder / "start"
        self.start.mkdir(parents=True)
        case.make(self.start, interval_s)
        whole = self._copy("whole")
        ended = completed(whole, case.words)
        if ended.code != 0:
            raise RuntimeError(f"{case.name} ended with {ended.code}: {ended.said}")
        self.steps, self.took_s = ended.steps, ended.took_s
        self.after = facts_of(whole / DATABASE)
        if case.make is to_be_upgraded:
            self.before = self.after
        else:
            self.before = facts_of(self._copy("untouched") / DATABASE)
        self.allowed = [self.before, self.after, *(case.stages(self._copy("staged")) if case.stages else ())]
        self.names, self.exported = names_in(whole), contents(whole / EXPORT)

    def _copy(self, name: str) -> Path:
        target = self.folder / name
        shutil.rmtree(target, ignore_errors=True)
        shutil.copytree(self.start, target)
        return target

    def kill(self, *, step: int | None = None, after_s: float = 0.0) -> Kill:
        """Kill the command once and look at what it left."""
        folder = self._copy("killed")
        landed = killed(folder, self.case, step=step, after_s=after_s)
        where = f"after {1000 * after_s:.0f} ms" if step is None else f"at boundary {step} of {self.steps}"
        try:
            problems = tuple(self._problems(folder))
        except Exception as error:  # noqa: BLE001 - whatever goes wrong is what the bench is for
            problems = (f"{type(error).__name__}: {error}",)
        return Kill(self.case.name, where, landed, problems)

    def _problems(self, folder: Path) -> Iterator[str]:
        if not (folder / DATABASE).exists():
            yield "no logbook stands in its place"
            return
        with open_store(str(folder / DATABASE)) as store:
            found = facts(store)
            if self.case.sound:
                yield from (finding.message for finding in check.check(store))
        if found not in self.allowed:
            yield f"neither all nor nothing: {differing(found, self.after)}"
        for copy in (folder / BACKUPS).glob("logbook-*.sqlite3"):
            if facts_of(copy) != self.before:
                yield f"a backup that is not whole: {copy.name}"
        if (folder / EXPORT).exists() and contents(folder / EXPORT) != self.exported:
            yield "an export that is not whole"
        for path in [folder, *folder.rglob("*")]:
            if ".part" in str(path.relative_to(folder)):
                os.utime(path, (0, 0))  # a while later
        ended = completed(folder, self.case.words)
        if ended.code not in self.case.codes:
            yield f"tried again it ended with {ended.code}: {ended.said}"
        yield from self._unfinished(folder)

    def _unfinished(self, folder: Path) -> Iterator[str]:
        """What is missing, or too much, after the command was given again."""
        with open_store(str(folder / DATABASE)) as store:
            found = facts(store)
            yield from (f"tried again: {finding.message}" for finding in check.check(store))
        if found != self.after:
            yield f"tried again it did not complete: {differing(found, self.after)}"
        if contents(folder / EXPORT) != self.exported:
            yield "tried again, the export is not whole"
        moved = [path for path in folder.glob(f"{DATABASE}.replaced-*") if not path.name.endswith(("-wal", "-shm"))]
        if moved and not any(facts_of(path) == self.before for path in moved):
            yield "the former logbook is not among those moved aside"
        left = names_in(folder) - self.names
        if left:
            yield f"files were left: {', '.join(sorted(left))}"


def names_in(folder: Path) -> set[str]:
    """Names of the files of a folder, without the time in them; what SQLite puts beside a database is its own."""
    found = (MOMENT.sub("", str(path.relative_to(folder))) for path in folder.rglob("*"))
    return {name for name in found if not name.endswith(("-wal", "-shm"))}


def contents(folder: Path) -> dict[str, bytes]:
    """Every file of a folder with what is in it."""
    return {str(path.relative_to(folder)): path.read_bytes() for path in folder.rglob("*") if path.is_file()}


def differing(found: Facts, expected: Facts) -> str:
    """Say which tables differ, and by how many rows."""
    return ", ".join(
        f"{name} ({len(rows)} rows, expected {len(expected[name])})"
        for name, rows in found.items()
        if rows != expected[name]
    )


def run(
    folder: Path, cases: Sequence[Case], count: int, *, every_boundary: bool, interval_s: int, seed: int
) -> Iterator[Kill]:
    """Kill so many times in all, shared out over the commands; with `every_boundary` those come on top."""
    rng = np.random.default_rng(seed)
    benches = []
    for case in cases:
        bench = Bench(case, folder / case.name, interval_s)
        benches.append(bench)
        if every_boundary:
            for step in range(1, bench.steps + 1):
                yield bench.kill(step=step)
    for bench, number in zip(itertools.cycle(benches), range(count), strict=False):
        # in turn at a boundary and at a moment
        if number // len(benches) % 2:
            yield bench.kill(after_s=float(rng.uniform(0.0, bench.took_s)))
        else:
            yield bench.kill(step=int(rng.integers(1, bench.steps + 1)))
