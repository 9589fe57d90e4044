"""The start script: it says what it needs, and does again only what is due."""

from __future__ import annotations

import os
import subprocess
import sys
from importlib.machinery import SourceFileLoader
from importlib.util import module_from_spec, spec_from_loader
from pathlib import Path

import pytest

PROJECT = Path(__file__).parents[1]
SCRIPT = PROJECT / ".start"


@pytest.fixture
def start():
    loader = SourceFileLoader("start", str(SCRIPT))
    module = module_from_spec(spec_from_loader("start", loader))
    loader.exec_module(module)
    return module


@pytest.fixture(autouse=True)
def _no_bytecode_beside_the_script(monkeypatch):
    monkeypatch.setattr(sys, "dont_write_bytecode", True)


def test_it_uses_nothing_but_the_standard_library():
    """Isolated (-I -S) there are no site-packages, as on a fresh machine."""
    ran = subprocess.run([sys.executable, "-I", "-S", SCRIPT], capture_output=True, text=True, check=False)

    assert ran.returncode == 2
    assert "python3 .start demo" in ran.stderr
    assert "python3 .start test" in ran.stderr


def test_who_is_not_root_is_told_exactly_what_to_install(start, monkeypatch, capsys):
    monkeypatch.setattr(os, "geteuid", lambda: 1000)
    monkeypatch.delenv("CHROMIUM", raising=False)
    monkeypatch.setattr(start.shutil, "which", lambda _name: None)
    monkeypatch.setattr(start, "FONT_FOLDERS", ())
    monkeypatch.setattr(start, "find_library", lambda _name: None)

    with pytest.raises(SystemExit) as stopped:
        start.browser()

    assert stopped.value.code == 1
    assert "apt-get install -y --no-install-recommends chromium fonts-dejavu-core libatomic1" in capsys.readouterr().err


def test_a_browser_that_is_there_is_taken(start, monkeypatch, tmp_path):
    (tmp_path / "some.ttf").touch()
    monkeypatch.setattr(start, "FONT_FOLDERS", (tmp_path,))
    monkeypatch.setattr(start, "find_library", lambda name: f"lib{name}.so.1")
    monkeypatch.setenv("CHROMIUM", "/opt/browser")

    assert start.browser() == "/opt/browser"


def test_installing_is_due_again_when_the_project_changes(start, monkeypatch, tmp_path):
    (tmp_path / "pyproject.toml").write_text("first", "utf-8")
    monkeypatch.setattr(start, "PROJECT", tmp_path)
    before = start.fingerprint()

    (tmp_path / "pyproject.toml").write_text("second", "utf-8")

    assert start.fingerprint() != before


def test_an_environment_that_is_up_to_date_is_left_alone(start, monkeypatch, tmp_path):
    monkeypatch.setattr(start, "PYTHON", Path(sys.executable))
    monkeypatch.setattr(start, "STAMP", tmp_path / ".installed")
    monkeypatch.setattr(start, "run", lambda *_command, **_variables: pytest.fail("nothing is due"))
    (tmp_path / ".installed").write_text(f"{start.fingerprint()} dev\n", "utf-8")

    start.prepare(dev=True)
    start.prepare(dev=False)


def test_a_failed_linter_makes_the_exit_code_tell(start, monkeypatch):
    ran = []

    def run(*command, **_variables):
        ran.append(command)
        return 1 if "mypy" in command else 0

    monkeypatch.setattr(start, "browser", lambda: "/opt/browser")
    monkeypatch.setattr(start, "prepare", lambda *, dev: None)
    monkeypatch.setattr(start, "run", run)

    assert start.test([]) != 0
    assert "pytest" in ran[-1]


def test_ci_ends_with_the_exit_code_of_the_tests(tmp_path):
    """A copy of the two scripts whose start script fails with 3."""
    (tmp_path / ".ci").mkdir()
    (tmp_path / ".ci" / "run").write_bytes((PROJECT / ".ci" / "run").read_bytes())
    (tmp_path / ".start").write_text("import sys; sys.exit(3 if sys.argv[1:] == ['test'] else 0)", "utf-8")

    ran = subprocess.run(["bash", ".ci/run"], cwd=tmp_path, stdin=subprocess.DEVNULL, check=False)

    assert ran.returncode == 3
