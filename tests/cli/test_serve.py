from __future__ import annotations

import signal
import socket
import subprocess
import sys
import urllib.request
from pathlib import Path

import pytest

from logbook.cli.serve import free_port, own_command


@pytest.mark.parametrize("python", ["bin/python", ".venv/bin/python"])
def test_the_next_command_can_be_typed_from_where_one_stands(monkeypatch, tmp_path, python):
    monkeypatch.chdir(tmp_path)
    monkeypatch.setattr(sys, "executable", str(tmp_path / python))
    monkeypatch.setenv("PATH", "")

    assert own_command("/any/logbook/__main__.py") == f"{python} -m logbook"
    assert own_command(str(tmp_path / ".venv" / "bin" / "logbook")) == ".venv/bin/logbook"


def test_a_program_on_the_path_is_called_by_its_name(monkeypatch, tmp_path):
    program = Path(tmp_path / "logbook")
    program.touch(mode=0o755)
    monkeypatch.setenv("PATH", str(tmp_path))

    assert own_command(str(program)) == "logbook"


def test_a_free_port_is_found_beside_a_taken_one():
    with socket.socket() as taken:
        taken.bind(("127.0.0.1", 0))
        taken.listen()
        port = taken.getsockname()[1]

        assert free_port("127.0.0.1", port) != port


def test_a_taken_port_that_was_asked_for_is_an_error(run):
    with socket.socket() as taken:
        taken.bind(("127.0.0.1", 0))
        taken.listen()

        told = run("serve", "--port", str(taken.getsockname()[1]))

    assert told.code == 69
    assert "--port" in told.err


def test_an_address_of_another_machine_is_refused(run):
    """203.0.113.0/24 is for documentation (RFC 5737): no machine has such an address."""
    assert run("serve", "--host", "203.0.113.1", "--port", "0").code == 78


def heed_interrupts() -> None:
    """A shell's background job ignores Ctrl-C, and what it starts would too."""
    signal.signal(signal.SIGINT, signal.SIG_DFL)


def test_serve_says_where_answers_there_and_stops_on_interrupt(tmp_path):
    command = [sys.executable, "-m", "logbook", "--db", tmp_path / "logbook.sqlite3", "serve", "--port", "0"]
    with subprocess.Popen(command, stderr=subprocess.PIPE, text=True, preexec_fn=heed_interrupts) as served:
        try:
            said = served.stderr.readline()
            url = next(word for word in said.split() if word.startswith("http://127.0.0.1:"))
            with urllib.request.urlopen(url) as answer:
                assert answer.status == 200
        finally:
            served.send_signal(signal.SIGINT)
        served.stderr.read()

    assert served.returncode == 0
