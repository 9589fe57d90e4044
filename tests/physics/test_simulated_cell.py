"""The main job on a physics simulator's cell: an export goes in by the door, and capacity comes out as the simulator's own test gives it.

The published cell loses 1.7 % of its charge for each 0.1 C by which it is discharged faster, several times what cell
sheets say (see `analysis.unknown`), for lithium moves slowly in its graphite. So it is run down at about 0.2 C, as the
program asks its owner, or both slowly and fast, from which the program can learn what haste leaves; the cell whose
graphite is ten times as quick loses as much as cell sheets say, and is run down at other rates too.
"""

from __future__ import annotations

import os
import shutil
import subprocess
import sys
from dataclasses import dataclass
from datetime import UTC, datetime
from pathlib import Path
from typing import TYPE_CHECKING

import pytest

from logbook.ingest import ImportOptions
from logbook.jobs.health import health
from logbook.jobs.import_files import import_file
from logbook.store import add_pack, open_store
from tests.physics.cell import IN_SERIES, RATED_AH, Cell, Use

if TYPE_CHECKING:
    from logbook.schema.health import Health
    from logbook.schema.reading import Readings

PROJECT = Path(__file__).parents[2]
OFFSET_A = 0.03


def days_of_use(seed: int, run_down_a: tuple[float, float] = (18.0, 18.0)) -> Use:
    """Nine days in a vehicle: to full five times, to the cut-off twice, and partial cycles between."""
    use = Use(seed).day(14).day(34, from_hour=14, sun_a=16.0).charge(40.0, held_hours=0.5)
    use.day(10, from_hour=2).run_down(run_down_a[0], board_open_hours=5.0)
    use.day(3, from_hour=12, feed_a=22.0).day(30, from_hour=16, sun_a=20.0).charge(25.0, held_hours=1.0)
    use.day(66, sun_a=17.0).charge(35.0, held_hours=0.5)
    use.run_down(run_down_a[1], board_open_hours=3.0).charge(20.0, held_hours=1.0)
    return use.day(20, from_hour=12).charge(30.0, held_hours=0.6).day(14, from_hour=18)


def careful_use(seed: int) -> Use:
    """A week with four full charges, never run below about 30 %."""
    use = Use(seed).day(12)
    for feed_a in (30.0, 20.0, 40.0, 25.0):
        use.charge(feed_a, held_hours=0.5).day(40, from_hour=14, sun_a=12.0)
    return use


PUBLISHED, WORN, QUICK = Cell(), Cell(lithium_lost=0.112), Cell(diffusion=10.0)
CASES = {
    "published": (PUBLISHED, days_of_use(1), "meets_rating"),
    "published, slow and fast run-downs": (PUBLISHED, days_of_use(1, (8.0, 30.0)), "meets_rating"),
    "a seventh of its lithium lost": (WORN, days_of_use(2), "reduced"),
    "quick graphite, slow and fast run-downs": (QUICK, days_of_use(3, (8.0, 30.0)), "meets_rating"),
}


@dataclass(frozen=True)
class Told:
    """What the program says beside what the simulator knows."""

    capacity_ah: float
    verdict: str
    health: Health


def told_of(cell: Cell, use: Use, verdict: str, migrated: Path, folder: Path) -> Told:
    """Everything from the simulated cell to the answer, through a logbook of its own."""
    path = folder / "logbook.sqlite3"
    shutil.copy(migrated, path)
    export = folder / "export.csv"
    export.write_text(csv_of(cell.shown(use, offset_a=OFFSET_A, seed=4)), "utf-8")
    store = open_store(str(path))
    try:
        pack = add_pack(store, name="House", rated_ah=RATED_AH, cells_in_series=IN_SERIES)
        receipt = import_file(store, export, pack, ImportOptions(), keep_original=False)
        assert receipt.rows_set_aside == 0
        return Told(cell.capacity_ah(), verdict, health(store, pack))
    finally:
        store.close()


def csv_of(readings: Readings) -> str:
    columns = (readings.ts_ms, readings.voltage_v, readings.current_a, readings.temperature_c)
    rows = (
        f"{datetime.fromtimestamp(ms / 1000, UTC):%Y-%m-%dT%H:%M:%SZ},{volts:.2f},{amps:.2f},{warm:.1f}"
        for ms, volts, amps, warm in zip(*(column.tolist() for column in columns), strict=True)
    )
    return "\n".join(["time,voltage_v,current_a,temperature_c", *rows, ""])


@pytest.fixture(scope="module", params=CASES)
def told(request, migrated: Path, tmp_path_factory) -> Told:
    return told_of(*CASES[request.param], migrated, tmp_path_factory.mktemp("physics"))


def test_capacity_is_within_one_percent_of_the_simulators_own(told: Told):
    found = told.health.capacity

    assert found.ah is not None
    assert found.ah.value == pytest.approx(told.capacity_ah, rel=0.01)
    assert found.ah.low <= told.capacity_ah <= found.ah.high
    assert found.ah.width <= 0.045 * RATED_AH
    assert found.verdict == told.verdict


def test_the_offset_lies_in_its_interval(told: Told):
    found = told.health.monitor.current_offset_a

    assert found is not None
    assert found.low <= OFFSET_A <= found.high
    assert found.width <= 0.25


def test_a_pack_that_is_never_run_down_is_given_a_bound_and_no_verdict(migrated: Path, tmp_path: Path):
    told = told_of(PUBLISHED, careful_use(5), "undetermined", migrated, tmp_path)

    found = told.health.capacity

    assert found.verdict == told.verdict
    assert 0.3 * told.capacity_ah <= found.at_least_ah <= told.capacity_ah
    assert found.ah is None or found.ah.low <= told.capacity_ah <= found.ah.high


OUTSIDE_PYTEST = """
import sys
sent = []
sys.addaudithook(lambda event, _: event in ("socket.connect", "socket.getaddrinfo") and sent.append(event))
from tests.physics.cell import Cell, pybamm
Cell().capacity_ah()
print(sent, pybamm.config.check_opt_out())
"""


def test_the_simulator_asks_nothing_sends_nothing_and_leaves_nothing(tmp_path: Path):
    """Outside pytest, where it would be silent anyway; else it may ask whether to send what is done with it."""
    home = {"HOME": str(tmp_path), "XDG_CONFIG_HOME": str(tmp_path), "XDG_CACHE_HOME": str(tmp_path)}
    silent = {name: value for name, value in os.environ.items() if name not in ("CI", "GITHUB_ACTIONS")}
    command = [sys.executable, "-c", OUTSIDE_PYTEST]

    ran = subprocess.run(
        command, cwd=PROJECT, env=silent | home, stdin=subprocess.DEVNULL, capture_output=True, text=True, check=False
    )

    assert ran.returncode == 0, ran.stderr
    assert ran.stdout == "[] True\n"
    assert not list(tmp_path.iterdir())
