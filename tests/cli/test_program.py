"""What holds for every command: help, exit codes, and no traceback."""

from __future__ import annotations

import ast
import os
import re
import shlex
import subprocess
import sys
from pathlib import Path

import click
import pytest

import logbook
from logbook import __version__
from logbook.cli.program import COMMANDS, program
from logbook.errors import BadData

HEAVY = ("pandas", "numpy", "sqlalchemy", "dash", "plotly", "scipy", "pyarrow", "rich.table")


def paths(command: click.Command, *above: str):
    yield above
    if isinstance(command, click.Group):
        for name, below in command.commands.items():
            yield from paths(below, *above, name)


@pytest.mark.parametrize("path", list(paths(program)), ids=" ".join)
@pytest.mark.parametrize("option", ["-h", "--help"])
def test_help_everywhere(run, path, option):
    told = run(*path, option)

    assert told.code == 0
    assert told.out.startswith("Usage: ")
    assert len(told.out.splitlines()) > 4


def commands(command: click.Command):
    yield command
    if isinstance(command, click.Group):
        for below in command.commands.values():
            yield from commands(below)


def test_every_option_that_a_message_names_exists():
    options = {name for command in commands(program) for option in command.params for name in option.opts}
    package = Path(logbook.__file__).parent
    named = {
        name
        for path in package.rglob("*.py")
        for text in ast.walk(ast.parse(path.read_text("utf-8")))
        if isinstance(text, ast.Constant) and isinstance(text.value, str)
        for name in re.findall(r"(?<![\w-])--[a-z][a-z-]*[a-z](?![\w-])", text.value)
    }

    assert named <= {*options, "--help", "--version"}


def test_help_and_the_start_load_nothing_heavy():
    """What keeps `--help` under 0.3 s; measured by tests/bench, not here."""
    code = f"""
import sys
from logbook.cli import main
try:
    main(["--help"])
except SystemExit:
    pass
print([name for name in {HEAVY!r} if name in sys.modules], file=sys.stderr)
"""
    ran = subprocess.run([sys.executable, "-c", code], capture_output=True, text=True, check=True)

    assert ran.stderr.strip() == "[]"


def test_python_m_logbook_is_the_same_program(tmp_path):
    ran = subprocess.run(
        [sys.executable, "-m", "logbook", "--version"], capture_output=True, text=True, check=True, cwd=tmp_path
    )

    assert ran.stdout.strip() == f"logbook, version {__version__}"


def test_wrong_usage_is_2(run):
    assert run("pack", "nonsense").code == 2
    assert run("--nonsense").code == 2


def failing(error: BaseException) -> click.Command:
    @click.command("fail")
    def fail() -> None:
        raise error

    return fail


@pytest.fixture
def fail(run, monkeypatch):
    def fail_with(error):
        monkeypatch.setitem(program.commands, "fail", failing(error))
        return run("fail")

    return fail_with


def test_an_expected_error_says_what_where_and_how_to_mend(fail):
    told = fail(BadData("this is no log.", where="trip.csv, line 3", mend="Export it again."))

    assert told.code == 65
    assert told.err == "Error: trip.csv, line 3: this is no log.\nExport it again.\n"
    assert told.out == ""


def test_text_from_a_file_cannot_steer_the_terminal(fail):
    assert "\x1b" not in fail(BadData("\x1b[2Jgone")).err


def test_text_from_a_file_cannot_be_written_backwards(fail):
    told = fail(BadData("\u202egpj\u2069.csv", mend="\u200fx"))

    assert not set("\u202e\u2069\u200f") & set(told.err)
    assert "gpj" in told.err


def test_a_full_disk_is_no_traceback(fail):
    told = fail(OSError(28, "No space left on device", "/data/logbook.sqlite3"))

    assert told.code == 73
    assert "/data/logbook.sqlite3: No space left on device." in told.err


def test_an_interruption_is_130(fail):
    assert fail(KeyboardInterrupt()).code == 130
    assert fail(click.Abort()).code == 130


def test_a_fault_of_ours_apologises_and_keeps_the_story_in_a_file(fail, monkeypatch, tmp_path):
    monkeypatch.setenv("XDG_STATE_HOME", str(tmp_path))

    told = fail(ZeroDivisionError("secret detail"))

    assert told.code == 70
    assert "Traceback" not in told.err
    log = next(tmp_path.rglob("logbook.log"))
    assert str(log) in told.err
    assert "secret detail" in log.read_text("utf-8")


def test_a_reader_that_goes_away_is_no_error():
    command = f"{sys.executable} -m logbook --help | head -c 1"
    ran = subprocess.run(command, shell=True, capture_output=True, text=True, check=True)

    assert "Traceback" not in ran.stderr


def test_colours_are_left_out_on_request(house, monkeypatch):
    monkeypatch.setenv("NO_COLOR", "1")

    assert "\x1b" not in house("pack", "list").out


@pytest.mark.parametrize("content", [b"not a database at all", b"SQLite format 3\x00 but torn"])
def test_another_kind_of_file_is_not_taken_for_a_logbook(run, tmp_path, content):
    (tmp_path / "logbook.sqlite3").write_bytes(content)

    told = run("pack", "list")

    assert told.code == 78
    assert (tmp_path / "logbook.sqlite3").read_bytes() == content


def test_a_logbook_that_cannot_be_written_is_73(run):
    told = run("--db", "/proc/nowhere/logbook.sqlite3", "pack", "list")

    assert told.code == 73
    assert "--db" in told.err


def test_names_of_commands_are_sorted_out_by_one_list():
    assert {command.name for command in COMMANDS} == set(program.commands)


def test_the_option_wins_over_the_variable(run, tmp_path):
    other = tmp_path / "other.sqlite3"

    run("--db", os.fspath(other), "pack", "add", "Elsewhere", "--rated-ah", "100", "--cells", "4")

    assert other.exists()
    assert "Elsewhere" not in run("pack", "list").out


@pytest.mark.parametrize(
    "arguments",
    [
        ("sag", "--watts", "nan", "--soc", "50", "--celsius", "0"),
        ("parked", "--soc", "nan"),
        ("pack", "add", "Spare", "--rated-ah", "inf", "--cells", "4"),
        ("pack", "edit", "House battery", "--full-voltage-v", "nan"),
        ("pack", "add", "Spare \udcff", "--rated-ah", "100", "--cells", "4"),
        ("note", "add", "bytes that are no text \udcff"),
    ],
)
def test_what_is_no_number_and_no_text_is_wrong_usage(house, arguments):
    assert house(*arguments).code == 2


@pytest.mark.parametrize(
    ("arguments", "words"),
    [
        (("pack", "add", "Spare", "--rated-ah", "hundred", "--cells", "4"), "'hundred' is not a valid number."),
        (("pack", "add", "Spare", "--rated-ah", "100", "--cells", "four"), "'four' is not a valid whole number."),
        (("undo", "last"), "'last' is not a valid whole number."),
        (("serve", "--port", "http"), "'http' is not a valid whole number."),
        (("note", "add", "x", "--at", "2026-02-30"), "write it as 2026-02-07 or 2026-02-07T06:03."),
        (("parked", "--since", "yesterday"), "'yesterday' is no date; write it as 2026-02-07."),
        (("import", "trip.csv", "--from", "2026-03-01", "--until", "2026-03-01"), "--until must be later than --from."),
        (("import", "trip.csv", "--no-input"), "--no-input stands before the command:  logbook --no-input"),
        (("pack", "list", "--db", "x.sqlite3"), "--db stands before the command:  logbook --db"),
    ],
)
def test_wrong_usage_says_what_is_right(house, arguments, words):
    told = house(*arguments)

    assert told.code == 2
    assert words in " ".join(told.err.split("\n"))


def test_a_moment_may_be_written_with_a_blank(house):
    house("note", "add", "cables changed", "--at", "2026-02-07 06:03")

    assert "7 Feb 2026, 06:03" in house("note", "list").out


def test_a_path_no_system_can_hold_is_not_our_fault(house):
    assert house("export", "x" * 5000).code == 73


@pytest.mark.parametrize("closed", [">&-", "2>&-", "<&-", "<&- >&- 2>&-"])
def test_a_stream_the_shell_closed_is_no_fault(tmp_path, closed):
    environment = {**os.environ, "LOGBOOK_DB": str(tmp_path / "logbook.sqlite3")}
    command = f"{shlex.quote(sys.executable)} -m logbook pack add Spare --rated-ah 100 --cells 4 {closed}"

    ran = subprocess.run(["sh", "-c", command], env=environment, capture_output=True, text=True, check=False)

    assert (ran.returncode, "fault of logbook" in ran.stderr) == (0, False)


def test_an_interrupt_that_a_library_made_an_error_of_is_an_interrupt(house, monkeypatch):
    def driver(*_arguments):
        raise NotImplementedError("the driver cannot stop") from KeyboardInterrupt()

    monkeypatch.setattr("logbook.store.packs.list_packs", driver)

    ended = house("pack", "list")

    assert ended.code == 130
    assert "Interrupted." in ended.err


def test_a_pipe_is_no_logbook(run, tmp_path, monkeypatch):
    os.mkfifo(tmp_path / "pipe")
    monkeypatch.setenv("LOGBOOK_DB", str(tmp_path / "pipe"))

    refused = run("pack", "list")

    assert refused.code == 73
    assert "cannot be written (Illegal seek)" in refused.err


@pytest.mark.parametrize("how", ["option", "variable"])
def test_a_path_that_is_not_utf8_is_told(run, tmp_path, monkeypatch, how):
    place = os.fsdecode(bytes(tmp_path) + b"/\xff.sqlite3")
    if how == "variable":
        monkeypatch.setenv("LOGBOOK_DB", place)

    refused = run(*(("--db", place) if how == "option" else ()), "pack", "list")

    assert refused.code == 78
    assert "UTF-8" in refused.err
    assert list(tmp_path.iterdir()) == []


@pytest.mark.parametrize(("damaged", "code", "words"), [(False, 70, "fault of logbook"), (True, 78, "damaged")])
def test_what_nobody_foresaw_in_a_damaged_file_is_put_down_to_the_damage(
    house, monkeypatch, tmp_path, damaged, code, words
):
    def reading(*_arguments):
        raise ValueError("invalid literal for int()")

    monkeypatch.setattr("logbook.store.packs.list_packs", reading)
    path = tmp_path / "logbook.sqlite3"
    assert not path.with_name(f"{path.name}-wal").exists()
    if damaged:
        raw = bytearray(path.read_bytes())
        raw[2 * 16_384 : 3 * 16_384] = bytes(16_384)
        path.write_bytes(raw)

    ended = house("pack", "list")

    assert ended.code == code, ended.err
    assert words in ended.err


@pytest.mark.parametrize("group", [(), ("pack",), ("flag",), ("note",)])
def test_lists_of_commands_say_each_in_a_whole_sentence(run, group):
    commands = run(*group, "--help").out.partition("Commands:")[2].partition("Start with")[0]

    assert commands.strip()
    assert "..." not in commands


@pytest.mark.parametrize(
    ("command", "way"),
    [(("health", "--json"), 'health "House battery"'), (("flag", "seen", "x"), '--pack "House battery"')],
)
def test_a_command_that_needs_a_pack_says_how_it_is_named(house, command, way):
    house("pack", "add", "Second", "--rated-ah", "100", "--cells", "4")

    told = house(*command)

    assert told.code == 65
    assert way in told.err
