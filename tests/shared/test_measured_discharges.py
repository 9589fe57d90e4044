"""Measured discharges of one LiFePO4 cell, taken in with a small mapping.

Data: ARTS-Lab, University of South Carolina, "dataset-K2-26650-cell-characterization" (CC BY-SA 4.0): one 26650 cell
at 1 C, 20 to 50 °C; the coulomb count of each file stands beside it in COMPUTED_capacity.csv.
"""

from __future__ import annotations

import csv
from typing import TYPE_CHECKING

import pytest

from logbook.ingest import ImportOptions
from logbook.ingest.mapping import read_mapping
from logbook.jobs.health import health
from logbook.jobs.import_files import import_file
from logbook.store import add_pack
from tests.shared.conftest import SHARED

if TYPE_CHECKING:
    from pathlib import Path

FOLDER = SHARED / "data" / "arts_k2_26650"
MAPPING = """
[file]
delimiter = "tab"
first_row = 24

[time]
columns = [1]
format = "elapsed"
unit = "s"
zone = "America/New_York"

[current]
positive = "charge"

[columns]
current_a = { column = 2, unit = "A" }
voltage_v = { column = 3, unit = "V" }
temperature_c = { column = 5, unit = "°C" }
"""


def counted_ah() -> dict[int, float]:
    with (FOLDER / "COMPUTED_capacity.csv").open(encoding="utf-8") as file:
        return {int(row["T_C"]): float(row["discharge_ah_to_2.5V_1C"]) for row in csv.DictReader(file)}


@pytest.mark.parametrize("warmth_c", [20, 30, 40, 50])
def test_a_laboratory_discharge_is_counted_as_its_authors_do(store, tmp_path: Path, warmth_c):
    mapping = tmp_path / "lab.toml"
    mapping.write_text(MAPPING, "utf-8")
    cell = add_pack(store, name="K2 26650", rated_ah=2.6, cells_in_series=1)
    options = ImportOptions(mapping=read_mapping(mapping), cells_in_series=1, rated_ah=2.6)
    truth = counted_ah()[warmth_c]

    receipt = import_file(store, FOLDER / f"discharge_1c_{warmth_c}c.txt", cell, options, keep_original=False)
    told = health(store, cell)

    assert receipt.rows_set_aside == 0
    assert told.cycles.discharge_ah == pytest.approx(truth, rel=0.002)
    # Nothing in the file shows a full cell before the discharge: a bound, or a number that carries the doubt.
    capacity = told.capacity
    assert capacity.reason
    if capacity.ah is None:
        assert capacity.verdict == "undetermined"
        assert capacity.at_least_ah == pytest.approx(truth, rel=0.05)
        assert capacity.at_least_ah <= 1.005 * truth
    else:
        assert capacity.ah.low <= truth <= capacity.ah.high
        assert capacity.ah.width >= 0.05 * truth
