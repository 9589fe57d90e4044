"""Any bytes at all: a file is read with every row accounted for, or refused in plain words.

`LOGBOOK_FUZZ=50000 python -m pytest tests/ingest/test_fuzz.py` tries that many of each kind, other ones every time.
"""

from __future__ import annotations

import gzip
import io
import json
import os
import random
import sys
import tempfile
import zipfile
from pathlib import Path

import numpy as np
import pytest
from hypothesis import HealthCheck, example, given, settings
from hypothesis import strategies as st

from logbook.errors import BadConfiguration, BadData, Unanswered, UnknownName
from logbook.ingest import ImportOptions, Question, read_export
from logbook.schema.reading import QUANTITIES
from tests.bench.fuzz import Wounds, seeds, trouble_of
from tests.ingest.trip import HEADER, lines, trip

WISHED = int(os.environ.get("LOGBOOK_FUZZ", "0"))
FUZZ = settings(
    max_examples=WISHED or 60,
    derandomize=not WISHED,
    deadline=None,
    database=None,
    suppress_health_check=list(HealthCheck),
)
REFUSED = (BadData, BadConfiguration, Unanswered, UnknownName)
GOOD = lines(trip(rows=40))
ODD_CELLS = (
    "", " ", "-", "--", "-0", "-0.0", "+5", "1e308", "1e309", "-1e400", "1e-400", "nan", "NaN", "inf", "-Infinity",
    "null", "None", "0x1F", "1_000", "1.2.3", "1,2", "1 234,5", "１３", "٣٫٥", "½", "−4,2", "13.2V", "13.2 V", "5 mA",
    "100%", "=1+1", "@SUM(A1)", "<b>5</b>", '"', "'", '"13.2', "\x00", "\ufeff", "\u202e", "\U0001f50b", "9" * 40,
    "0000-00-00 00:00:00", "9999-12-31T23:59:59Z", "1970-01-01T00:00:00Z", "2024-02-30 10:00", "2024-03-31 02:30:00",
    "24:00:00", "10:61", "31/12/99", "1710536400", "1710536400000", "1710536400000000", "99999999999999999999",
    "-1", "0", "65535", "32768", "-273.15", "85", "3276.7", "OFF", "charging", "Time", "timestamp", "voltage_v",
)  # fmt: skip
ENDS = ("\n", "\r\n", "\r", "\n\n", "\x0b", "\x85", "\u2028")
ENCODINGS = ("utf-8", "utf-8-sig", "utf-16", "utf-16-le", "utf-32", "cp1252", "cp437", "mac_roman", "utf-7")

cells = st.one_of(st.sampled_from(ODD_CELLS), st.text(max_size=12), st.floats(width=32).map(str))
places = st.integers(0, 10_000)


@st.composite
def wounded(draw: st.DrawFn) -> bytes:
    """An honest export with some wounds."""
    rows = list(GOOD[: draw(st.integers(1, len(GOOD)))])
    for _ in range(draw(st.integers(0, 6))):
        place = draw(places) % len(rows)
        split = rows[place].split(",")
        kind = draw(st.sampled_from(("cell", "column", "cut", "twice", "gone", "row", "swap", "header", "delimiter")))
        if kind == "cell":
            split[draw(places) % len(split)] = draw(cells)
            rows[place] = ",".join(split)
        elif kind == "column":
            column, cell = draw(places) % 5, draw(cells)
            rows = [_with_cell(row, column, cell) for row in rows]
        elif kind == "cut":
            rows[place] = rows[place][: draw(st.integers(0, 30))]
        elif kind == "twice":
            rows[place:place] = rows[place : place + draw(st.integers(1, 20))]
        elif kind == "gone" and len(rows) > 1:
            del rows[place : place + draw(st.integers(1, 5))]
        elif kind == "row":
            rows.insert(place, ",".join(draw(st.lists(cells, max_size=8))))
        elif kind == "swap":
            other = draw(places) % len(rows)
            rows[place], rows[other] = rows[other], rows[place]
        elif kind == "header":
            rows.insert(place, HEADER)
        else:
            rows = [row.replace(",", draw(st.sampled_from((";", "\t", "|", " ", ", ", "\x00")))) for row in rows]
        rows = rows or [HEADER]
    content = draw(st.sampled_from(ENDS)).join(rows).encode(draw(st.sampled_from(ENCODINGS)), "replace")
    return _torn(draw, content)


@st.composite
def tables(draw: st.DrawFn) -> bytes:
    """A table of odd cells, under a header or under none."""
    width = draw(st.integers(1, 6))
    names = ("time", "voltage", "current (A)", "temp °C", "soc", "U [mV]", "I", "Datum", "status", "value", "quantity")
    rows = [draw(st.lists(st.one_of(st.sampled_from(names), cells), min_size=width, max_size=width))]
    columns = [draw(st.lists(cells, min_size=1, max_size=3)) for _ in range(width)]
    rows += [[draw(st.sampled_from(column)) for column in columns] for _ in range(draw(st.integers(0, 12)))]
    delimiter = draw(st.sampled_from((",", ";", "\t", "|", " ")))
    text = draw(st.sampled_from(ENDS)).join(delimiter.join(row) for row in rows)
    return _torn(draw, text.encode(draw(st.sampled_from(ENCODINGS)), "replace"))


@st.composite
def packed(draw: st.DrawFn) -> bytes:
    """An archive, whole or with a wound."""
    content = draw(st.one_of(wounded(), st.binary(max_size=200)))
    if draw(st.booleans()):
        return _torn(draw, gzip.compress(content))
    target = io.BytesIO()
    with zipfile.ZipFile(target, "w", zipfile.ZIP_DEFLATED) as archive:
        for name in draw(
            st.lists(st.sampled_from(("a.csv", "../b.csv", "/c.csv", "d/", "e.zip", "ü.txt")), max_size=3, unique=True)
        ):
            archive.writestr(zipfile.ZipInfo(name), content)
    return _torn(draw, target.getvalue())


def _with_cell(row: str, column: int, cell: str) -> str:
    split = row.split(",")
    return ",".join([*split[:column], cell, *split[column + 1 :]])


def _torn(draw: st.DrawFn, content: bytes) -> bytes:
    """Some bytes of it lost, changed or put in."""
    whole = bytearray(content)
    for _ in range(draw(st.integers(0, 2))):
        start = draw(places) % (len(whole) + 1)
        whole[start : start + draw(st.integers(0, 40))] = draw(st.binary(max_size=8))
    return bytes(whole)


options = st.builds(
    ImportOptions,
    time_zone=st.sampled_from((None, "UTC", "Europe/Berlin", "+05:45")),
    positive=st.sampled_from((None, "charge", "discharge")),
    cells_in_series=st.sampled_from((None, 1, 4, 16)),
    rated_ah=st.sampled_from((None, 0.5, 100.0)),
    default_time_zone=st.sampled_from((None, "America/Sao_Paulo")),
)


def first_choice(question: Question) -> str | None:
    return question.choices[0] if question.choices else None


def accounted(content: bytes, suffix: str, chosen: ImportOptions, *, answered: bool) -> None:
    """Read it; whatever comes out must hold together."""
    with tempfile.TemporaryDirectory() as folder:
        path = Path(folder) / f"export{suffix}"
        path.write_bytes(content)
        try:
            recording = read_export(path, chosen, ask=first_choice if answered else None)
        except REFUSED:
            return
    readings, receipt = recording.readings, recording.receipt
    assert len(readings) == receipt.rows_stored
    assert (np.diff(readings.ts_ms) > 0).all()
    for quantity in QUANTITIES:
        known = getattr(readings, quantity.name)
        known = known[~np.isnan(known)]
        assert ((known >= quantity.lowest) & (known <= quantity.highest)).all(), quantity.name
    assert sum(receipt.set_aside_reasons.values()) == len(recording.set_aside) == receipt.rows_set_aside
    twice = sum(repair.count for repair in receipt.repairs if repair.kind in {"duplicate", "another device"})
    if not any(entry.question == "shape" for entry in receipt.inferences):
        assert receipt.rows_read == receipt.rows_stored + receipt.rows_set_aside + twice
    json.dumps(receipt.as_json(), allow_nan=False)


@FUZZ
@example(b"time;U;I\n2024-03-15T21:00:00Z;13,1;-5.814.064,.\n2024-03-15T21:01:00Z;13,1;-5,8\n", ImportOptions(), False)
@example(b"time;U;I\n2024-03-15T21:00:00Z;1e308;1e308\n2024-03-15T21:01:00Z;1e308;-1e308\n", ImportOptions(), False)
@given(wounded(), options, st.booleans())
def test_a_wounded_export_is_read_or_refused(content, chosen, answered):
    accounted(content, ".csv", chosen, answered=answered)


@FUZZ
@given(tables(), options, st.booleans())
def test_a_table_of_anything_is_read_or_refused(content, chosen, answered):
    accounted(content, ".txt", chosen, answered=answered)


@FUZZ
@given(packed(), st.sampled_from((".zip", ".gz", ".csv")), options)
def test_an_archive_of_anything_is_read_or_refused(content, suffix, chosen):
    accounted(content, suffix, chosen, answered=False)


@FUZZ
@given(st.binary(max_size=400), st.sampled_from((".csv", ".zip", ".gz", "")), options)
def test_bytes_of_any_kind_are_read_or_refused(content, suffix, chosen):
    accounted(content, suffix, chosen, answered=False)


@pytest.mark.skipif(sys.platform == "win32", reason="each input has its time, kept by a signal")
def test_exports_with_wounds_that_keep_their_shape_are_read_or_refused():
    """Some of what `python -m tests.bench fuzz shapes` tries."""
    wounds, chance = Wounds(), random.Random(WISHED)

    troubles = [trouble_of(wounds.made(chance.choice(wounds.seeds).data, chance)) for _ in range(WISHED or 150)]

    assert [trouble for trouble in troubles if trouble] == []


def test_what_is_not_met_well_is_told(monkeypatch):
    def fail(_path, _options, ask):
        raise KeyError("nobody foresaw this")

    monkeypatch.setattr("tests.ingest.test_fuzz.read_export", fail)

    assert "nobody foresaw this" in trouble_of(seeds()[0])
