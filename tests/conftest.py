"""What all tests share: a machine of their own, and word of what runs."""

from __future__ import annotations

import os
import shutil
from pathlib import Path
from typing import TYPE_CHECKING

import hypothesis  # noqa: F401 - else its plugin loads it at the very end, where Python 3.11 may fail at it
import numpy as np
import pytest

from logbook.store import Store, add_pack, open_store

if TYPE_CHECKING:
    from collections.abc import Callable, Iterator

    from logbook.schema.pack import Pack

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


@pytest.fixture(scope="session")
def migrated(tmp_path_factory: pytest.TempPathFactory) -> Path:
    """An empty logbook, made by the migrations once; tests work on copies."""
    path = tmp_path_factory.mktemp("migrated") / "logbook.sqlite3"
    open_store(str(path)).close()
    return path


@pytest.fixture
def new_store(migrated: Path, tmp_path: Path) -> Iterator[Callable[[], Store]]:
    """Makes fresh logbooks, as many as a test wants."""
    opened: list[Store] = []

    def make() -> Store:
        folder = tmp_path / f"logbook-{len(opened)}"
        folder.mkdir()
        path = folder / "logbook.sqlite3"
        shutil.copy(migrated, path)
        opened.append(open_store(str(path)))
        return opened[-1]

    yield make
    for store in opened:
        store.close()


@pytest.fixture
def store(new_store: Callable[[], Store]) -> Store:
    """A fresh logbook."""
    return new_store()


@pytest.fixture
def pack(store: Store) -> Pack:
    """A 100 Ah pack of four cells in `store`."""
    return add_pack(store, name="House", rated_ah=100.0, cells_in_series=4)


@pytest.fixture
def rng() -> np.random.Generator:
    """Seeded chance."""
    return np.random.default_rng(20_240_229)
