"""Every line of the catalogue of messy exports: what comes out is the truth, and the receipt accounts for each row."""

from __future__ import annotations

import json
import os
from pathlib import Path
from typing import TYPE_CHECKING

import numpy as np
import pytest

from logbook.ingest import ImportOptions, read_export
from tests.ingest.fixtures import ALL

if TYPE_CHECKING:
    from tests.ingest.fixture import Fixture

GOLDEN = Path(__file__).parent / "golden"
UPDATE = bool(os.environ.get("LOGBOOK_UPDATE_GOLDEN"))
READ = [fixture for fixture in ALL if fixture.truth is not None]
REFUSED = [fixture for fixture in ALL if fixture.truth is None]
TOLERANCE = {"ts_ms": 0, "voltage_v": 0.0051, "current_a": 0.0051, "temperature_c": 0.051, "soc_percent": 0.51}


def read(fixture: Fixture, folder: Path):
    path = folder / f"{fixture.name}{fixture.suffix}"
    path.write_bytes(fixture.content)
    return read_export(path, ImportOptions(**{"cells_in_series": 4, "rated_ah": 100.0, **fixture.options}))


@pytest.mark.parametrize("fixture", READ, ids=lambda fixture: fixture.name)
def test_a_messy_export_gives_the_readings_it_was_made_from(fixture: Fixture, tmp_path: Path):
    recording = read(fixture, tmp_path)

    readings, receipt = recording.readings, recording.receipt
    assert len(readings) == len(fixture.truth), (receipt.repairs, receipt.set_aside_reasons, receipt.warnings)
    for name, most in {**TOLERANCE, **fixture.tolerance}.items():
        np.testing.assert_allclose(
            getattr(readings, name), getattr(fixture.truth, name), rtol=0, atol=most, err_msg=name
        )
    assert {repair.kind: repair.count for repair in receipt.repairs} == fixture.repairs
    assert receipt.set_aside_reasons == fixture.set_aside
    answers = {entry.question: entry.answer for entry in receipt.inferences}
    assert {key: answers.get(key) for key in fixture.inferred} == fixture.inferred


@pytest.mark.parametrize("fixture", READ, ids=lambda fixture: fixture.name)
def test_no_row_is_lost_without_trace(fixture: Fixture, tmp_path: Path):
    recording = read(fixture, tmp_path)

    receipt = recording.receipt
    twice = sum(repair.count for repair in receipt.repairs if repair.kind == "duplicate")
    if not any(entry.question == "shape" for entry in receipt.inferences):
        assert receipt.rows_read == receipt.rows_stored + receipt.rows_set_aside + twice
    assert sum(receipt.set_aside_reasons.values()) == len(recording.set_aside)
    assert all(row.text for row in recording.set_aside)


@pytest.mark.parametrize("fixture", READ, ids=lambda fixture: fixture.name)
def test_receipt_is_the_golden_one(fixture: Fixture, tmp_path: Path):
    found = json.dumps(read(fixture, tmp_path).receipt.as_json(), ensure_ascii=False, indent=1) + "\n"

    golden = GOLDEN / f"{fixture.name}.json"
    if UPDATE:
        golden.parent.mkdir(exist_ok=True)
        golden.write_text(found, "utf-8")
    assert json.loads(found) == json.loads(golden.read_text("utf-8"))


@pytest.mark.parametrize("fixture", REFUSED, ids=lambda fixture: fixture.name)
def test_what_cannot_be_read_is_refused_with_a_way_out(fixture: Fixture, tmp_path: Path):
    with pytest.raises(fixture.error, match=fixture.message) as caught:
        read(fixture, tmp_path)

    assert caught.value.where.startswith(fixture.name)
    assert caught.value.mend


def test_fixture_names_are_unique():
    assert len({fixture.name for fixture in ALL}) == len(ALL)
