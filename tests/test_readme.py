"""README says what there is, and its shell examples run."""

from __future__ import annotations

import os
import re
import shlex
import subprocess
import sys
from pathlib import Path

import pytest

from logbook import errors
from logbook.cli.program import COMMANDS, EPILOG
from logbook.ingest.mapping import TARGETS, parse_mapping
from logbook.settings import DATABASE_VARIABLE
from tests.readme_tables import TABLES, between, exit_code_meanings

PROJECT = Path(__file__).parents[1]
README = (PROJECT / "README.md").read_text("utf-8")
START_COMMANDS = ("python3 .start demo", "python3 .start test")
INSTALL_COMMANDS = ("pipx install .", "uv tool install .", "python3 -m pip install .")
"""They reach for a package index, so they are not run here; test_wheel.py tries what they install."""
SERVES_UNTIL_STOPPED = ("logbook serve",)
"""Tried in tests/cli/test_serve.py."""
FENCE = re.compile(r"^```(\w+) ?([^\n]*)\n(.*?)^```$", re.MULTILINE | re.DOTALL)


def fences(kind: str) -> list[tuple[str, str]]:
    return [(title, body) for language, title, body in FENCE.findall(README) if language == kind]


def commands() -> list[str]:
    return [line for _title, body in fences("sh") for line in body.splitlines() if line.strip()]


def files() -> dict[str, str]:
    return {title: body for language, title, body in FENCE.findall(README) if title}


def test_the_first_paragraph_states_the_job():
    first = README.split("\n\n")[1]

    for word in ("LiFePO4", "CSV", "rated amp-hours", "freezing", "parked", "how hard", "fades", "believed", "next"):
        assert word in first


def test_the_two_commands_stand_word_for_word_and_ci_runs_the_second():
    ci = (PROJECT / ".ci" / "run").read_text("utf-8")

    assert [body.strip() for _title, body in fences("sh")[:2]] == list(START_COMMANDS)
    assert START_COMMANDS[1] in ci


@pytest.mark.parametrize("name", TABLES)
def test_the_tables_made_from_the_code_are_up_to_date(name: str):
    """Else: python -m tests.readme_tables."""
    assert between(name, README) == TABLES[name]()


@pytest.mark.parametrize("place", [EPILOG, errors.__doc__], ids=["help", "errors.py"])
def test_every_exit_code_is_told_where_people_look(place: str):
    told = set(map(int, re.findall(r"\b\d{1,3}\b", place)))

    assert set(exit_code_meanings()) <= told


def test_every_command_and_setting_appears():
    for command in COMMANDS:
        assert re.search(rf"`(logbook )?{command.name}\b", README), command.name
    assert f"`{DATABASE_VARIABLE}`" in README
    assert "`--db PATH_OR_URL`" in README


def test_every_line_of_a_shell_example_is_known():
    known = (*START_COMMANDS, *INSTALL_COMMANDS)

    assert [line for line in commands() if line not in known and not line.startswith("logbook ")] == []


def test_the_shell_examples_run_in_their_order(tmp_path: Path):
    for name, body in files().items():
        (tmp_path / name).write_text(body, "utf-8")
    home = {**os.environ, "LOGBOOK_DB": str(tmp_path / "logbook.sqlite3")}

    for line in commands():
        if not line.startswith("logbook ") or line in SERVES_UNTIL_STOPPED:
            continue
        ran = subprocess.run(
            [sys.executable, "-m", *shlex.split(line)],
            cwd=tmp_path,
            env=home,
            stdin=subprocess.DEVNULL,
            capture_output=True,
            text=True,
            check=False,
        )
        assert ran.returncode == 0, f"{line}\n{ran.stdout}\n{ran.stderr}"


def test_the_keys_of_a_mapping_are_those_it_may_have():
    keys = re.findall(r"^\| `((?:file|time|current)\.\w+)` \|", README, re.MULTILINE)
    values = {"file.first_row": "1", "time.columns": "[1]", "time.unit": '"s"', "file.delimiter": '"tab"'}

    for key in keys:
        place, _, name = key.partition(".")
        read = errors_of(f"[{place}]\n{name} = {values.get(key, '0')}")
        assert "is not a key" not in read, key

    for target in TARGETS:
        assert re.search(rf"`{target}`", README) or re.fullmatch(r"cell_\d+_v", target), target


def errors_of(mapping: str) -> str:
    try:
        parse_mapping(mapping)
    except errors.BadConfiguration as error:
        return str(error)
    return ""


def test_links_into_the_project_lead_somewhere():
    for name in ("LICENSE", "DEVELOPERS.md"):
        assert name in README
        assert (PROJECT / name).exists()
