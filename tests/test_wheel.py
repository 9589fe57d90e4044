"""The wheel holds everything: migrations and sample data travel inside, and `logbook` works from it alone."""

from __future__ import annotations

import os
import subprocess
import sys
import zipfile
from pathlib import Path

import pytest

PROJECT = Path(__file__).parents[1]


@pytest.fixture(scope="module")
def wheel(tmp_path_factory) -> Path:
    """Built from what would be committed, with the setuptools that is installed, so that no network is needed."""
    source = tmp_path_factory.mktemp("source")
    target = tmp_path_factory.mktemp("wheel")
    for name in ("pyproject.toml", "README.md", "LICENSE", "logbook", "migrations", "sample_data"):
        subprocess.run(["cp", "-r", PROJECT / name, source], check=True)
    command = [sys.executable, "-m", "build", "--wheel", "--no-isolation", "--outdir", target, source]
    built = subprocess.run(command, capture_output=True, text=True, check=False)
    assert built.returncode == 0, built.stderr
    return next(target.glob("*.whl"))


@pytest.fixture(scope="module")
def installed(wheel: Path, tmp_path_factory) -> dict[str, str]:
    """Environment in which the unpacked wheel comes before this checkout."""
    site = tmp_path_factory.mktemp("site")
    with zipfile.ZipFile(wheel) as archive:
        archive.extractall(site)
    return {**os.environ, "PYTHONPATH": str(site)}


def files_below(folder: str, *patterns: str) -> set[str]:
    return {
        str(path.relative_to(PROJECT))
        for pattern in patterns
        for path in (PROJECT / folder).rglob(pattern)
        if path.is_file() and "__pycache__" not in path.parts
    }


def test_it_holds_every_module_migration_asset_and_sample(wheel: Path):
    names = set(zipfile.ZipFile(wheel).namelist())

    assert files_below("logbook", "*") <= names
    assert {f"logbook/{name}" for name in files_below("migrations", "*.py")} <= names
    assert {f"logbook/{name}" for name in files_below("sample_data", "*")} <= names
    assert not [name for name in names if name.startswith("tests")]


def test_it_declares_the_command(wheel: Path):
    archive = zipfile.ZipFile(wheel)
    entry_points = next(name for name in archive.namelist() if name.endswith("entry_points.txt"))

    assert b"logbook = logbook.cli:main" in archive.read(entry_points)


def test_it_makes_a_logbook_and_takes_in_its_own_sample(installed: dict[str, str], tmp_path: Path):
    database = tmp_path / "logbook.sqlite3"
    where = [sys.executable, "-c", "import logbook.migrations as m; print(list(m.__path__)[0])"]
    demo = [sys.executable, "-m", "logbook", "--db", database, "demo", "--no-serve"]

    place = subprocess.run(where, env=installed, cwd=tmp_path, capture_output=True, text=True, check=True)
    ran = subprocess.run(demo, env=installed, cwd=tmp_path, capture_output=True, text=True, check=False)

    assert place.stdout.startswith(installed["PYTHONPATH"])
    assert ran.returncode == 0, ran.stderr
    assert database.stat().st_size > 0
