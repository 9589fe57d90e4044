"""Temperature: one that shows one number throughout, and may be frost, is told of in the receipt."""

from __future__ import annotations

from dataclasses import replace

import numpy as np
import pytest

from logbook.ingest import read_export
from tests.ingest.test_sign import OPTIONS
from tests.ingest.trip import lines, trip

GIVEN = replace(OPTIONS, positive="charge")
HEADER = "timestamp,voltage_v,current_a,temperature_c,SoC (%)"


def with_one_value(tmp_path, options=GIVEN, **shown: str):
    """Three hundred rows in which a column shows what is given."""
    rows = [row.split(",") for row in lines(trip(300))[1:]]
    for name, text in shown.items():
        place = HEADER.split(",").index(name) if name in HEADER else 4
        rows = [[*row[:place], text, *row[place + 1 :]] for row in rows]
    path = tmp_path / "trip.csv"
    path.write_text("\n".join([HEADER, *(",".join(row) for row in rows)]) + "\n")
    return read_export(path, options)


@pytest.mark.parametrize(("shown", "meant"), [("6547.6", "-6 °C"), ("65530", "-6 °C")])
def test_one_temperature_that_may_be_frost_whose_sign_was_lost_is_told(shown: str, meant: str, tmp_path):
    recording = with_one_value(tmp_path, temperature_c=shown)

    assert np.isnan(recording.readings.temperature_c).all()
    (told,) = recording.receipt.warnings
    assert f"shows {shown} in every row" in told
    assert meant in told


@pytest.mark.parametrize("shown", ["65535", "6553.5", "-273.1"])
def test_a_code_of_a_sensor_that_is_not_there_is_no_frost(shown: str, tmp_path):
    recording = with_one_value(tmp_path, temperature_c=shown)

    assert np.isnan(recording.readings.temperature_c).all()
    assert recording.receipt.warnings == ()
