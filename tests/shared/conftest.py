"""The practice cases, each taken in once through the door an owner uses."""

from __future__ import annotations

import json
import shutil
from dataclasses import dataclass
from pathlib import Path
from typing import TYPE_CHECKING, Any

import pytest

from logbook.ingest import ImportOptions
from logbook.jobs.health import health
from logbook.jobs.import_files import import_files
from logbook.store import add_pack, open_store

if TYPE_CHECKING:
    from logbook.schema.health import Health
    from logbook.schema.receipt import Receipt

SHARED = Path(__file__).resolve().parents[3] / "shared"


@dataclass(frozen=True)
class Told:
    """What the path gave for one practice case, beside its truth."""

    name: str
    receipt: Receipt
    health: Health
    document: dict[str, Any]
    listed: dict[str, Any]

    @property
    def truth(self) -> dict[str, Any]:
        return self.listed["truth"]

    @property
    def rated_ah(self) -> float:
        return float(self.listed["rated_ah"])


@pytest.fixture(scope="session")
def shared() -> Path:
    """The folder with cases, data and contract."""
    return SHARED


@pytest.fixture(scope="session")
def cases(migrated: Path, tmp_path_factory: pytest.TempPathFactory) -> dict[str, Told]:
    """Every practice case, imported into one logbook and answered."""
    path = tmp_path_factory.mktemp("practice") / "logbook.sqlite3"
    shutil.copy(migrated, path)
    store = open_store(str(path))
    results = {}
    for name, listed in json.loads((SHARED / "cases" / "truth.json").read_text("utf-8")).items():
        pack = add_pack(store, name=name, rated_ah=float(listed["rated_ah"]), cells_in_series=listed["cells_in_series"])
        options = ImportOptions(
            time_zone=listed["timezone"],
            positive=listed["current_positive"],
            cells_in_series=listed["cells_in_series"],
            rated_ah=float(listed["rated_ah"]),
        )
        (receipt,) = import_files(store, [SHARED / "cases" / listed["file"]], pack, options, keep_original=False)
        if isinstance(receipt, Exception):
            raise receipt
        told = health(store, pack)
        results[name] = Told(name, receipt, told, json.loads(json.dumps(told.as_json())), listed)
    store.close()
    return results
