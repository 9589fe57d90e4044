from __future__ import annotations

import io
import sys

from logbook.cli.progress import progress


class Terminal(io.StringIO):
    def isatty(self) -> bool:
        return True


def test_a_terminal_sees_what_is_going_on(monkeypatch):
    monkeypatch.setattr(sys, "stderr", terminal := Terminal())

    with progress("trip.csv") as meter:
        meter(0.5)

    assert "trip.csv" in terminal.getvalue()


def test_nothing_is_drawn_while_a_question_waits(monkeypatch):
    monkeypatch.setattr(sys, "stderr", terminal := Terminal())

    with progress("trip.csv") as meter:
        with meter.paused():
            before = terminal.getvalue()
            meter(0.5)
            asked = terminal.getvalue()
        meter(0.9)

    assert asked == before


def test_elsewhere_it_is_silent(capsys):
    with progress("trip.csv") as meter, meter.paused():
        meter(1.0)

    assert capsys.readouterr() == ("", "")
