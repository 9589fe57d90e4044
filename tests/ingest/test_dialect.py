"""Decimal marks: thousands of milliamperes are no thousandths of amperes."""

from __future__ import annotations

import numpy as np
import pytest

from logbook.ingest import ImportOptions, read_export
from tests.ingest.trip import local, text, trip


def grouped(value: float, mark: str) -> str:
    return f"{round(value):,}".replace(",", mark)


@pytest.mark.parametrize(("thousands", "decimal"), [(",", "."), (".", ",")])
def test_thousands_are_told_by_a_column_that_has_tenths(tmp_path, thousands, decimal):
    t = trip(300)
    rows = [
        f'{local(t.ts_ms[row], "%Y-%m-%d %H:%M:%S")};"{grouped(1000 * t.voltage_v[row], thousands)}";'
        f'"{grouped(1000 * t.current_a[row], thousands)}";{f"{t.temperature_c[row]:.1f}".replace(".", decimal)};{t.soc_percent[row]:.0f}'
        for row in range(300)
    ]
    path = tmp_path / "trip.csv"
    path.write_text(text(["time;Voltage (mV);Current (mA);Temperature (°C);SoC (%)", *rows]), "utf-8")

    recording = read_export(path, ImportOptions(time_zone="UTC", cells_in_series=4, rated_ah=100.0))

    np.testing.assert_allclose(recording.readings.current_a, t.current_a, atol=1e-9)
    np.testing.assert_allclose(recording.readings.voltage_v, t.voltage_v, atol=1e-9)
    np.testing.assert_allclose(recording.readings.temperature_c, t.temperature_c, atol=1e-9)
