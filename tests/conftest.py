"""What all tests share: a machine of their own, and word of what runs."""

from __future__ import annotations

import os
from pathlib import Path

import pytest

PRACTICE = Path(__file__).parents[2] / "shared"
"""Practice cases with a known truth and measured data, where they lie beside the checkout."""

collect_ignore = [] if PRACTICE.is_dir() else ["shared"]


def pytest_report_header() -> str:
    if PRACTICE.is_dir():
        return "practice cases: found beside the checkout, tests/shared runs"
    return "practice cases: none beside the checkout, so tests/shared is not part of this run"


@pytest.fixture(autouse=True, scope="session")
def _own_machine(tmp_path_factory: pytest.TempPathFactory):
    """No test reads or writes the logbook of whoever runs it."""
    home = tmp_path_factory.mktemp("home")
    with pytest.MonkeyPatch.context() as patch:
        patch.delenv("LOGBOOK_DB", raising=False)
        patch.setenv("XDG_DATA_HOME", os.fspath(home / "data"))
        patch.setenv("XDG_STATE_HOME", os.fspath(home / "state"))
        yield
