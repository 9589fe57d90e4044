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
    other_order = "date,time,current_a,voltage_v,temperature_c,soc_percent"
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
        Fixture("dates-once-and-another-header-below", 15, _utf8([two_columns, *once[:220], other_order, *(",".join(row.split(",")[place] for place in (0, 1, 3, 2, 4, 5)) for row in once[220:])]), t, ZONED),
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
        Fixture("byte-below-zero-and-codes", 26, byte.replace(b",250,", b",999,", 5), error=Unanswered, message="°C or d°C"),
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


def _clocks() -> list[Fixture]:
    t = trip(start="2024-07-15T08:00:00")
    berlin = {"time_zone": "Europe/Berlin"}

    def shown(row: int, *hours: tuple[int, float]) -> float:
        """Hours from UTC that the clock shows: those of summer in Berlin, and what it was set on by from a row on."""
        return 2.0 + sum(ahead for first, ahead in hours if row >= first)

    def rows(*hours: tuple[int, float], of: Trip = t) -> list[str]:
        return lines(
            of, lambda r, row: plain_cells("%Y-%m-%d %H:%M:%S", offset_h=shown(row, *hours))(r, row), header=None
        )

    back = [HEADER, *rows((120, -1.0))]
    there_and_back = [HEADER, *rows((100, -2.0), (170, 2.0))]
    flowing = t.with_(
        current_a=np.full(300, -12.0),
        voltage_v=np.round(13.0 - np.arange(300) / 1500, 2),
        soc_percent=np.round(90 - np.arange(300) * 0.2),
    )
    on = [HEADER, *rows((150, 1.0), of=flowing)]
    long = ["time,sensor,value,unit"]
    for row in back[1:]:
        time, volts, amps, *_ = row.split(",")
        long += [f"{time},Voltage,{volts},V", f"{time},Current,{amps},A"]
    gap = np.r_[0:100, 160:300]
    idle = t.with_(
        current_a=np.round(np.where(np.arange(300) % 9, -0.2, -0.3), 1),
        voltage_v=np.round(13.2 + (np.arange(300) % 4) / 100, 2),
        soc_percent=np.full(300, 80.0),
    )
    copy = trip(200, interval_s=5.0, start="2024-07-15T08:00:00")
    twice = [
        *lines(copy, plain_cells("%Y-%m-%d %H:%M:%S", offset_h=2.0)),
        *lines(copy, plain_cells("%Y-%m-%d %H:%M:%S", offset_h=3.0), header=None)[60:160],
    ]
    nothing = np.full(300, np.nan)
    two = t.with_(temperature_c=nothing, soc_percent=nothing)
    return [
        Fixture("clock-set-back", 18, _utf8(back), None, berlin, error=Unanswered, message="at line 122 .* it was set back by 1 h"),
        Fixture("clock-set-back-right-before", 18, _utf8(back), t, {**berlin, "clock": "before"}, repairs={"clock set": 180}, inferred={"clock": "before"}),
        Fixture("clock-set-back-right-after", 18, _utf8(back), t.with_(ts_ms=t.ts_ms - 3_600_000), {**berlin, "clock": "after"}, repairs={"clock set": 120}, inferred={"clock": "after"}),
        Fixture("clock-there-and-back", 18, _utf8(there_and_back), t, berlin, repairs={"clock set": 70}, inferred={"clock": "before and after"}),
        Fixture("clock-there-and-back-newest-first", 18, _utf8([HEADER, *there_and_back[:0:-1]]), t, berlin, repairs={"clock set": 70}),
        Fixture("clock-set-on-while-current-flows", 18, _utf8(on), None, berlin, error=Unanswered, message="it was set on by 1 h"),
        Fixture("clock-set-on-right-before", 18, _utf8(on), flowing, {**berlin, "clock": "before", "positive": "charge"}, repairs={"clock set": 150}),
        Fixture("clock-set-back-one-value-a-row", 18, _utf8(long), two, {**berlin, "clock": "before"}, repairs={"clock set": 360}),
        Fixture("an-hour-without-rows", 22, _utf8([HEADER, *(rows(of=idle)[row] for row in gap)]), idle.take(gap), {**berlin, "positive": "charge"}),
        Fixture("copy-an-hour-on", 23, _utf8(twice), copy, berlin, set_aside={"the same readings stand before, 1 h apart": 100}),
    ]  # fmt: skip


def _one_value_a_row() -> list[Fixture]:
    t = trip()
    nothing = np.full(300, np.nan)
    rows = []
    for row in lines(t)[1:]:
        time, volts, amps, *_ = row.split(",")
        rows += [f"{time},Voltage,{volts},V", f"{time},Current,{amps},A"]
    other = [rows[0].replace(",13.", ",12."), rows[3], rows[3]]
    return [
        Fixture("one-value-a-row-twice", 14, _utf8(["time,sensor,value,unit", *rows, *other]), t.with_(temperature_c=nothing, soc_percent=nothing), repairs={"duplicate": 2}, set_aside={"another reading has the same time and other values": 1}),
    ]  # fmt: skip


def _serial_days(t: Trip, base: int, above: tuple[str, ...] = ()) -> bytes:
    rows = lines(t, lambda r, row: (f"{r.ts_ms[row] / 86_400_000 + base:.6f}", *plain_cells()(r, row)[1:]))
    return _utf8([*above, *rows])


def _spreadsheet_days() -> list[Fixture]:
    """Days counted from 1900 or from 1904: 25569 or 24107 is 1970-01-01 (ECMA-376 part 1, 18.17.4.1)."""
    now, later = (int(np.datetime64(day, "ms").astype(np.int64)) for day in ("2026-11-25", "2029-06-01"))
    t, late = trip(), trip(start="2026-11-20T21:00:00")
    fall = trip(start="2024-10-26T22:30:00")
    berlin = fall.with_(ts_ms=fall.ts_ms + np.where(fall.ts_ms < 1_729_990_800_000, 7_200_000, 3_600_000))
    second = {"tolerance": {"ts_ms": 1000}}
    held = (int(late.ts_ms[0]) - 5 * 86_400_000, int(late.ts_ms[0]) - 86_400_000)
    counted = {base: {"spreadsheet days": f"counted from {base}"} for base in ("1900", "1904")}
    said_1904 = {"mapping": parse_mapping('[time]\nformat = "spreadsheet 1904"'), **ZONED}
    return [
        Fixture("days-that-would-be-of-the-future", 8, _serial_days(t, 25_569), t, {**ZONED, "now_ms": now}, inferred=counted["1900"], **second),
        Fixture("days-of-either-count", 8, _serial_days(late, 24_107), None, {**ZONED, "now_ms": now}, error=Unanswered, message="begins on 2022-11-19, counted from 1904 on 2026-11-20"),
        Fixture("days-of-either-count-long-after", 8, _serial_days(t, 25_569), None, {**ZONED, "now_ms": later}, error=Unanswered, message="1900 or from 1904"),
        Fixture("days-with-a-date-above", 8, _serial_days(late, 24_107, ("Exported: 2026-11-22 10:00",)), late, {**ZONED, "now_ms": now}, inferred=counted["1904"], **second),
        Fixture("days-beside-readings-of-the-pack", 8, _serial_days(late, 24_107), late, {**ZONED, "now_ms": now, "held_ms": held}, inferred=counted["1904"], **second),
        Fixture("days-before-the-pack-was-bought", 8, _serial_days(late, 24_107), late, {**ZONED, "now_ms": now, "bought_ms": held[0]}, inferred=counted["1904"], **second),
        Fixture("days-older-than-such-packs", 8, _serial_days(trip(start="2009-02-01T00:00:00"), 24_107), trip(start="2009-02-01T00:00:00"), {**ZONED, "now_ms": now}, inferred=counted["1904"], **second),
        Fixture("days-through-the-end-of-summer-time", 8, _serial_days(berlin, 25_569), fall, {"time_zone": "Europe/Berlin", "now_ms": later}, repairs={"repeated hour": 120}, inferred=counted["1900"], **second),
        Fixture("days-from-1904-by-mapping", 8, _serial_days(late, 24_107), late, {**said_1904, "now_ms": now}, inferred=counted["1904"], **second),
    ]  # fmt: skip


def _found_later() -> list[Fixture]:
    t = trip()
    now = {"now_ms": int(t.ts_ms[-1]) + 3_600_000}
    far = [row.replace("2024-", "2031-", 1) if place in {40, 41} else row for place, row in enumerate(lines(t))]
    ahead = trip(start="2024-03-15T21:00:00")
    warm = trip(warmest_c=24.0, coldest_c=20.0)
    unnamed = lines(
        warm,
        lambda r, row: (
            plain_cells()(r, row)[0],
            f"{r.temperature_c[row] * 1.8 + 32:.1f}",
            *plain_cells()(r, row)[1:3],
            plain_cells()(r, row)[4],
        ),
        header=None,
    )
    units = lines(t, header="time,U,I,T,SoC\n,V,A,°C,%")
    start = ["Start: 2024-03-15 21:00:00"]
    elapsed = lines(
        t, lambda r, row: (str(row * 60), *plain_cells()(r, row)[1:]), header="Elapsed (s),Voltage,Current,Temp °C,SoC"
    )
    turned = [
        ",".join([elapsed[0].split(",")[place] for place in (0, 2, 1, 3, 4)]),
        *(",".join([row.split(",")[place] for place in (0, 2, 1, 3, 4)]) for row in elapsed[201:]),
    ]
    holed = t.with_(soc_percent=np.where(np.isin(np.arange(300), [20, 30, 44]), np.nan, t.soc_percent))
    codes = lines(
        holed,
        lambda r, row: (
            *plain_cells()(r, row)[:4],
            "255" if np.isnan(r.soc_percent[row]) else plain_cells()(r, row)[4],
        ),
        header="time,voltage,current,temp °C,SoC [%]",
    )
    parts = lines(
        trip().with_(soc_percent=np.full(300, 100.0)),
        lambda r, row: (*plain_cells()(r, row)[:4], f"{0.99 if row < 150 else 1.0:.2f}"),
        header="time,voltage,current,temp °C,SoC",
    )
    full = trip().with_(soc_percent=np.where(np.arange(300) < 150, 99.0, 100.0))
    zeros = trip(coldest_c=-1.0, warmest_c=0.0).with_(temperature_c=np.where(np.arange(300) % 100 < 40, -1.0, 0.0))
    shown = lines(
        zeros,
        lambda r, row: (*plain_cells()(r, row)[:3], f"{r.temperature_c[row] % 256:.0f}", plain_cells()(r, row)[4]),
    )
    for row in (45, 95):
        shown[row + 1] = ",".join([shown[row + 1].split(",")[0], "", *shown[row + 1].split(",")[1:4]])
    frosty = trip(coldest_c=-9.0, warmest_c=-1.0)
    in_fahrenheit = _with_temperature(
        frosty.with_(temperature_c=np.round(frosty.temperature_c)),
        lambda c: f"{c * 1.8 + 32:.0f}",
        "time,voltage,current,temperature,SoC",
    )
    return [
        Fixture("two-rows-of-the-future", 20, _utf8(far), t.take(np.setdiff1d(np.arange(300), [39, 40])), now, set_aside={"its time lies in the future": 2}),
        Fixture("all-rows-of-the-future", 20, _utf8(lines(ahead)), ahead, {"now_ms": int(t.ts_ms[0]) - 10**10}),
        Fixture("no-header-and-fahrenheit-above-the-percentage", 11, _utf8(unnamed), warm, inferred={"column 5": "soc_percent", "column 2": "temperature_c"}, tolerance={"temperature_c": 0.06}),
        Fixture("glued-with-its-units", 2, _utf8([*units, *units]), t, repairs={"repeated header": 2, "duplicate": 300}),
        Fixture("elapsed-with-another-header-below", 15, _utf8([*start, *elapsed[:201], *turned]), t, ZONED),
        Fixture("codes-in-a-short-table-of-percent", 29, _utf8([*codes[:101], "time,current,voltage,temp °C,SoC [%]", *(",".join([row.split(",")[place] for place in (0, 2, 1, 3, 4)]) for row in codes[101:])]), holed, repairs={"no value (soc_percent)": 3}),
        Fixture("few-rows-below-another-header-keep-its-units", 25, _utf8([*parts[:299], "time,current,voltage,temp °C,SoC", *(",".join([row.split(",")[place] for place in (0, 2, 1, 3, 4)]) for row in parts[299:])]), full),
        Fixture("zeros-beside-torn-rows", 27, _utf8(shown), zeros.take(np.setdiff1d(np.arange(300), [45, 95])), repairs={"wrapped temperature (8-bit)": 120}, set_aside={"its values stand in the wrong columns": 2}),
        Fixture("frost-in-degrees-of-a-country-that-measures-in-fahrenheit", 28, _utf8(in_fahrenheit), None, {"default_time_zone": "America/Denver"}, error=Unanswered, message="°C or °F"),
    ]  # fmt: skip


def _found_last() -> list[Fixture]:
    t = trip()
    in_cells = [
        HEADER.replace("current_a", "Current (mA)"),
        *(
            f"{row[0]},{row[1]} V,{1000 * t.current_a[place]:.0f}mA,{row[3]},{row[4]}"
            for place, row in enumerate(line.split(",") for line in lines(t)[1:])
        ),
    ]
    time, volts, *rest = in_cells[9].split(",")
    in_cells[9] = ",".join([time, "", volts, *rest[:-1]])
    epoch = ["time,sensor,value,unit"]
    for place, line in enumerate(lines(t)[1:]):
        _time, *values = line.split(",")
        named = zip(("Voltage", "Current", "Temperature", "SoC"), values, ("V", "A", "°C", "%"), strict=True)
        epoch += [f"{t.ts_ms[place]},{name},{value},{unit}" for name, value, unit in named]
        epoch += [f"{t.ts_ms[place]},Cell {cell},{t.voltage_v[place] / 4:.3f},V" for cell in range(1, 5)]
    days = np.random.default_rng(3).permutation(
        _serial_days(trip(300, interval_s=600.0), 25_569).decode().split("\n")[1:-1]
    )
    shuffled = "\n".join([HEADER, *days]) + "\n"
    kept = t.take(np.setdiff1d(np.arange(300), [8]))
    return [
        Fixture("units-in-cells-beside-a-shifted-row", 6, _utf8(in_cells), kept, set_aside={"its values stand in the wrong columns": 1}),
        Fixture("epoch-of-eight-values-a-time", 14, _utf8(epoch), t, inferred={"time": "epoch in ms"}),
        Fixture("brackets-before-a-unit", 5, _utf8(lines(t, lambda r, row: (*plain_cells()(r, row)[:2], f"({-r.current_a[row]:.1f}) A" if r.current_a[row] < 0 else f"{r.current_a[row]:.1f}A", *plain_cells()(r, row)[3:]))), t),
        Fixture("words-in-place-of-a-current", 6, _utf8(lines(t, lambda r, row: (*plain_cells()(r, row)[:2], "<0" if r.current_a[row] < -3.0 else f"{r.current_a[row]:.1f}", *plain_cells()(r, row)[3:]))), t.with_(current_a=np.where(t.current_a < -3.0, np.nan, t.current_a)), {"positive": "charge"}, repairs={"text in current_a": int((t.current_a < -3.0).sum())}),
        Fixture("days-in-no-order", 8, shuffled.encode(), trip(300, interval_s=600.0), {**ZONED, "now_ms": int(t.ts_ms[-1]) + 10**9}, inferred={"spreadsheet days": "counted from 1900"}, tolerance={"ts_ms": 1000}),
    ]  # fmt: skip


def mixed() -> tuple[Fixture, ...]:
    """All of them."""
    return (
        *_names_and_columns(),
        *_temperatures(),
        *_encodings(),
        *_clocks(),
        *_one_value_a_row(),
        *_spreadsheet_days(),
        *_found_later(),
        *_found_last(),
    )
