"""Any honest spelling of the same readings gives the same readings, or a question; never other ones."""

from __future__ import annotations

import tempfile
from dataclasses import dataclass
from pathlib import Path

import numpy as np
from hypothesis import HealthCheck, given, settings
from hypothesis import strategies as st

from logbook.errors import Unanswered
from logbook.ingest import ImportOptions, read_export
from tests.ingest.trip import Trip, lines, local, number, text, trip

HEADERS = {
    "time": (
        "timestamp",
        "Time",
        "Datum",
        "Horodatage",
        "Czas",
        "date_time",
        "Čas",
        "Дата и время",
        "时间",
        "Data e hora",
    ),
    "voltage_v": (
        "voltage",
        "Battery voltage",
        "Spannung",
        "Tension",
        "U",
        "pack_voltage",
        "U_Batt",
        "Napětí",
        "Напряжение",
        "电压",
    ),
    "current_a": ("current", "Battery current", "Strom", "Courant", "I", "Prąd", "I_Batt", "Proud", "Ток", "电流"),
    "temperature_c": (
        "temperature",
        "Cell temp",
        "Temperatur",
        "Température",
        "battery_temp",
        "T_Zelle",
        "Teplota",
        "温度",
    ),
    "soc_percent": (
        "soc",
        "State of charge",
        "Ladezustand",
        "SoC",
        "Stav nabití",
        "Заряд",
        "电量",
        "Laddningsnivå",
        "Charge level",
    ),
}
SHAPES = {
    "%Y-%m-%dT%H:%M:%SZ": True,
    "%Y-%m-%d %H:%M:%S+00:00": True,
    "%Y-%m-%d %H:%M:%S": False,
    "%Y/%m/%d %H:%M:%S": False,
    "%d.%m.%Y %H:%M:%S": False,
    "%d/%m/%Y %H:%M:%S": False,
    "%m/%d/%Y %I:%M:%S %p": False,
    "%d %b %Y %H:%M:%S": False,
    "%H:%M:%S %d.%m.%Y": False,
    "%B %d %Y %I:%M:%S %p": False,
    "%Y%m%d %H%M%S": False,
    "%a %d %b %Y %H:%M:%S +0000": True,
    "epoch s": True,
    "epoch ms": True,
}
"""Shape of a time, and whether it says its zone."""
UNITS = {
    "voltage_v": {"": (1.0, 2), " (V)": (1.0, 2), " [mV]": (1000.0, 0)},
    "current_a": {"": (1.0, 1), " (A)": (1.0, 1), " [mA]": (1000.0, 0)},
    "temperature_c": {" (°C)": (1.0, 1), " [°C]": (1.0, 1), " (°F)": (1.8, 2)},
    "soc_percent": {"": (1.0, 0), " (%)": (1.0, 0), " [‰]": (10.0, 0)},
}
COLUMNS = tuple(UNITS)


@dataclass(frozen=True)
class Spelling:
    delimiter: str
    decimal: str
    shape: str
    names: tuple[str, ...]
    units: tuple[str, ...]
    order: tuple[int, ...]
    sign: float
    newest_first: bool
    end: str
    encoding: str
    quoted: bool
    preamble: int
    phantom: bool


@st.composite
def spellings(draw) -> Spelling:
    delimiter = draw(st.sampled_from([",", ";", "\t", "|"]))
    decimal = "." if delimiter == "," else draw(st.sampled_from([".", ","]))
    return Spelling(
        delimiter,
        decimal,
        draw(st.sampled_from(list(SHAPES))),
        tuple(draw(st.sampled_from(names)) for names in HEADERS.values()),
        tuple(draw(st.sampled_from(list(units))) for units in UNITS.values()),
        tuple(draw(st.permutations(range(5)))),
        draw(st.sampled_from([1.0, -1.0])),
        draw(st.booleans()),
        draw(st.sampled_from(["\n", "\r\n", "\r"])),
        draw(st.sampled_from(["utf-8", "utf-8-sig", "utf-16"])),
        draw(st.booleans()),
        draw(st.integers(0, 3)),
        draw(st.booleans()),
    )


def spelled(readings: Trip, how: Spelling) -> bytes:
    def cells(r: Trip, row: int):
        ms = r.ts_ms[row]
        moment = {"epoch s": str(ms // 1000), "epoch ms": str(ms)}.get(how.shape) or local(ms, how.shape)
        values = [moment]
        for name, unit in zip(COLUMNS, how.units, strict=True):
            factor, decimals = UNITS[name][unit]
            value = getattr(r, name)[row] * factor + (32 if "F" in unit else 0)
            values.append(number((how.sign if name == "current_a" else 1) * value + 0.0, decimals, how.decimal))
        return [quote(values[place]) for place in how.order] + [""] * how.phantom

    def quote(cell: str) -> str:
        return f'"{cell}"' if how.quoted else cell

    names = [name + unit for name, unit in zip(how.names, ("", *how.units), strict=True)]
    header = how.delimiter.join([quote(names[place]) for place in how.order] + [""] * how.phantom)
    body = lines(readings, cells, header=None, delimiter=how.delimiter)
    above = [f"Line {place} of some talk" for place in range(how.preamble)]
    return text([*above, header, *(body[::-1] if how.newest_first else body)], how.end).encode(how.encoding)


@settings(max_examples=120, deadline=None, suppress_health_check=[HealthCheck.too_slow], derandomize=True)
@given(how=spellings(), start=st.sampled_from(["2024-01-20T22:00:00", "2024-03-15T21:00:00", "2024-07-31T22:30:00"]))
def test_every_spelling_gives_the_same_readings_or_asks(how: Spelling, start: str):
    truth = trip(start=start)

    with tempfile.TemporaryDirectory() as folder:
        path = Path(folder) / "trip.csv"
        path.write_bytes(spelled(truth, how))
        try:
            recording = read_export(path, ImportOptions(time_zone="UTC", cells_in_series=4, rated_ah=100.0))
        except Unanswered:
            return

    readings = recording.readings
    np.testing.assert_array_equal(readings.ts_ms, truth.ts_ms)
    np.testing.assert_allclose(readings.voltage_v, truth.voltage_v, rtol=0, atol=0.0051)
    np.testing.assert_allclose(readings.current_a, truth.current_a, rtol=0, atol=0.0051)
    np.testing.assert_allclose(readings.temperature_c, truth.temperature_c, rtol=0, atol=0.051)
    np.testing.assert_allclose(readings.soc_percent, truth.soc_percent, rtol=0, atol=0.051)
    assert recording.set_aside == ()
    assert recording.receipt.repairs == ()
