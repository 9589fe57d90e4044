"""Scale: a percentage that shows one number throughout, and may be a fraction, is told of in the receipt with the way out."""

from __future__ import annotations

from dataclasses import replace

import numpy as np

from logbook.ingest import parse_mapping, read_export
from tests.ingest.test_temperature import GIVEN, HEADER, with_one_value
from tests.ingest.trip import lines, trip


def test_a_percentage_below_one_throughout_is_told_with_what_it_was_taken_for(tmp_path):
    recording = with_one_value(tmp_path, soc="0.3")

    assert set(recording.readings.soc_percent) == {30.0}
    (told,) = recording.receipt.warnings
    assert "was read as a fraction of 1: 30 %" in told
    assert 'unit = "%"' in told


def test_a_mapping_settles_that_it_is_an_empty_pack(tmp_path):
    mapping = parse_mapping('[columns.soc_percent]\ncolumn = "SoC (%)"\nunit = "%"\n')

    recording = with_one_value(tmp_path, replace(GIVEN, mapping=mapping), soc="0.3")

    assert set(recording.readings.soc_percent) == {0.3}
    assert recording.receipt.warnings == ()


def test_fractions_that_move_are_fractions(tmp_path):
    path = tmp_path / "trip.csv"
    rows = [row.split(",") for row in lines(trip(300))[1:]]
    text = [HEADER, *(",".join([*row[:4], f"{float(row[4]) / 100:.2f}"]) for row in rows)]
    path.write_text("\n".join(text) + "\n")

    recording = read_export(path, GIVEN)

    assert np.nanmax(recording.readings.soc_percent) > 50.0
    assert recording.receipt.warnings == ()
