"""The catalogue of messy exports as small files; each number is a kind of mess that loggers are known to make.

1-8 bytes and cells, 9-15 header and shape, 16-23 time, 24-39 values.
"""

from __future__ import annotations

import gzip
import io
import zipfile

import numpy as np

from logbook.errors import BadData, Unanswered
from logbook.ingest import parse_mapping
from tests.ingest.fixture import Fixture
from tests.ingest.mixed import mixed
from tests.ingest.trip import HEADER, Trip, lines, local, number, plain_cells, text, trip

ZONED = {"time_zone": "UTC"}
BERLIN = {"time_zone": "Europe/Berlin"}
NAN = np.nan


def utf8(rows, end="\n") -> bytes:
    return text(rows, end).encode()


def _bytes_and_cells() -> list[Fixture]:
    t = trip()
    german = "Zeit;Spannung [V];Strom [A];Temperatur [°C];Ladezustand [%]"
    eu = lines(t, plain_cells("%d.%m.%Y %H:%M:%S", decimal=","), header=german, delimiter=";")
    plain = lines(t)
    degree = lines(t, header="Time,Voltage (V),Current (A),Temp (°C),SoC (%)")
    found = [
        Fixture("plain", 1, utf8(plain), t),
        Fixture("utf8-bom", 1, b"\xef\xbb\xbf" + utf8(eu), t, ZONED),
        Fixture("utf16-le", 1, text(eu).encode("utf-16"), t, ZONED),
        Fixture("utf16-be-no-bom", 1, text(plain).encode("utf-16-be"), t),
        Fixture("code-page-1252", 1, text(eu).encode("cp1252"), t, ZONED),
        Fixture("mangled-degree", 1, text(degree).replace("°", "Â°").encode(), t),
        Fixture("lost-degree", 1, text(degree).replace("°", "?").encode(), t),
        Fixture("crlf", 2, utf8(plain, "\r\n"), t),
        Fixture("cr", 2, utf8(plain, "\r"), t),
        Fixture("mixed-ends-and-blanks", 2, (text(plain[:50], "\r\n") + "\n\n" + text(plain[50:], "\n")).encode(), t),
        Fixture("trailing-delimiter", 2, utf8([row + "," for row in plain]), t),
        Fixture(
            "nul-tail",
            2,
            utf8(plain[:-1]) + plain[-1][:12].encode() + b"\x00" * 40,
            t.take(slice(0, -1)),
            set_aside={"NUL bytes, as left by a power cut": 1},
        ),
        Fixture(
            "torn-last-row",
            2,
            utf8(plain[:-1]) + plain[-1][:30].encode(),
            t.take(slice(0, -1)),
            set_aside={"torn row: fewer than 5 cells": 1},
        ),
        Fixture(
            "torn-first-row",
            2,
            utf8([plain[0], plain[1].rsplit(",", 2)[0], *plain[2:]]),
            t.take(slice(1, None)),
            set_aside={"torn row: fewer than 5 cells": 1},
        ),
        Fixture("sep-line", 3, utf8(["sep=;", *eu]), t, ZONED),
        Fixture("tabs", 3, utf8([row.replace(",", "\t") for row in plain]), t, suffix=".txt"),
        Fixture("bars-with-spaces", 3, utf8([row.replace(",", " | ") for row in plain]), t),
        Fixture(
            "quoted-after-blanks-and-dashes",
            3,
            utf8(
                [
                    ", ".join(f'"{cell}"' if (row + place) % 3 else cell for place, cell in enumerate(cells.split(",")))
                    for row, cells in enumerate([plain[0], ",".join(["-----"] * 5), *plain[1:]])
                ]
            ),
            t,
        ),
        Fixture("quoted", 3, utf8([",".join(f'"{cell}"' for cell in row.split(",")) for row in plain]), t),
        Fixture("decimal-comma", 4, utf8(eu), t, ZONED),
        Fixture(
            "decimal-comma-quoted-in-commas",
            4,
            utf8([HEADER, *(",".join(f'"{c}"' if "," in c else c for c in row.split(";")) for row in eu[1:])]),
            t,
            ZONED,
        ),
        Fixture(
            "decimal-comma-in-commas",
            4,
            utf8(
                [
                    HEADER,
                    *(
                        row.replace(";", ",")
                        for row in lines(t, plain_cells("%Y-%m-%d %H:%M:%S", decimal=","), header=None, delimiter=";")
                    ),
                ]
            ),
            error=BadData,
            message="decimal comma",
        ),
        Fixture("thousands-and-odd-signs", 5, utf8(_odd_numbers(t)), t, ZONED),
        Fixture("units-in-cells", 6, utf8(_units_in_cells(t)), t),
        Fixture("units-in-cells-that-change", 6, utf8(_changing_units(t)), t),
        Fixture(
            "milliamperes-in-cells-under-amps",
            6,
            utf8(
                lines(
                    t,
                    lambda r, row: (
                        *plain_cells()(r, row)[:2],
                        f"{r.current_a[row] * 1000:.0f} mA",
                        *plain_cells()(r, row)[3:],
                    ),
                    header="Time,Volts,Amps,Temp °C,SoC %",
                )
            ),
            t,
        ),
        Fixture("words-for-nothing", 6, *_words_for_nothing(t)),
    ]
    gz, archive = io.BytesIO(), io.BytesIO()
    with gzip.GzipFile(fileobj=gz, mode="wb", mtime=0) as packed:
        packed.write(utf8(plain))
    with zipfile.ZipFile(archive, "w") as packed:
        packed.writestr(zipfile.ZipInfo("export/trip.csv"), utf8(plain))
    return [
        *found,
        Fixture("gzip", 7, gz.getvalue(), t, suffix=".csv.gz"),
        Fixture("zip", 7, archive.getvalue(), t, suffix=".zip"),
        Fixture("json", 7, b'[{"time": 1, "v": 13.2}]', error=BadData, message="JSON"),
        Fixture("html", 7, b"<!DOCTYPE html><html><body>Please log in</body></html>", error=BadData, message="web page"),
        Fixture("binary", 7, bytes(range(256)) * 40, error=BadData, message="binary"),
        Fixture("spreadsheet", 7, _zip_of({"[Content_Types].xml": b"<x/>", "xl/workbook.xml": b"<x/>"}), error=BadData, message="spreadsheet"),
        Fixture("zip-path-trick", 7, _zip_of({"../../trip.csv": utf8(plain)}), suffix=".zip", error=BadData, message="outside itself"),
Fixture("zip-of-days", 7, _zip_of({"b.csv": utf8([*plain[:1], *plain[151:]]), "a.csv": utf8(plain[:151]), "readme.txt": b"Have fun.\n"}), t, suffix=".zip", inferred={"tables": "2 of the archive, one after another"}),
        Fixture("zip-of-other-shapes", 7, _zip_of({"a.csv": utf8(plain[:151]), "b.csv": utf8([eu[0], *eu[151:]])}), t, ZONED, suffix=".zip"),
        Fixture("zip-of-two-packs", 7, _two_packs_zipped(plain), suffix=".zip", error=Unanswered, message="house.csv or starter.csv"),
        Fixture("zip-of-two-packs-one-named", 7, _two_packs_zipped(plain), t, {"device": "house.csv"}, suffix=".zip", repairs={"another device": 300}),
        Fixture("zip-without-readings", 7, _zip_of({"a.csv": b"x", "b.csv": b"y"}), suffix=".zip", error=BadData, message="No table"),
        Fixture("zip-of-too-many", 7, _zip_of({f"{place}.csv": b"x" for place in range(101)}), suffix=".zip", error=BadData, message="101 files"),
        Fixture("zip-bomb", 7, _bomb(), suffix=".gz", error=BadData, message="times its size"),
        Fixture("of-another-pack", 24, utf8([HEADER, *(",".join([c[0], f"{2 * float(c[1]):.2f}", *c[2:]]) for c in (row.split(",") for row in plain[1:]))]), error=BadData, message="more than 4 cells in series can show"),
        Fixture("empty", 7, b"", error=BadData, message="empty"),
        Fixture("blank", 7, b"\n \n\n", error=BadData, message="blanks"),
        Fixture("prose", 7, b"Dear diary,\ntoday we drove far.\nGood night.\n" * 20, error=BadData, message="delimiter"),
        Fixture("no-readings", 7, (HEADER + "\n").encode(), error=BadData, message="No (table of )?readings"),
        Fixture("text-in-numbers", 7, utf8([HEADER, *(f"{row.split(',')[0]},high,low,warm,full" for row in plain[1:])]), error=BadData, message="No"),
        Fixture("no-usable-columns", 7, utf8(["time,humidity,wind", *(f"{row.split(',')[0]},55,3.2" for row in plain[1:])]), error=BadData, message="voltage or current"),
        Fixture("rounded-epoch", 8, utf8(["time,V,A", *(f"1.71E+12,{v},{a}" for v, a in zip(t.voltage_v, t.current_a, strict=True))]), error=BadData, message="lost their digits"),
        Fixture("spreadsheet-days", 8, utf8(_serial(t)), t, {**ZONED, "now_ms": 1_800_000_000_000}, tolerance={"ts_ms": 1000}),
    ]  # fmt: skip


def _odd_numbers(t: Trip) -> list[str]:
    def cells(r: Trip, row: int):
        i = r.current_a[row]
        shown = [f"−{abs(i):.1f}", f"{abs(i):.1f}-", f"({abs(i):.1f})"][row % 3] if i < 0 else f"+{i:.1f}"
        millivolts = f"{round(r.voltage_v[row] * 1000):,}".replace(",", ["\u00a0", "\u202f", "'"][row % 3])
        return (
            local(r.ts_ms[row], "%Y-%m-%d %H:%M:%S"),
            millivolts,
            shown,
            f"{r.temperature_c[row]:.1f}",
            f"{r.soc_percent[row]:.0f}",
        )

    return lines(t, cells, header="time,voltage mV,current A,temperature,SoC")


def _units_in_cells(t: Trip) -> list[str]:
    def cells(r: Trip, row: int):
        base = plain_cells()(r, row)
        return (base[0], base[1] + " V", base[2] + "A", base[3] + " °C", base[4] + "%")

    return lines(t, cells, header="Time,Voltage,Current,Temperature,State of charge")


def _changing_units(t: Trip) -> list[str]:
    """A display that shows mA below 10 A."""

    def cells(r: Trip, row: int):
        base = plain_cells()(r, row)
        i = r.current_a[row]
        return (
            base[0],
            base[1] + " V",
            f"{i:.1f} A" if abs(i) >= 10 else f"{i * 1000:.0f} mA",
            base[3] + " °C",
            base[4] + " %",
        )

    return lines(t, cells, header="Time,Voltage,Current,Temperature,State of charge")


def _words_for_nothing(t: Trip):
    words = ["N/A", "--", "—", "null", "nan", "unavailable", "OL", "ERR", ""]
    rows = lines(t)
    temperature = t.temperature_c.copy()
    for place, word in enumerate(words):
        row = 20 + 9 * place
        parts = rows[row + 1].split(",")
        parts[3] = word
        rows[row + 1] = ",".join(parts)
        temperature[row] = NAN
    return utf8(rows), t.with_(temperature_c=temperature)


def _serial(t: Trip) -> list[str]:
    def cells(r: Trip, row: int):
        return (f"{r.ts_ms[row] / 86_400_000 + 25_569:.6f}", *plain_cells()(r, row)[1:])

    return lines(t, cells)


def _zip_of(files: dict[str, bytes]) -> bytes:
    packed = io.BytesIO()
    with zipfile.ZipFile(packed, "w") as archive:
        for name, content in files.items():
            archive.writestr(zipfile.ZipInfo(name), content)
    return packed.getvalue()


def _two_packs_zipped(plain: list[str]) -> bytes:
    starter = [
        ",".join([c[0], f"{float(c[1]) - 0.7:.2f}", "0.1", *c[3:]]) for c in (row.split(",") for row in plain[1:])
    ]
    return _zip_of({"house.csv": utf8(plain), "starter.csv": utf8([plain[0], *starter])})


def _bomb() -> bytes:
    packed = io.BytesIO()
    with gzip.GzipFile(fileobj=packed, mode="wb", mtime=0) as archive:
        for _ in range(40):
            archive.write(b"0" * (1 << 20))
    return packed.getvalue()


def _header_and_shape() -> list[Fixture]:
    t = trip()
    plain = lines(t)
    half = len(t) // 2
    swapped = [",".join([c[0], c[2], c[1], c[4], c[3]]) for c in (row.split(",") for row in plain[half + 1 :])]
    millivolts = [
        f"{c[0]},{round(float(c[1]) * 1000)},{round(float(c[2]) * 1000)},{c[3]},{c[4]}"
        for c in (row.split(",") for row in plain[half + 1 :])
    ]
    languages = {
        "english": "Time,Battery Voltage (V),Battery Current (A),Battery Temperature (°C),State of Charge (%)",
        "german": "Zeitstempel,Spannung,Strom,Temperatur,Ladezustand",
        "french": "Horodatage,Tension (V),Courant (A),Température (°C),État de charge (%)",
        "spanish": "Fecha,Tensión,Corriente,Temperatura,Estado de carga",
        "italian": "Data,Tensione [V],Corrente [A],Temperatura [°C],Stato di carica [%]",
        "polish": "Czas,Napięcie,Prąd,Temperatura,Stan naładowania",
        "dutch": "Tijd,Spanning,Stroom,Temperatuur,Laadtoestand",
        "short": "t,U,I,T,SOC",
        "units-only": "time,V,A,°C,%",
    }
    found = [Fixture(f"header-{name}", 12, utf8([header, *plain[1:]]), t) for name, header in languages.items()]
    preamble = ["Serial number,A1234567", "Capacity,100 Ah", "Exported,2024-03-16", "", "---,---,---,---,---"]
    sources = ["Battery,,,,", "Time,Voltage,Current,Temperature,SoC", "UTC,V,A,°C,%", "-----,-----,-----,-----,-----"]
    return [
        *found,
        Fixture("preamble-and-footer", 9, utf8([*preamble[:4], *plain, "Average,13.1,2.0,9.5,60", "Rows: 300"]), t, set_aside={"not a row of readings": 1, "time cannot be read": 1}),
        Fixture("units-row-and-dashes", 9, utf8([*sources[1:3], preamble[4], *plain[1:]]), t),
        Fixture("repeated-header", 10, utf8([*plain[:100], HEADER, *plain[100:200], HEADER, *plain[200:]]), t, repairs={"repeated header": 2}),
        Fixture("header-changes-order", 10, utf8([*plain[: half + 1], "timestamp,current_a,voltage_v,soc_percent,temperature_c", *swapped]), t),
        Fixture("header-changes-units", 10, utf8([*plain[: half + 1], "timestamp,voltage_mv,current_ma,temperature_c,soc_percent", *millivolts]), t),
        Fixture("no-header", 11, utf8(plain[1:]), t),
        Fixture("no-header-doubtful", 11, utf8([",".join(row.split(",")[:2]) for row in plain[1:]]), error=Unanswered, message="no header"),
        Fixture("two-temperatures", 11, utf8(["timestamp,voltage,current,Temp,Temp,SoC", *(",".join([*c[:3], c[3], "0", c[4]]) for c in (row.split(",") for row in plain[1:]))]), t),
        Fixture("two-packs", 11, utf8(["timestamp,Pack 1 V,Pack 1 A,Pack 2 V,Pack 2 A", *(f"{c[0]},{c[1]},{c[2]},{float(c[1]) * 2:.2f},0.3" for c in (row.split(",") for row in plain[1:]))]), error=Unanswered, message="--device NAME"),
        Fixture("two-packs-one-named", 11, utf8(["timestamp,Pack 1 V,Pack 1 A,Pack 2 V,Pack 2 A,Temp,SoC", *(f"{c[0]},{float(c[1]) * 2:.2f},0.3,{c[1]},{c[2]},{c[3]},{c[4]}" for c in (row.split(",") for row in plain[1:]))]), t, {"device": "Pack 2"}, inferred={"device": "Pack 2"}),
        Fixture("two-monitors-one-named", 11, utf8(["timestamp,BMS voltage,BMS current,Shunt voltage,Shunt current,Temp,SoC", *(f"{c[0]},{float(c[1]) - 0.1:.1f},{-float(c[2]):.0f},{c[1]},{c[2]},{c[3]},{c[4]}" for c in (row.split(",") for row in plain[1:]))]), t, {"device": "shunt"}, inferred={"device": "Shunt"}),
        Fixture("device-column", 11, utf8(_with_devices(t)), error=Unanswered, message="--device NAME"),
        Fixture("device-column-one-named", 11, utf8(_with_devices(t)), t, {"device": "House"}, repairs={"another device": 300}, inferred={"device": "House"}),
        Fixture("device-column-misspelt", 11, utf8(_with_devices(t)), options={"device": "Hose"}, error=BadData, message="House"),
        Fixture("device-renamed", 11, utf8([HEADER + ",Device", *(f"{row},{'Van' if place > 120 else 'My monitor'}" for place, row in enumerate(plain[1:]))]), t),
        Fixture("long-two-devices", 14, _long_devices(t)[0], error=Unanswered, message="Left or Right"),
        Fixture("cell-columns-of-zero", 11, utf8(_cells_rows(t)), t),
        Fixture("charge-percent", 13, utf8(["Date/Time,Volts,Amps,Temp °C,Charge %", *plain[1:]]), t),
        Fixture("charge-alone", 13, utf8(["Time,Volts,Amps,Temp °C,Charge", *plain[1:170]]), None, {"rated_ah": 280.0}, error=Unanswered, message='column "Charge"'),
        Fixture("long", 14, *_long(t)),
        Fixture("on-change", 14, *_on_change(t)),
        Fixture("date-and-time-columns", 15, utf8(_two_columns(t, every=True)), t, ZONED),
        Fixture("date-once-a-day", 15, utf8(_two_columns(t, every=False)), t, ZONED),
        Fixture("elapsed-with-start-above", 15, utf8(["Start: 2024-03-15 21:00:00", "", *_elapsed(t)]), t, ZONED),
        Fixture("elapsed-without-start", 15, utf8(_elapsed(t)), options=ZONED, error=Unanswered, message="when did it begin"),
        Fixture("newest-first", 15, utf8([HEADER, *plain[:0:-1]]), t),
        Fixture("shuffled", 15, utf8([HEADER, *np.random.default_rng(3).permutation(plain[1:]).tolist()]), t),
    ]  # fmt: skip


def _cells_rows(t: Trip) -> list[str]:
    head = HEADER + "," + ",".join(f"Cell {n} mV" for n in range(1, 9))
    rows = [head]
    for row, cells in enumerate(lines(t)[1:]):
        quarter = round(t.voltage_v[row] * 250)
        rows.append(cells + "," + ",".join([str(quarter)] * 4 + ["0"] * 4))
    return rows


def _long(t: Trip):
    rows = ["time,sensor,value,unit"]
    t = t.take(slice(0, 150))
    names = (
        ("Battery voltage", "voltage_v", "V", 2),
        ("Battery current", "current_a", "A", 1),
        ("Temperature", "temperature_c", "°C", 1),
        ("State of charge", "soc_percent", "%", 0),
    )
    for row in range(len(t)):
        for name, column, unit, decimals in names:
            rows.append(
                f"{local(t.ts_ms[row], '%Y-%m-%dT%H:%M:%SZ')},{name},{number(getattr(t, column)[row], decimals)},{unit}"
            )
    return utf8(rows), t


def _with_devices(t: Trip) -> list[str]:
    """A house pack and a starter pack, row by row, with the device's name in a column."""
    rows = [f"{HEADER},device"]
    for row in lines(t)[1:]:
        c = row.split(",")
        rows += [f"{row},House", f"{c[0]},{float(c[1]) - 0.6:.2f},0.2,{c[3]},100,Starter"]
    return rows


def _long_devices(t: Trip):
    rows = ["time,sensor,value,unit"]
    for row in range(150):
        when = local(t.ts_ms[row], "%Y-%m-%dT%H:%M:%SZ")
        rows += [
            f"{when},Left voltage,{t.voltage_v[row]:.2f},V",
            f"{when},Left current,{t.current_a[row]:.1f},A",
            f"{when},Right voltage,{12.6 + row % 3 / 100:.2f},V",
        ]
    return utf8(rows), t.take(slice(0, 150))


def _on_change(t: Trip):
    """Each quantity only where it changed; the first row has all."""
    rows = [HEADER]
    shown = [plain_cells()(t, row) for row in range(len(t))]
    for row, cells in enumerate(shown):
        kept = [
            cells[0],
            *("" if row and cells[place] == shown[row - 1][place] else cells[place] for place in range(1, 5)),
        ]
        rows.append(",".join(kept))
    return utf8(rows), t


def _two_columns(t: Trip, *, every: bool) -> list[str]:
    rows = ["Datum;Uhrzeit;Spannung (V);Strom (A);Temperatur (°C);SOC (%)"]
    last = ""
    for row in range(len(t)):
        cells = plain_cells("%d.%m.%Y|%H:%M:%S", decimal=",")(t, row)
        date, clock = cells[0].split("|")
        rows.append(";".join([date if every or date != last else "", clock, *cells[1:]]))
        last = date
    return rows


def _elapsed(t: Trip) -> list[str]:
    def cells(r: Trip, row: int):
        return (str((r.ts_ms[row] - r.ts_ms[0]) // 1000), *plain_cells()(r, row)[1:])

    return lines(t, cells, header="Elapsed (s),Voltage (V),Current (A),Temperature (°C),SoC (%)")


def _time() -> list[Fixture]:
    t = trip()
    coarse = t.take(slice(0, None, 5))
    short = trip(180)
    shapes = {
        "iso-space-offset": ("%Y-%m-%d %H:%M:%S+00:00", 0.0, {}),
        "iso-offset-two": ("%Y-%m-%dT%H:%M:%S+0200", 2.0, {}),
        "iso-no-zone": ("%Y-%m-%d %H:%M:%S", 1.0, BERLIN),
        "year-first-slashes": ("%Y/%m/%d %H:%M:%S", 1.0, BERLIN),
        "month-name": ("%d-%b-%Y %H:%M:%S", 1.0, BERLIN),
        "month-name-first": ("%b %d, %Y %H:%M:%S", 1.0, BERLIN),
        "weekday": ("%a %b %d %Y %H:%M:%S GMT+0000 (UTC)", 0.0, {}),
        "twelve-hours": ("%m/%d/%Y %I:%M:%S %p", 1.0, BERLIN),
        "twelve-hours-dots": ("%d.%m.%Y %I:%M:%S p.m.", 1.0, BERLIN),
        "two-digit-year": ("%d.%m.%y %H:%M:%S", 1.0, BERLIN),
        "compact": ("%Y%m%dT%H%M%SZ", 0.0, {}),
        "compact-digits": ("%Y%m%d%H%M%S", 1.0, BERLIN),
        "dotted-clock": ("%d.%m.%Y %H.%M.%S", 1.0, BERLIN),
        "no-seconds": ("%Y-%m-%d %H:%M", 1.0, BERLIN),
        "day-first-slashes": ("%d/%m/%Y %H:%M:%S", 1.0, BERLIN),
    }
    found = []
    for name, (shape, offset, options) in shapes.items():
        cells = plain_cells(shape, offset_h=offset)
        if name == "twelve-hours-dots":
            cells = _spanish_noon
        found.append(
            Fixture(
                name,
                16,
                utf8([row.replace(",", ";") if name != "month-name-first" else row for row in _semicolons(t, cells)]),
                t,
                options,
            )
        )
    epochs = {"epoch-s": 1e3, "epoch-ms": 1.0, "epoch-us": 1e-3}
    for name, divisor in epochs.items():
        found.append(
            Fixture(
                name,
                16,
                utf8(lines(t, lambda r, row, d=divisor: (f"{r.ts_ms[row] / d:.0f}", *plain_cells()(r, row)[1:]))),
                t,
            )
        )
    fast = trip(300, interval_s=10.0)
    spring, autumn = trip(240, start="2024-03-30T23:00:00"), trip(240, start="2024-10-26T23:00:00")
    days = trip(300, start="2024-02-27T20:00:00", interval_s=900.0)
    vague = trip(200, start="2024-03-04T08:00:00")
    berlin = [local(ms, "%Y-%m-%d %H:%M:%S", 2.0 if ms < 1_729_990_800_000 else 1.0) for ms in autumn.ts_ms]
    summer = [local(ms, "%Y-%m-%d %H:%M:%S", 1.0 if ms < 1_711_846_800_000 else 2.0) for ms in spring.ts_ms]
    reset = _reset(t)
    return [
        *found,
        Fixture("no-seconds-many-rows", 16, utf8(lines(fast, plain_cells("%Y-%m-%dT%H:%MZ"))), fast, inferred={"seconds": "6 rows a minute, spread evenly in their order"}),
        Fixture("day-or-month-by-steps", 17, utf8(_semicolons(days, plain_cells("%d/%m/%Y %H:%M:%S"))), days, ZONED, inferred={"order of day and month": "day-first"}),
        Fixture("month-or-day-by-steps", 17, utf8(_semicolons(trip(300, start="2024-02-02T20:00:00", interval_s=900.0), plain_cells("%m/%d/%Y %H:%M:%S"))), trip(300, start="2024-02-02T20:00:00", interval_s=900.0), ZONED, inferred={"order of day and month": "month-first"}),
        Fixture("day-or-month-open", 17, utf8(_semicolons(vague, plain_cells("%d/%m/%Y %H:%M:%S"))), options=ZONED, error=Unanswered, message="day first or month first"),
        Fixture("day-or-month-mapped", 17, utf8(_semicolons(vague, plain_cells("%d/%m/%Y %H:%M:%S"))), vague, {**ZONED, "mapping": parse_mapping('[time]\norder = "day-first"')}),
        Fixture("no-zone-nobody-asked", 18, utf8(_semicolons(t, plain_cells("%Y-%m-%d %H:%M:%S"))), error=Unanswered, message="--timezone"),
        Fixture("zone-of-the-pack", 18, utf8(_semicolons(t, plain_cells("%Y-%m-%d %H:%M:%S", offset_h=1.0))), t, {"default_time_zone": "Europe/Berlin"}, inferred={"time zone": "Europe/Berlin"}),
        Fixture("zone-in-the-header-lines", 18, utf8(["Times in UTC+01:00", *_semicolons(t, plain_cells("%Y-%m-%d %H:%M:%S", offset_h=1.0))]), t, inferred={"time zone": "UTC+01:00"}),
        Fixture("summer-time-ends", 18, utf8(_timed(autumn, berlin)), autumn, BERLIN, repairs={"repeated hour": 120}),
        Fixture("summer-time-begins", 18, utf8(_timed(spring, summer)), spring, BERLIN),
        Fixture(
            "summer-time-ignored",
            18,
            utf8(_semicolons(spring, plain_cells("%Y-%m-%d %H:%M:%S", offset_h=1.0))),
            spring,
            BERLIN,
            inferred={"summer time": "the clock does not follow it"},
        ),
        Fixture("summer-time-shows-the-zone-is-wrong", 18, utf8(_timed(autumn, berlin)), options={"default_time_zone": "UTC"}, error=Unanswered, message="Europe/Berlin"),
        Fixture("clock-reset-contiguous", 19, utf8(reset), t, repairs={"clock reset": 60}),
        Fixture("clock-reset-lost", 19, utf8(_reset(t, gap=30)), t.take(np.r_[0:120, 180:300]), set_aside={"the clock was not set (after a loss of power)": 60}),
        Fixture("clock-reset-two-boots", 19, utf8(_reset(t, boots=2)), t.take(np.r_[0:120, 150:300]), repairs={"clock reset": 30}, set_aside={"the clock was not set (after a loss of power)": 30}),
        Fixture("never-set", 19, utf8(lines(trip(start="1970-01-01T00:00:10"))), error=BadData, message="never set"),
        Fixture("stray-future-row", 20, utf8(_stray(t)), t.take(np.r_[0:77, 78:300]), set_aside={"its time stands apart from the rows around it": 1}),
        Fixture("same-time-other-values", 20, utf8([*lines(t)[:101], lines(t)[100].replace(",13.", ",12."), *lines(t)[101:]]), t, set_aside={"another reading has the same time and other values": 1}),
        Fixture("gap-stays-a-gap", 22, utf8(lines(t.take(np.r_[0:100, 220:300]))), t.take(np.r_[0:100, 220:300])),
        Fixture("overlapping-exports-glued", 23, utf8([*lines(t)[:201], *lines(t)[101:]]), t, repairs={"duplicate": 100}),
        Fixture("two-files-glued", 23, utf8([*lines(t)[:201], *lines(t)[:1], *lines(t)[101:]]), t, repairs={"duplicate": 100, "repeated header": 1}),
        Fixture("two-files-of-other-kinds-glued", 23, utf8([*lines(t)[:201], *_semicolons(t.take(slice(200, None)), plain_cells("%d.%m.%Y %H:%M:%S", decimal=","))]), t, ZONED),
        Fixture("other-rounding", 23, utf8([*lines(t), *_rounded(t)]), t, repairs={"duplicate": 300}),
        Fixture("an-hour-apart", 23, utf8([*lines(t), *lines(t, plain_cells(offset_h=1.0), header=None)]), t, set_aside={"the same readings stand before, 1 h apart": 300}),
        Fixture("coarser-copy", 23, utf8([*lines(t), *lines(coarse.with_(ts_ms=coarse.ts_ms + 1000), header=None)]), t, set_aside={"a coarser copy of readings that are here in full": 60}),
        Fixture("short", 21, utf8(lines(short)), short),
    ]  # fmt: skip


def _semicolons(t: Trip, cells) -> list[str]:
    return lines(t, cells, header=HEADER.replace(",", ";"), delimiter=";")


def _timed(t: Trip, times: list[str]) -> list[str]:
    return lines(t, lambda r, row: (times[row], *plain_cells()(r, row)[1:]))


def _spanish_noon(r: Trip, row: int):
    shown = local(r.ts_ms[row], "%d.%m.%Y %I:%M:%S %p", 1.0).replace("AM", "a. m.").replace("PM", "p. m.")
    return (shown, *plain_cells()(r, row)[1:])


def _rounded(t: Trip) -> list[str]:
    def cells(r: Trip, row: int):
        return (
            plain_cells()(r, row)[0],
            f"{r.voltage_v[row]:.1f}",
            f"{r.current_a[row]:.1f}",
            f"{r.temperature_c[row]:.0f}",
            f"{r.soc_percent[row]:.0f}",
        )

    return lines(t, cells, header=None)


def _reset(t: Trip, boots: int = 1, gap: int = 0) -> list[str]:
    """Rows 120 to 180 with a clock that began again at 1970; with a gap, the readings leap where it was set."""
    rows = lines(t)
    for row in range(120, 180):
        boot = (row - 120) % (60 // boots)
        seconds = 5 + 60 * boot
        rows[row + 1] = (
            f"1970-01-01T{seconds // 3600:02d}:{seconds // 60 % 60:02d}:{seconds % 60:02d}Z,"
            + rows[row + 1].split(",", 1)[1]
        )
    if gap:
        rows[180] = ",".join([rows[180].split(",")[0], "12.40", *rows[180].split(",")[2:]])
    return rows


def _stray(t: Trip) -> list[str]:
    rows = lines(t)
    rows[78] = "2044" + rows[78][4:]
    return rows


def _values() -> list[Fixture]:
    t = trip()
    cold = trip(coldest_c=-6.0, warmest_c=5.0)
    below = int((cold.temperature_c < 0).sum())
    whole_cold = cold.with_(temperature_c=np.round(cold.temperature_c))
    below_whole = int((whole_cold.temperature_c < 0).sum())
    warm = trip(coldest_c=8.0, warmest_c=14.0)
    bare = "timestamp,voltage,current,temperature,soc"
    turned = t.current_a.copy()
    return [
        Fixture("discharge-positive", 24, utf8(lines(t, plain_cells(sign=-1.0))), t, inferred={"positive current": "discharge"}),
        Fixture("discharge-positive-said-by-header", 24, utf8(lines(t, plain_cells(sign=-1.0), header="timestamp,voltage_v,I (discharge +),temperature_c,soc_percent")), t, inferred={"positive current": "discharge"}),
        Fixture("sign-given", 24, utf8(lines(t.take(slice(0, 60)), plain_cells(sign=-1.0))), t.take(slice(0, 60)), {"positive": "discharge"}),
        Fixture("sign-unknown", 24, utf8(lines(_at_rest(t))), error=Unanswered, message="--positive"),
        Fixture("sign-header-against-readings", 24, utf8(lines(t, header="timestamp,voltage_v,I (discharge +),temperature_c,soc_percent")), error=Unanswered, message="The header says discharge"),
        Fixture("direction-words", 24, utf8(_with_direction(t, ("Charging", "Discharging"))), t),
        Fixture("direction-words-german", 24, utf8(_with_direction(t, ("Laden", "Entladen"))), t),
        Fixture("direction-codes", 24, utf8(_with_direction(t, ("1", "2"))), t),
        Fixture("two-current-columns", 24, utf8(_two_currents(t)), t),
        Fixture("power-signed-current-not", 24, utf8(_power(t, signed=False)), t),
        Fixture("power-without-current", 24, utf8(_power(t, signed=None)), t, tolerance={"current_a": 0.02}),
        Fixture("unsigned-without-direction", 24, utf8(lines(t.with_(current_a=np.abs(turned)))), error=Unanswered, message="no sign"),
        Fixture("unsigned-beside-a-counter", 24, utf8(_counted(t)), _told_by_counter(t), inferred={"direction of the current": "as its remaining_ah rises and falls"}, repairs={"no direction": 3}),
        Fixture("sign-turns-over", 24, utf8(_turned_over(trip(600))), trip(600), repairs={"sign turned over": 150}),
        Fixture("millivolts-milliamperes-epoch", 25, utf8(_milli(t, "Time,Pack mV,Pack mA,Temp (C),SoC", 1000)), t),
        Fixture("milli-without-a-word", 25, utf8(_milli(t, bare, 1000)), t),
        Fixture("centivolts", 25, utf8(lines(t, lambda r, row: (plain_cells()(r, row)[0], f"{r.voltage_v[row] * 100:.0f}", *plain_cells()(r, row)[2:]), header=bare)), t),
        Fixture("soc-fraction", 25, utf8(lines(t, lambda r, row: (*plain_cells()(r, row)[:4], f"{r.soc_percent[row] / 100:.2f}"), header=bare)), t),
        Fixture("soc-permille", 25, utf8(lines(t, lambda r, row: (*plain_cells()(r, row)[:4], f"{r.soc_percent[row] * 10:.0f}"), header=bare)), t),
        *_wrapped(cold, whole_cold, below, below_whole),
        Fixture("codes-of-absent-sensors", 27, *_temperature_codes(warm), repairs={"sensor code": 8}),
        Fixture("cold-readings-stay", 27, utf8(lines(cold)), cold),
        Fixture("probe-that-never-moves", 27, utf8(lines(_frozen_probe(), header=HEADER)), _frozen_probe().with_(temperature_c=np.full(120, NAN)), {"positive": "charge"}, repairs={"sensor code": 120}),
        Fixture("fahrenheit", 28, utf8(_fahrenheit(t, "timestamp,voltage_v,current_a,Temp °F,soc")), t),
        Fixture("fahrenheit-without-a-word", 28, utf8(_fahrenheit(trip(coldest_c=18.0, warmest_c=26.0), bare)), trip(coldest_c=18.0, warmest_c=26.0)),
        Fixture("fahrenheit-or-celsius", 28, utf8(lines(trip(coldest_c=36.0, warmest_c=44.0), header=bare)), error=Unanswered, message="°C or °F"),
        Fixture("kelvin", 28, utf8(lines(t, lambda r, row: (*plain_cells()(r, row)[:3], f"{r.temperature_c[row] + 273.15:.2f}", plain_cells()(r, row)[4]), header=bare)), t),
        Fixture("tenths-of-kelvin", 28, utf8(lines(t, lambda r, row: (*plain_cells()(r, row)[:3], f"{r.temperature_c[row] * 10 + 2731.5:.0f}", plain_cells()(r, row)[4]), header=bare)), t, tolerance={"temperature_c": 0.1}),
        Fixture("cell-probe-before-board", 28, utf8(_three_probes(t)), t),
        Fixture("sentinels", 29, *_sentinels(t), repairs={"no value (voltage_v)": 2, "no value (current_a)": 2, "no value (soc_percent)": 2}),
        Fixture("rows-of-zeros", 29, *_zero_rows(t), set_aside={"every value is zero: the monitor had none": 3}),
        Fixture("zero-volts-are-an-event", 29, utf8(lines(_opened(t))), _opened(t)),
        Fixture("frozen-rows", 30, *_frozen(t), set_aside={"frozen: the row before repeats itself while charge flows": 39}),
        Fixture("long-rest-is-not-frozen", 30, utf8(lines(_long_rest())), _long_rest(), {"positive": "charge"}),
        Fixture("spikes", 31, *_spikes(t), repairs={"no value (voltage_v)": 1, "temperature spike": 1, "spike (soc_percent)": 1}),
        Fixture("surge-is-not-a-spike", 31, utf8(lines(_surge(t))), _surge(t)),
        Fixture("shifted-columns", 31, *_shifted(t), set_aside={"its values stand in the wrong columns": 2}),
        Fixture("dead-band", 32, utf8(lines(_dead_band(t))), _dead_band(t)),
        Fixture("false-full", 33, utf8(lines(_false_full(t))), _false_full(t)),
        Fixture("counters-and-status", 34, utf8(_counters(t)), t),
        Fixture("cells", 35, utf8(_cells_only(t)), t, tolerance={"voltage_v": 0.011}),
        Fixture("private-columns", 39, utf8([f"{row},{extra}" for row, extra in zip(lines(t), ["latitude,longitude,phone", *["52.5,13.4,My phone"] * 300], strict=True)]), t),
    ]  # fmt: skip


def _at_rest(t: Trip) -> Trip:
    still = np.full(len(t), 13.3)
    return t.with_(current_a=np.full(len(t), 0.1), voltage_v=still, soc_percent=np.full(len(t), 80.0))


def _remaining_ah(t: Trip) -> np.ndarray:
    """Fine enough to move with every row."""
    steps_h = np.diff(t.ts_ms, append=t.ts_ms[-1:]) / 3_600_000
    return 60.0 + np.concatenate([[0.0], np.cumsum(t.current_a * steps_h)[:-1]])


def _counted(t: Trip) -> list[str]:
    """A current without signs, and beside it what is left in the pack."""
    left = _remaining_ah(t)
    plain = plain_cells()
    unsigned = t.with_(current_a=np.abs(t.current_a))
    return lines(unsigned, lambda r, row: (*plain(r, row), f"{left[row]:.4f}"), header=f"{HEADER},remaining_ah")


def _told_by_counter(t: Trip) -> Trip:
    """Empty at both ends and where the direction changed between two rows."""
    way = np.sign(np.diff(np.round(_remaining_ah(t), 4)))
    told = np.concatenate([[False], (way[1:] == way[:-1]) & (way[1:] != 0), [False]])
    return t.with_(current_a=np.where(told | (t.current_a == 0), t.current_a, NAN))


def _with_direction(t: Trip, words: tuple[str, str]) -> list[str]:
    def cells(r: Trip, row: int):
        base = plain_cells()(r, row)
        return (base[0], base[1], base[2].lstrip("-"), words[0] if r.current_a[row] > 0 else words[1], *base[3:])

    return lines(t, cells, header="timestamp,voltage_v,current_a,direction,temperature_c,soc_percent")


def _two_currents(t: Trip) -> list[str]:
    def cells(r: Trip, row: int):
        base, i = plain_cells()(r, row), r.current_a[row]
        return (base[0], base[1], f"{max(i, 0):.1f}", f"{max(-i, 0):.1f}", *base[3:])

    return lines(t, cells, header="Time,Voltage (V),Charge current (A),Discharge current (A),Temp (°C),SoC (%)")


def _power(t: Trip, *, signed: bool | None) -> list[str]:
    def cells(r: Trip, row: int):
        base = plain_cells()(r, row)
        power = f"{r.voltage_v[row] * r.current_a[row]:.2f}"
        return (base[0], base[1], *([] if signed is None else [base[2].lstrip("-")]), power, *base[3:])

    current = "" if signed is None else "Current (A),"
    return lines(t, cells, header=f"Time,Voltage (V),{current}Power (W),Temp (°C),SoC (%)")


def _turned_over(t: Trip) -> list[str]:
    """From row 450 on, after an update, the other sign; a charge and a discharge lie on both sides."""
    return lines(t.with_(current_a=np.where(np.arange(len(t)) < 450, t.current_a, -t.current_a)))


def _milli(t: Trip, header: str, factor: int) -> list[str]:
    def cells(r: Trip, row: int):
        base = plain_cells()(r, row)
        return (
            str(r.ts_ms[row] // 1000),
            f"{r.voltage_v[row] * factor:.0f}",
            f"{r.current_a[row] * factor:.0f}",
            *base[3:],
        )

    return lines(t, cells, header=header)


def _temperatures(t: Trip, shown, header: str = HEADER) -> bytes:
    return utf8(
        lines(
            t,
            lambda r, row: (*plain_cells()(r, row)[:3], shown(r.temperature_c[row]), plain_cells()(r, row)[4]),
            header=header,
        )
    )


def _wrapped(cold: Trip, whole: Trip, below: int, below_whole: int) -> list[Fixture]:
    def tenths(c):
        return f"{c if c >= 0 else c + 6553.6:.1f}"

    def eight(c):
        return f"{c if c >= 0 else c + 256:.0f}"

    def magnitude(c):
        return f"{c if c >= 0 else 128 - c:.0f}"

    def magnitude_signed(c):
        return f"{c if c >= 0 else -128 - c:.0f}"

    def fahrenheit(c):
        return f"{(c if c >= 0 else c + 6553.6) * 1.8 + 32:.1f}"

    def raw_tenths(c):
        return f"{round(c * 10) % 65536}"

    def hundredths(c):
        return f"{c if c >= 0 else c + 655.36:.2f}"

    return [
        Fixture("wrap-16-bit", 26, _temperatures(cold, tenths), cold, repairs={"wrapped temperature (16-bit tenths)": below}),
        Fixture("wrap-16-bit-raw-tenths", 26, _temperatures(cold, raw_tenths, HEADER.replace("temperature_c", "temperature (0.1°C)")), cold, repairs={"wrapped temperature (16-bit tenths)": below}),
        Fixture("wrap-16-bit-hundredths", 26, _temperatures(cold, hundredths), cold, repairs={"wrapped temperature (16-bit hundredths)": below}),
        Fixture("wrap-8-bit", 26, _temperatures(whole, eight), whole, repairs={"wrapped temperature (8-bit)": below_whole}),
        Fixture("wrap-sign-magnitude", 26, _temperatures(whole, magnitude), whole, repairs={"wrapped temperature (8-bit sign and magnitude)": below_whole}),
        Fixture("wrap-sign-magnitude-signed", 26, _temperatures(whole, magnitude_signed), whole, repairs={"wrapped temperature (8-bit sign and magnitude, read signed)": below_whole}),
        Fixture("wrap-16-bit-fahrenheit", 26, _temperatures(cold, fahrenheit, HEADER.replace("temperature_c", "Temp °F")), cold, repairs={"wrapped temperature (16-bit tenths)": below}),
        Fixture("wrap-whole-file-below-zero", 26, _temperatures(trip(coldest_c=-12.0, warmest_c=-2.0), tenths), trip(coldest_c=-12.0, warmest_c=-2.0), repairs={"wrapped temperature (16-bit tenths)": 300}),
    ]  # fmt: skip


def _temperature_codes(t: Trip):
    shown, truth = t.temperature_c.copy(), t.temperature_c.copy()
    for row, code in (
        (30, 85.0),
        (60, -127.0),
        (61, -127.0),
        (90, -40.0),
        (120, 300.0),
        (150, 0.0),
        (180, 25.0),
        (210, 999.9),
    ):
        shown[row], truth[row] = code, NAN
    return utf8(lines(t.with_(temperature_c=shown))), t.with_(temperature_c=truth)


def _frozen_probe() -> Trip:
    t = trip(120, interval_s=3600.0)
    return t.with_(temperature_c=np.zeros(len(t)))


def _fahrenheit(t: Trip, header: str) -> list[str]:
    return lines(
        t,
        lambda r, row: (*plain_cells()(r, row)[:3], f"{r.temperature_c[row] * 1.8 + 32:.1f}", plain_cells()(r, row)[4]),
        header=header,
    )


def _three_probes(t: Trip) -> list[str]:
    def cells(r: Trip, row: int):
        base = plain_cells()(r, row)
        return (*base[:3], f"{r.temperature_c[row] + 15:.1f}", f"{r.temperature_c[row] - 8:.1f}", *base[3:])

    return lines(
        t, cells, header="timestamp,voltage_v,current_a,MOS temp (°C),Ambient temp (°C),Cell temp (°C),SoC (%)"
    )


def _sentinels(t: Trip):
    v, i, s = (t.voltage_v.copy(), t.current_a.copy(), t.soc_percent.copy())
    shown = t.with_(voltage_v=v.copy(), current_a=i.copy(), soc_percent=s.copy())
    for column, values in (
        ("voltage_v", (65.535, 6553.5)),
        ("current_a", (3276.7, 655.35)),
        ("soc_percent", (255.0, -1.0)),
    ):
        for place, value in enumerate(values):
            row = 40 + 50 * place + len(column)
            getattr(shown, column)[row] = value
            {"voltage_v": v, "current_a": i, "soc_percent": s}[column][row] = NAN

    def cells(r: Trip, row: int):
        base = plain_cells()(r, row)
        return (base[0], f"{r.voltage_v[row]:.3f}", f"{r.current_a[row]:.2f}", *base[3:])

    return utf8(lines(shown, cells)), t.with_(voltage_v=v, current_a=i, soc_percent=s)


def _zero_rows(t: Trip):
    rows = lines(t)
    for row in (50, 51, 200):
        rows[row + 1] = rows[row + 1].split(",")[0] + ",0,0,0,0"
    keep = np.setdiff1d(np.arange(300), [50, 51, 200])
    return utf8(rows), t.take(keep)


def _opened(t: Trip) -> Trip:
    """The board opens for 40 minutes, once for one sample: terminals at 0 V, nothing flows, the rest goes on."""
    v, i = t.voltage_v.copy(), t.current_a.copy()
    v[100:140], i[100:140] = 0.0, 0.0
    v[20], i[20] = 0.0, 0.0
    return t.with_(voltage_v=v, current_a=i)


def _frozen(t: Trip):
    """During the charge at 24 A the link is lost for 40 rows: 16 % that the rows do not show."""
    rows = lines(t)
    tail = rows[231].split(",", 1)[1]
    for row in range(230, 270):
        rows[row + 1] = rows[row + 1].split(",", 1)[0] + "," + tail
    return utf8(rows), t.take(np.r_[0:231, 270:300])


def _long_rest() -> Trip:
    t = trip(300)
    flat = np.ones(len(t))
    return t.with_(
        voltage_v=13.29 * flat,
        current_a=-0.2 * flat,
        temperature_c=7.0 * flat,
        soc_percent=92.0 - (np.arange(300) > 200),
    )


def _spikes(t: Trip):
    v, c, s = t.voltage_v.copy(), t.temperature_c.copy(), t.soc_percent.copy()
    v[70], c[120], s[160] = 131.2, 61.0, 3.0
    content = utf8(lines(t.with_(voltage_v=v, temperature_c=c, soc_percent=s)))
    v[70], c[120], s[160] = NAN, NAN, NAN
    return content, t.with_(voltage_v=v, temperature_c=c, soc_percent=s)


def _surge(t: Trip) -> Trip:
    """One sample of 180 A: an inverter takes it, and the voltage sags for it."""
    i, v = t.current_a.copy(), t.voltage_v.copy()
    i[60], v[60] = -180.0, 11.6
    return t.with_(current_a=i, voltage_v=v)


def _shifted(t: Trip):
    rows = lines(t)
    for row in (80, 190):
        c = rows[row + 1].split(",")
        rows[row + 1] = ",".join([c[0], "", c[1], c[2], c[3]]) if row == 80 else ",".join([c[0], c[2], c[3], c[4], ""])
    return utf8(rows), t.take(np.setdiff1d(np.arange(300), [80, 190]))


def _dead_band(t: Trip) -> Trip:
    return t.with_(current_a=np.where(np.abs(t.current_a) < 2.0, 0.0, t.current_a))


def _false_full(t: Trip) -> Trip:
    return t.with_(soc_percent=np.where(np.arange(300) >= 260, 100.0, t.soc_percent))


def _counters(t: Trip) -> list[str]:
    def cells(r: Trip, row: int):
        return (*plain_cells()(r, row), f"{-20 - row * 0.1:.1f}", "Bulk" if r.current_a[row] > 0 else "Idle")

    return lines(t, cells, header=HEADER + ",Consumed Ah,Status")


def _cells_only(t: Trip) -> list[str]:
    def cells(r: Trip, row: int):
        quarter = r.voltage_v[row] * 250
        base = plain_cells()(r, row)
        return (base[0], *(f"{quarter + step:.0f}" for step in (-3, 3, -1, 1)), *base[2:])

    return lines(
        t, cells, header="timestamp,Cell 1 (mV),Cell 2 (mV),Cell 3 (mV),Cell 4 (mV),Current (A),Temp (°C),SoC (%)"
    )


def _parked(t: Trip) -> Trip:
    """A day of a pack that only feeds its own electronics, a reading every five minutes."""
    rows = np.arange(len(t))
    return t.with_(
        ts_ms=t.ts_ms[0] + rows * 300_000,
        current_a=-0.035 - 0.004 * (rows % 3),
        voltage_v=np.full(len(t), 13.31),
        soc_percent=80.0 - (rows > 200),
    )


def _parked_milliamperes(t: Trip) -> list[str]:
    parked = _parked(t)
    return lines(
        parked,
        lambda r, row: (*plain_cells()(r, row)[:2], f"{r.current_a[row] * 1000:.0f}", *plain_cells()(r, row)[3:]),
        header="timestamp,voltage,current,temperature,soc",
    )


def _combined() -> list[Fixture]:
    """Files of two or three of these kinds at once, each of which was once read wrongly."""
    t = trip()
    cold = trip(coldest_c=-7.0, warmest_c=5.0, interval_s=300.0)
    fall = trip(240, start="2024-10-26T21:30:00")
    parallel = trip(300, interval_s=300.0)
    holes = t.current_a.copy()
    holes[[20, 61, 200]] = NAN
    coded, codes_gone = cold.temperature_c.copy(), cold.temperature_c.copy()
    coded[150], codes_gone[150] = -127.0, NAN
    shuffled = np.random.default_rng(11).permutation(240)
    berlin = [local(ms, "%Y-%m-%d %H:%M:%S", 2.0 if ms < 1_729_990_800_000 else 1.0) for ms in fall.ts_ms]
    twice = (fall.ts_ms >= 1_729_987_200_000) & (fall.ts_ms < 1_729_994_400_000)
    two_ways = {
        "chinese": "时间,电压 (V),充电电流 (A),放电电流 (A),温度 (°C),电量 (%)",
        "dutch": "Tijd,Spanning,Laadstroom,Ontlaadstroom,Temperatuur,Laadtoestand",
        "swedish": "Tid,Spänning,Laddström,Urladdningsström,Temperatur,Laddningsnivå",
        "russian": "Время,Напряжение,Ток заряда,Ток разряда,Температура,Заряд",
        "german": "Zeit,U_Batt,Ladestrom,Entladestrom,T_Zelle,Ladezustand",
        "portuguese": "Data e hora,Tensão,Corrente de carga,Corrente de descarga,Temperatura,Estado da carga",
    }
    rows = _two_currents(t)[1:]
    emptied = [
        ",".join([*c[:2], "" if place == 200 else c[2], "" if place in {20, 61} else c[3], *c[4:]])
        for place, c in enumerate(row.split(",") for row in rows)
    ]
    plus = _with_direction(t, ("+", "-"))
    latin = lines(t, plain_cells("%d.%m.%Y %H:%M:%S", decimal=","), header="Data;U;I;T, °C;SOC", delimiter=";")
    return [
        *(Fixture(f"two-currents-{name}", 12, utf8([header, *rows]), t) for name, header in two_ways.items()),
        Fixture("two-currents-with-holes", 24, utf8([two_ways["german"], *emptied]), t.with_(current_a=holes)),
        Fixture("one-unit-below-names", 9, utf8(lines(t, header="time,voltage,current,temperature,SoC\n,V,,,")), t),
        Fixture("units-below-names", 9, utf8(lines(t, lambda r, row: (*plain_cells()(r, row)[:3], f"{r.temperature_c[row] + 273.15:.2f}", plain_cells()(r, row)[4]), header="Tijd,Spanning,Stroom,Temperatuur,Laadtoestand\n,V,A,K,%")), t),
        Fixture("elapsed-through-the-end-of-summer-time", 18, utf8(["Start: 2024-10-26 23:30:00", *_elapsed(fall)]), fall, BERLIN),
        Fixture("elapsed-begun-anew", 19, utf8(["Start: 2024-03-15 21:00:00", *_elapsed(t)[:201], *_elapsed(t.take(slice(200, None)))[1:]]), t.take(slice(0, 200)), ZONED, set_aside={"elapsed time began anew, and nothing says when": 100}),
        Fixture("elapsed-exports-overlap", 23, utf8(["Start: 2024-03-15 21:00:00", *_elapsed(t)[:201], *_elapsed(t)[101:]]), t, ZONED, repairs={"duplicate": 100}),
        Fixture("elapsed-minutes", 15, utf8(["Start: 2024-03-15 21:00:00", *lines(t, lambda r, row: (f"{row * 1.0:.4f}", *plain_cells()(r, row)[1:]), header="Elapsed time [min],Voltage,Current,Temp °C,SoC")]), t, ZONED),
        Fixture("one-odd-byte", 1, text(latin).encode("cp1252"), t, ZONED),
        Fixture("fewer-names-than-columns", 9, utf8([HEADER.replace(",temperature_c", ""), *lines(t)[1:]]), error=BadData, message="4 columns and the rows have 5"),
        Fixture("direction-plus-minus", 24, utf8(plus), t),
        Fixture("power-lacks-a-cell", 24, utf8([*_power(t, signed=False)[:51], ",".join(["" if place == 3 else cell for place, cell in enumerate(_power(t, signed=False)[51].split(","))]), *_power(t, signed=False)[52:]]), t.with_(current_a=np.where(np.arange(300) == 50, NAN, t.current_a)), repairs={"no direction": 1}),
        Fixture("repeated-hour-out-of-order", 18, utf8(_timed(fall.take(shuffled), [berlin[place] for place in shuffled])), fall.take(~twice), BERLIN, set_aside={"the clock showed this hour twice, and the rows are in no order that tells which": 90}),
        Fixture("code-among-real-frost", 27, utf8(lines(cold.with_(temperature_c=coded))), cold.with_(temperature_c=codes_gone), repairs={"sensor code": 1}),
        Fixture("milliamperes-in-two-columns", 25, utf8(lines(parallel, lambda r, row: (plain_cells()(r, row)[0], plain_cells()(r, row)[1], f"{max(r.current_a[row], 0) * 1000:.0f}", f"{max(-r.current_a[row], 0) * 1000:.0f}", *plain_cells()(r, row)[3:]), header="Time,Voltage,chargeCurrent,dischargeCurrent,Temp °C,SoC")), parallel),
        Fixture("milliamperes-of-a-parked-pack", 25, utf8(_parked_milliamperes(t)), error=Unanswered, message="in A or mA"),
        Fixture("milliamperes-of-a-parked-pack-mapped", 25, utf8(_parked_milliamperes(t)), _parked(t), {"mapping": parse_mapping('[columns.current_a]\ncolumn = "current"\nunit = "mA"'), "positive": "charge"}),
        Fixture("hundredths-of-amperes", 25, utf8(lines(t, lambda r, row: (*plain_cells()(r, row)[:2], f"{r.current_a[row] * 100:.0f}", *plain_cells()(r, row)[3:]), header="time,voltage,current,temp °C,soc")), t, inferred={"current unit": "cA"}),
        Fixture("milliamperes-under-amps", 25, utf8(lines(t, lambda r, row: (*plain_cells()(r, row)[:2], f"{r.current_a[row] * 1000:.0f}", *plain_cells()(r, row)[3:]), header="time,Volts,Amps,temp °C,soc")), t),
        Fixture("kilowatts-without-a-word", 25, utf8(lines(t, lambda r, row: (*plain_cells()(r, row)[:2], f"{r.voltage_v[row] * r.current_a[row] / 1000:.5f}", *plain_cells()(r, row)[3:]), header="time,voltage,power,temp °C,soc")), error=Unanswered, message="in W or kW"),
        Fixture("charging-yes-or-no", 24, utf8(lines(t, lambda r, row: (*plain_cells()(r, row)[:2], plain_cells()(r, row)[2].lstrip("-"), str(bool(r.current_a[row] > 0)).lower(), *plain_cells()(r, row)[3:]), header="time,voltage,current,is_charging,temp °C,soc")), t),
        Fixture("charging-one-or-zero", 24, utf8(lines(t, lambda r, row: (*plain_cells()(r, row)[:2], plain_cells()(r, row)[2].lstrip("-"), str(int(r.current_a[row] > 0)), *plain_cells()(r, row)[3:]), header="time,voltage,current,charging,temp °C,soc")), t),
        Fixture("date-with-a-comma", 16, utf8([row + ";" for row in _semicolons(t, plain_cells("%d.%m.%Y, %H:%M:%S"))]), t, ZONED),
    ]  # fmt: skip


ALL = (*_bytes_and_cells(), *_header_and_shape(), *_time(), *_values(), *_combined(), *mixed())
