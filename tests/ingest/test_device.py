"""Whose readings a column holds is said by what its name holds beside quantity and unit."""

from __future__ import annotations

import pytest

from logbook.ingest.device import device_named


@pytest.mark.parametrize(
    ("header", "device"),
    [
        ("Pack 2 voltage (V)", "Pack 2"),
        ("Shunt_current_a", "Shunt"),
        ("Spannung links [V]", "links"),
        ("U2", "2"),
        ("voltage_v", ""),
        ("State of charge (%)", ""),
        ("BMS SoC", "BMS"),
    ],
)
def test_the_name_of_a_device_is_what_is_left(header: str, device: str):
    assert device_named(header) == device
