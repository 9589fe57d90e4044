"""Measured discharges of LiFePO4 cells: taken in with a small mapping, and scaled to a pack.

Data of the first: ARTS-Lab, University of South Carolina, "dataset-K2-26650-cell-characterization" (CC BY-SA 4.0): one 26650 cell
at 1 C, 20 to 50 °C; the coulomb count of each file stands beside it in COMPUTED_capacity.csv.
"""

from __future__ import annotations

import csv
from typing import TYPE_CHECKING

import numpy as np
import pytest

from logbook.analysis.answer import answer
from logbook.analysis.digest import digest
from logbook.ingest import ImportOptions
from logbook.ingest.mapping import read_mapping
from logbook.jobs.health import health
from logbook.jobs.import_files import import_file
from logbook.schema.pack import Limits, Pack
from logbook.schema.reading import Readings
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


def low_rate_log(interval_s: float, rate_a: float = 5.0, rated_ah: float = 100.0) -> tuple[Readings, float]:
    """A pack of four measured cells, discharged at C/20 along their measured rest curve; and its true Ah.

    Data: Jahn et al. 2024, doi 10.1038/s44172-024-00221-4 (data doi 10.5281/zenodo.10852930, CC BY 4.0): an 18650
    LiFePO4 cell, voltage against stored charge at 25 °C, discharge branch, scaled to 100 Ah.
    """
    stored_ah, cell_v = np.loadtxt(
        SHARED / "data" / "jahn2024_ocv" / "20230125_Hys_A123_01_25deg_incrOCV.csv", delimiter=",", skiprows=1
    ).T
    top = int(np.argmax(stored_ah)) + 1
    scale = rated_ah / stored_ah[top]
    falling_ah, falling_v = stored_ah[top:][::-1] * scale, cell_v[top:][::-1]
    steps = int((rated_ah - falling_ah[0]) / rate_a * 3600 / interval_s) + 1
    left_ah = rated_ah - np.arange(steps) * rate_a * interval_s / 3600
    readings = Readings(
        ts_ms=1_700_000_000_000 + (np.arange(steps) * interval_s * 1000).astype(np.int64),
        voltage_v=np.round(4 * np.interp(left_ah, falling_ah, falling_v), 2),
        current_a=np.full(steps, -rate_a),
        temperature_c=np.full(steps, 25.0),
        soc_percent=np.full(steps, np.nan),
    )
    # The branch ends at 2.64 V with 0.17 % of the charge still stored; 2.5 V lies within a tenth of a percent of zero.
    return readings, rated_ah


@pytest.mark.parametrize("interval_s", [10.0, 60.0])
def test_a_measured_low_rate_discharge_gives_its_capacity_within_one_percent(interval_s):
    readings, truth_ah = low_rate_log(interval_s)
    pack = Pack(1, "four cells", "lfp", 4, 100.0, Limits.defaults(100.0, 4))

    capacity = answer(digest(readings, pack), pack).capacity

    assert capacity.ah is not None
    assert capacity.ah.value == pytest.approx(truth_ah, rel=0.01)
    assert capacity.ah.low <= truth_ah <= capacity.ah.high
