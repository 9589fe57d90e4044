"""Every line of the catalogue of messy exports: what comes out is the truth, and the receipt accounts for each row."""

from __future__ import annotations

import json
import os
import random
import re
from dataclasses import replace
from pathlib import Path
from typing import TYPE_CHECKING

import numpy as np
import pytest

from logbook.ingest import ImportOptions, read_export
from logbook.ingest.text import encoding_of
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
    twice = sum(repair.count for repair in receipt.repairs if repair.kind in {"duplicate", "another device"})
    if not any(entry.question == "shape" for entry in receipt.inferences):
        assert receipt.rows_read == receipt.rows_stored + receipt.rows_set_aside + twice
    assert sum(receipt.set_aside_reasons.values()) == len(recording.set_aside)
    assert all(row.text for row in recording.set_aside)


@pytest.mark.parametrize("fixture", READ, ids=lambda fixture: fixture.name)
def test_receipt_is_the_golden_one(fixture: Fixture, tmp_path: Path):
    receipt = read(fixture, tmp_path).receipt
    found = json.dumps(receipt.as_json(), ensure_ascii=False, indent=1) + "\n"
    found = re.sub(r'(?<="listed": )\[[^\]]+\]', lambda told: re.sub(r"\s+", "", told[0]), found)

    assert {entry.strength for entry in receipt.inferences} <= {"given", "strong", "fair"}, (
        "what is thin is asked about"
    )
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


ABSURD = (
    "6553.6", "65535", "-32768", "1e9", "999999", "0", "-273.1", "abc", "", "6552.3", "255", "3276.7", "85", "-127",
    "655.35", "\x00", "32.02.2024", "12.5.1", "9e99", "300", "nan", '"', "12.5", "2024-03-15 22:22:22", "-1",
)  # fmt: skip
"""What a torn, mistyped or empty cell may hold."""
PLAIN_TEXT = [fixture for fixture in READ if fixture.suffix in {".csv", ".txt"} and len(fixture.truth) >= 60]
HELD_ROWS = {"on-change": 12}
"""Where a row is logged only when a value changes, an absurd one stands until the next."""


def with_one_bad(fixture: Fixture, draw: random.Random) -> tuple[str, bytes]:
    """The fixture with one absurd cell, or one row of another kind, and what was done."""
    shape = encoding_of(fixture.content)
    rows = re.split("(\r\n|\n|\r)", fixture.content.decode(shape))
    middle = rows[len(rows) // 4 * 2]
    mark = max(",;\t|", key=middle.count)
    alike = [place for place in range(0, len(rows), 2) if rows[place].count(mark) == middle.count(mark)]
    place = draw.choice([place for place in alike if re.search(r"\d{2}", rows[place])][1:])
    cells = rows[place].split(mark)
    kind = draw.choice(["cell"] * 6 + ["absurd row", "sums", "talk"])
    if kind == "cell":
        column = draw.randrange(len(cells))
        cells[column] = draw.choice(ABSURD)
        rows[place] = mark.join(cells)
        return f"line {place // 2 + 1}, cell {column + 1} is {cells[column]!r}", "".join(rows).encode(shape)
    new = {
        "absurd row": mark.join(draw.choice(ABSURD[:9]) for _ in cells),
        "sums": mark.join(["Sum", *["1234.5"] * (len(cells) - 1)]),
        "talk": "*** monitor restarted ***",
    }[kind]
    rows[place:place] = [new, rows[1]]
    return f"line {place // 2 + 1} is new: {new!r}", "".join(rows).encode(shape)


def rows_that_differ(found, expected) -> tuple[int, int]:
    """How many readings are lost or have other values, and how many are new."""
    common, here, there = np.intersect1d(found.ts_ms, expected.ts_ms, return_indices=True)
    differs = np.zeros(len(common), bool)
    for name in ("voltage_v", "current_a", "temperature_c", "soc_percent"):
        a, b = getattr(found, name)[here], getattr(expected, name)[there]
        differs |= ~np.isclose(a, b, rtol=0, atol=TOLERANCE[name], equal_nan=True)
    return len(expected) - len(common) + int(differs.sum()), len(found) - len(common)


@pytest.mark.parametrize("fixture", PLAIN_TEXT, ids=lambda fixture: fixture.name)
def test_one_bad_cell_or_row_costs_no_other_reading(fixture: Fixture, tmp_path: Path):
    expected = read(fixture, tmp_path).readings
    draw = random.Random(fixture.name)

    for _ in range(3):
        done, content = with_one_bad(fixture, draw)
        found = read(replace(fixture, content=content), tmp_path).readings
        changed, new = rows_that_differ(found, expected)
        assert changed <= HELD_ROWS.get(fixture.name, 1), done
        assert new <= 1, done


@pytest.mark.parametrize("absurd", ["6553.6", "-273.1", "85", "6509.0", "255", "999"])
@pytest.mark.parametrize("name", [fixture.name for fixture in READ if fixture.name.startswith("wrap-")])
def test_cold_rows_are_put_right_beside_a_temperature_that_cannot_be(name: str, absurd: str, tmp_path: Path):
    (fixture,) = (entry for entry in READ if entry.name == name)
    rows = fixture.content.decode().split("\n")
    cells = rows[160].split(",")
    rows[160] = ",".join([*cells[:3], absurd, cells[4]])

    recording = read(replace(fixture, content="\n".join(rows).encode()), tmp_path)

    truth = np.delete(fixture.truth.temperature_c, 159)
    np.testing.assert_allclose(np.delete(recording.readings.temperature_c, 159), truth, rtol=0, atol=0.051)
    assert len(recording.readings) == len(fixture.truth)


def test_fixture_names_are_unique():
    assert len({fixture.name for fixture in ALL}) == len(ALL)
