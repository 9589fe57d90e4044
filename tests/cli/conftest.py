"""The command line, run in this process on a logbook of its own."""

from __future__ import annotations

from dataclasses import dataclass

import click
import pytest

from logbook.cli import main
from logbook.cli.session import Session


@dataclass(frozen=True)
class Ran:
    code: int
    out: str
    err: str


@pytest.fixture
def run(tmp_path, monkeypatch, capsys):
    """Run `logbook` with arguments; results come back with the exit code."""
    monkeypatch.setenv("LOGBOOK_DB", str(tmp_path / "logbook.sqlite3"))

    def run_once(*arguments: str) -> Ran:
        capsys.readouterr()
        with pytest.raises(SystemExit) as ended:
            main(arguments)
        told = capsys.readouterr()
        return Ran(int(ended.value.code), told.out, told.err)

    return run_once


@pytest.fixture
def house(run):
    """Run on a logbook that holds one pack, "House battery"."""
    assert run("pack", "add", "House battery", "--rated-ah", "100", "--cells", "4").code == 0
    return run


@pytest.fixture
def terminal(monkeypatch):
    """Somebody sits at a terminal; gives the function that sets what they answer and the questions they were put."""
    asked: list[str] = []

    def answering(answer: bool) -> list[str]:
        def confirm(question: str, **_settings) -> bool:
            asked.append(question)
            return answer

        monkeypatch.setattr(Session, "may_ask", True)
        monkeypatch.setattr(click, "confirm", confirm)
        return asked

    return answering
