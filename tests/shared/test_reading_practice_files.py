"""The practice cases and the measured discharges are read whole, with their own sign, zone and units, and nothing repaired.

Practice cases: `truth.json` beside them. Measured discharges: ARTS-Lab, University of South Carolina, "dataset-K2-26650-
cell-characterization" (CC BY-SA 4.0); counted charge to 2.5 V in `COMPUTED_capacity.csv` beside them.
"""

from __future__ import annotations

import csv
import json

import numpy as np
import pytest

from logbook.ingest import ImportOptions, mapping_text, parse_mapping, read_export
from tests.conftest import PRACTICE

TRUTH = json.loads((PRACTICE / "cases" / "truth.json").read_text("utf-8"))
MEASURED = PRACTICE / "data" / "arts_k2_26650"
CAPACITY_AH = {
    row["T_C"]: float(row["discharge_ah_to_2.5V_1C"])
    for row in csv.DictReader((MEASURED / "COMPUTED_capacity.csv").open())
}
MAPPING = """
[time]
columns = [1]
format = "elapsed"
unit = "s"

[current]
positive = "charge"

[columns]
current_a = { column = 2, unit = "A" }
voltage_v = { column = 3, unit = "V" }
temperature_c = { column = 5, unit = "°C" }
"""


def options(case: dict, **more) -> ImportOptions:
    return ImportOptions(
        time_zone=case["timezone"], cells_in_series=case["cells_in_series"], rated_ah=float(case["rated_ah"]), **more
    )


@pytest.mark.parametrize("name", TRUTH)
def test_a_practice_case_is_read_whole_and_unrepaired(name: str):
    case = TRUTH[name]

    recording = read_export(PRACTICE / "cases" / case["file"], options(case, positive=case["current_positive"]))

    receipt = recording.receipt
    assert len(recording.readings) == receipt.rows_read == case["rows"]
    assert (receipt.repairs, recording.set_aside, receipt.warnings) == ((), (), ())
    for column in ("voltage_v", "current_a", "temperature_c", "soc_percent"):
        assert np.isfinite(getattr(recording.readings, column)).all()


@pytest.mark.parametrize("name", TRUTH)
def test_the_sign_of_a_practice_case_is_found_by_physics_alone(name: str):
    case = TRUTH[name]

    receipt = read_export(PRACTICE / "cases" / case["file"], options(case)).receipt

    sign = next(entry for entry in receipt.inferences if entry.question == "positive current")
    assert (sign.answer, sign.strength) == (case["current_positive"], "strong")


@pytest.mark.parametrize("name", ["p5-cold-with-cutoff", "p7-sudden-loss", "p8-small-pack-surge"])
def test_the_mapping_written_from_a_receipt_reads_the_file_alike(name: str):
    case = TRUTH[name]
    path = PRACTICE / "cases" / case["file"]
    first = read_export(path, options(case))

    mapping = parse_mapping(mapping_text(first.receipt))
    again = read_export(path, ImportOptions(mapping=mapping))

    for column in ("ts_ms", "voltage_v", "current_a", "temperature_c", "soc_percent"):
        np.testing.assert_array_equal(getattr(again.readings, column), getattr(first.readings, column))


@pytest.mark.parametrize("celsius", CAPACITY_AH)
def test_a_measured_discharge_read_with_a_small_mapping_counts_the_published_charge(celsius: str):
    path = MEASURED / f"discharge_1c_{celsius}c.txt"

    readings = read_export(
        path, ImportOptions(mapping=parse_mapping(MAPPING), time_zone="UTC", cells_in_series=1)
    ).readings

    below = np.flatnonzero(readings.voltage_v <= 2.5)
    end = below[0] if len(below) else len(readings) - 1
    counted_ah = -np.trapezoid(readings.current_a[: end + 1], readings.ts_ms[: end + 1] / 3.6e6)
    assert counted_ah == pytest.approx(CAPACITY_AH[celsius], rel=0.002)
