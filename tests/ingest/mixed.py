"""Several kinds of mess in one file, as small files with a known truth.

Each was found by combining kinds of the catalogue at random, several hundred files at a time.
"""

from __future__ import annotations

import numpy as np

from logbook.errors import Unanswered
from logbook.ingest import parse_mapping
from tests.ingest.fixture import Fixture
from tests.ingest.trip import HEADER, Trip, lines, local, plain_cells, text, trip

ZONED = {"time_zone": "UTC"}


def _utf8(rows, end: str = "\n") -> bytes:
    return text(rows, end).encode()


def with_columns(t: Trip, header: str, *shown, **settings) -> list[str]:
    """The plain export with columns after its own, each of a row of the trip."""
    return lines(t, lambda r, row: (*plain_cells(**settings)(r, row), *(cell(r, row) for cell in shown)), header=header)


def _with_temperature(t: Trip, shown, header: str = HEADER) -> list[str]:
    return lines(
        t,
        lambda r, row: (*plain_cells()(r, row)[:3], shown(r.temperature_c[row]), plain_cells()(r, row)[4]),
        header=header,
    )


def _dates_once(t: Trip) -> list[str]:
    """The date on each day's first row only."""
    days = [local(ms, "%Y-%m-%d") for ms in t.ts_ms]
    return [
        ",".join(
            [
                "" if row and days[row] == days[row - 1] else days[row],
                local(t.ts_ms[row], "%H:%M:%S"),
                *plain_cells()(t, row)[1:],
            ]
        )
        for row in range(len(t))
    ]


def _names_and_columns() -> list[Fixture]:
    t = trip()
    cells = [lambda r, row, cell=cell: f"{r.voltage_v[row] * 250 + cell:.0f}" for cell in range(4)]
    once = _dates_once(t)
    two_columns = "date,time,voltage_v,current_a,temperature_c,soc_percent"
    moved = lines(
        t.take(slice(298, None)),
        lambda r, row: [plain_cells()(r, row)[place] for place in (0, 2, 1, 4, 3)],
        header=None,
    )
    tenths = _with_temperature(t, lambda c: f"{c * 10:.0f}", "time,voltage,current,Temperatur_0.1°C,SoC")
    return [
        Fixture("cells-without-a-unit", 35, _utf8(with_columns(t, f"{HEADER},Cell 1,Cell 2,Cell 3,Cell 4", *cells)), t),
        Fixture("tenths-after-a-dash", 25, _utf8(tenths), t),
        Fixture("dates-once-and-a-footer", 15, _utf8([two_columns, *once, "Total,,12.5,12.5,12.5,12.5"]), t, ZONED, set_aside={"time cannot be read": 1}),
        Fixture("dates-once-and-headers-again", 10, _utf8([two_columns, *once[:100], two_columns, *once[100:150], two_columns, *once[150:]]), t, ZONED, repairs={"repeated header": 2}),
        Fixture("other-header-before-the-last-rows", 10, _utf8([*lines(t)[:299], "timestamp,current_a,voltage_v,soc_percent,temperature_c", *moved], "\r"), t),
        Fixture("other-header-before-the-very-last-row", 10, _utf8([*lines(t)[:300], "timestamp,current_a,voltage_v,soc_percent,temperature_c", moved[-1]], "\r"), t),
    ]  # fmt: skip


def _temperatures() -> list[Fixture]:
    cold = trip(coldest_c=-9.0, warmest_c=-4.0)
    whole = cold.with_(temperature_c=np.round(cold.temperature_c))
    steady = cold.with_(temperature_c=np.full(len(cold), -4.0))
    coded = cold.temperature_c.copy()
    coded[20::60] = np.nan
    frost = trip(coldest_c=-7.0, warmest_c=3.0)
    in_fahrenheit = _with_temperature(frost, lambda c: f"{c * 1.8 + 32:.1f}", "time,voltage,current,temperature,SoC")
    as_celsius = {
        "mapping": parse_mapping('[columns.temperature_c]\ncolumn = "temperature_c"\nunit = "°C"'),
        "positive": "charge",
    }
    byte = _utf8(_with_temperature(whole, lambda c: f"{c + 256:.0f}", HEADER))
    return [
        Fixture("codes-in-a-file-below-zero", 26, _utf8(_with_temperature(cold.with_(temperature_c=coded), lambda c: "999.9" if np.isnan(c) else f"{c + 6553.6:.1f}")), cold.with_(temperature_c=coded), repairs={"wrapped temperature (16-bit tenths)": 295, "sensor code": 5}),
        Fixture("byte-below-zero-or-tenths", 26, byte, error=Unanswered, message="-9 to -4 °C"),
        Fixture("byte-below-zero-settled", 26, byte, whole, as_celsius, repairs={"wrapped temperature (8-bit)": 300}),
        Fixture("byte-below-zero-that-stands-still", 26, _utf8(_with_temperature(steady, lambda c: f"{c + 256:.0f}", HEADER)), steady, as_celsius, repairs={"wrapped temperature (8-bit)": 300}),
        Fixture("fahrenheit-made-of-celsius", 28, _utf8(in_fahrenheit), frost, inferred={"temperature unit": None}),
    ]  # fmt: skip


def _encodings() -> list[Fixture]:
    t = trip()
    return [
        Fixture("utf32-le", 1, text(lines(t)).encode("utf-32"), t),
        Fixture("utf32-be", 1, b"\x00\x00\xfe\xff" + text(lines(t)).encode("utf-32-be"), t),
        Fixture("utf32-without-a-mark", 1, text(lines(t)).encode("utf-32-le"), t),
    ]


def mixed() -> tuple[Fixture, ...]:
    """All of them."""
    return (*_names_and_columns(), *_temperatures(), *_encodings())
