"""What the program writes is its owner's alone, and nothing it reads is ever run."""

from __future__ import annotations

import ast
import os
import stat
import sys
from pathlib import Path

import pytest

import logbook
from logbook.jobs.backup import back_up, restore
from logbook.jobs.export import export
from logbook.store import add_pack, commit_import, migrate, open_store
from logbook.store.engine import migration_engine
from tests.store.recordings import drawn, recording_of

RUNS_TEXT = {"eval", "exec", "compile", "__import__", "system", "popen", "load_extension", "enable_load_extension"}
RUNS_BYTES = {"pickle", "marshal", "shelve", "dill", "joblib", "subprocess", "pty", "code"}


def modes(folder: Path) -> dict[str, int]:
    """Rights of everything in a folder, by its name there."""
    return {str(path.relative_to(folder)): stat.S_IMODE(path.stat().st_mode) for path in folder.rglob("*")}


@pytest.mark.skipif(sys.platform == "win32", reason="rights of POSIX systems")
def test_everything_written_is_its_owners_alone_whatever_the_umask(tmp_path, rng):
    """Logbook, write-ahead file, kept originals, backups, what an upgrade or a restore moves aside, exports."""
    before, home = os.umask(0), tmp_path / "home"
    try:
        with open_store(str(home / "logbook.sqlite3")) as store:
            pack = add_pack(store, name="House", rated_ah=100, cells_in_series=4)
            (tmp_path / "trip.csv").write_bytes(b"trip.csv")
            commit_import(store, pack, recording_of(drawn(rng, 50), "trip.csv"), tmp_path / "trip.csv")
            made = back_up(store, home / "backups")
            export(store, home / "export")
            assert home.joinpath("logbook.sqlite3-wal").exists()
            written = modes(home)
        restore(made.path, str(home / "logbook.sqlite3"))
        with migration_engine(str(home / "logbook.sqlite3")).begin() as connection:
            migrate.downgrade(connection, "0006")
        open_store(str(home / "logbook.sqlite3")).close()
        restore(made.path, str(home / "second" / "logbook.sqlite3"))
        written |= modes(home)
    finally:
        os.umask(before)

    assert len(written) > 20
    assert {name: oct(mode) for name, mode in written.items() if mode not in {0o600, 0o700}} == {}
    assert stat.S_IMODE(home.stat().st_mode) == 0o700


def test_the_program_has_nothing_that_could_run_what_it_reads():
    """No text is evaluated, no bytes are turned into objects, no other program is started."""
    found = []
    for path in Path(logbook.__file__).parent.rglob("*.py"):
        for node in ast.walk(ast.parse(path.read_text("utf-8"))):
            names: list[str] = []
            if isinstance(node, ast.Call):
                called = node.func
                on = called.value.id if isinstance(called, ast.Attribute) and isinstance(called.value, ast.Name) else ""
                name = called.id if isinstance(called, ast.Name) else getattr(called, "attr", "")
                names = [name] if name in RUNS_TEXT and on != "re" and not (name == "compile" and on) else []
            elif isinstance(node, ast.Import):
                names = [entry.name for entry in node.names if entry.name.split(".")[0] in RUNS_BYTES]
            elif isinstance(node, ast.ImportFrom):
                names = [node.module or ""] if (node.module or "").split(".")[0] in RUNS_BYTES else []
            found += [f"{path.name}:{node.lineno} {name}" for name in names]

    assert found == []
