"""A column of temperatures without a unit: told by its numbers, its place and its season, or asked about; in frost above all."""

from __future__ import annotations

from dataclasses import replace

import numpy as np
import pytest

from logbook.errors import Unanswered
from logbook.ingest import ImportOptions, parse_mapping, read_export
from tests.ingest.trip import lines, local, text, trip

JANUARY, JULY = "2024-01-15T21:00:00", "2024-07-15T21:00:00"
ROWS, DAYS = 300, 2.0
FROST, ROOM = (-12.0, 7.0), (18.0, 24.0)


def fahrenheit(celsius):
    return celsius * 1.8 + 32.0


def celsius(degrees):
    return (degrees - 32.0) / 1.8


def tenths(values):
    return values.round(1)


def sixteenths(values):
    return (values * 16).round() / 16


# what the thermometer measured, in °C, and what the file shows of it
SHOWN = {
    "tenths of °C": lambda c: (tenths(c), tenths(c)),
    "whole °C": lambda c: (c.round(), c.round()),
    "halves of °C": lambda c: ((c * 2).round() / 2, (c * 2).round() / 2),
    "sixteenths of °C": lambda c: (sixteenths(c), sixteenths(c)),
    "°F of whole °C": lambda c: (c.round(), tenths(fahrenheit(c.round()))),
    "°F of halves of °C": lambda c: ((c * 2).round() / 2, tenths(fahrenheit((c * 2).round() / 2))),
    "°F of tenths of °C": lambda c: (tenths(c), tenths(fahrenheit(tenths(c)))),
    "°F of sixteenths of °C": lambda c: (sixteenths(c), tenths(fahrenheit(sixteenths(c)))),
    "whole °F": lambda c: (celsius(fahrenheit(c).round()), fahrenheit(c).round()),
    "tenths of °F": lambda c: (celsius(tenths(fahrenheit(c))), tenths(fahrenheit(c))),
    "°C of whole °F": lambda c: (tenths(celsius(fahrenheit(c).round())), tenths(celsius(fahrenheit(c).round()))),
}
TELL_THEMSELVES = [
    "°F of whole °C", "°F of halves of °C", "°F of tenths of °C", "°C of whole °F", "sixteenths of °C",
]  # fmt: skip


def outcome(tmp_path, shown: str, between: tuple[float, float], *, start: str, zone: str, header: str = "Temp") -> str:
    """`right`, `wrong` or `asked`, after two days that swing between two temperatures in °C."""
    rng = np.random.default_rng(5)
    low, high = between
    swing = 0.5 + 0.5 * np.sin(np.arange(ROWS) / ROWS * DAYS * 2 * np.pi)
    true, cells = SHOWN[shown](low + (high - low) * swing + rng.normal(0, 0.3, ROWS))
    t = trip(ROWS, start=start, interval_s=DAYS * 86_400 / ROWS)
    rows = [
        f"{local(t.ts_ms[row], '%Y-%m-%dT%H:%M:%SZ')},{t.voltage_v[row]},{t.current_a[row]},{round(cells[row], 4):g},{t.soc_percent[row]}"
        for row in range(ROWS)
    ]
    path = tmp_path / "trip.csv"
    path.write_text(text([f"timestamp,voltage,current,{header},soc", *rows]), "utf-8")
    try:
        recording = read_export(path, ImportOptions(cells_in_series=4, rated_ah=100.0, default_time_zone=zone))
    except Unanswered as question:
        return "asked" if "Is its temperature in" in question.what else question.what
    return "right" if np.abs(recording.readings.temperature_c - true).max() < 0.06 else "wrong"


@pytest.mark.parametrize("zone", ["UTC", "Europe/Berlin", "America/Denver"])
@pytest.mark.parametrize("between", [FROST, (-20.0, -10.0), (-6.0, 2.0), ROOM])
@pytest.mark.parametrize("shown", TELL_THEMSELVES)
def test_numbers_that_were_another_unit_s_steps_tell_theirs_in_any_country(tmp_path, shown, between, zone):
    assert outcome(tmp_path, shown, between, start=JANUARY, zone=zone) == "right"


@pytest.mark.parametrize("between", [FROST, (-6.0, 2.0), (-3.0, 6.0)])
@pytest.mark.parametrize("shown", ["whole °F", "tenths of °F", "°F of sixteenths of °C"])
def test_frost_in_fahrenheit_that_could_be_a_mild_day_is_asked_about(tmp_path, shown, between):
    """From nowhere in particular in January: 10 to 45 °F would be charging at 10 to 45 °C."""
    assert outcome(tmp_path, shown, between, start=JANUARY, zone="UTC") == "asked"


@pytest.mark.parametrize("shown", list(SHOWN))
@pytest.mark.parametrize("between", [FROST, (-20.0, -10.0), (5.0, 15.0), ROOM])
def test_where_fahrenheit_is_usual_no_temperature_is_read_wrong(tmp_path, shown, between):
    for start in (JANUARY, JULY):
        assert outcome(tmp_path, shown, between, start=start, zone="America/Denver") != "wrong"


@pytest.mark.parametrize("shown", ["tenths of °C", "whole °C", "halves of °C", "sixteenths of °C"])
@pytest.mark.parametrize("between", [FROST, (-20.0, -10.0), (-1.0, 8.0), (5.0, 15.0), ROOM])
def test_where_celsius_is_usual_nothing_is_asked(tmp_path, shown, between):
    for start in (JANUARY, JULY):
        assert outcome(tmp_path, shown, between, start=start, zone="Europe/Berlin") == "right"
        assert outcome(tmp_path, shown, between, start=start, zone="UTC", header="Temperatur") == "right"


@pytest.mark.parametrize("shown", ["tenths of °C", "halves of °C", "sixteenths of °C"])
@pytest.mark.parametrize("between", [FROST, (-1.0, 8.0), (5.0, 15.0), ROOM])
def test_most_files_from_nowhere_in_particular_are_read_unasked(tmp_path, shown, between):
    for start in (JANUARY, JULY):
        assert outcome(tmp_path, shown, between, start=start, zone="UTC") == "right"


def shown_as(tmp_path, cells, header: str, *, ask=None):
    t = trip(len(cells), start=JANUARY)
    rows = [
        f"{local(t.ts_ms[row], '%Y-%m-%dT%H:%M:%SZ')},{t.voltage_v[row]},{t.current_a[row]},{cell},{t.soc_percent[row]}"
        for row, cell in enumerate(cells)
    ]
    path = tmp_path / "trip.csv"
    path.write_text(text([f"timestamp,voltage,current,{header},soc", *rows]), "utf-8")
    options = ImportOptions(cells_in_series=4, rated_ah=100.0, default_time_zone="Europe/Berlin")
    return read_export(path, options, ask=ask).readings.temperature_c


@pytest.mark.parametrize("header", ["Temp", "Temperature (°C)"])
def test_kelvin_is_no_tenth_of_a_degree_whatever_the_header_says(tmp_path, header):
    """-3 °C is 270.2 K: read as tenths of °C, a frozen pack would be 27 °C warm."""
    kelvin = np.round(np.linspace(268.0, 276.0, 300), 1)

    found = shown_as(tmp_path, [f"{value:.1f}" for value in kelvin], header)

    np.testing.assert_allclose(found, kelvin - 273.15, atol=0.01)


def test_whole_kelvin_or_tenths_of_celsius_is_asked_about(tmp_path):
    whole = np.round(np.linspace(265, 290, 300)).astype(int).tolist()

    with pytest.raises(Unanswered, match="K or d°C"):
        shown_as(tmp_path, whole, "Temp")
    found = shown_as(tmp_path, whole, "Temp", ask=lambda _question: "K")

    np.testing.assert_allclose(found, np.array(whole) - 273.15, atol=0.01)


@pytest.mark.parametrize("codes", [1, 6])
def test_bytes_that_lost_their_sign_about_zero_are_told_beside_codes_too(tmp_path, codes):
    """-8 to 4 °C, half of it below zero, and a few rows of a sensor that was away."""
    true = np.round(np.linspace(4.0, -8.0, 300))
    cells = np.where(true < 0, true + 256, true).astype(int).astype(object)
    cells[50 : 50 + 40 * codes : 40] = 127

    found = shown_as(tmp_path, cells.tolist(), "Temperature (°C)")

    there = np.isfinite(found)
    assert there.sum() == 300 - codes
    np.testing.assert_array_equal(found[there], true[there])


@pytest.mark.parametrize("code", [85.0, 127.0])
def test_a_sensor_that_starts_shows_its_code_beside_a_gap_and_at_the_ends(tmp_path, code):
    """At power-on the register holds 85 °C, as sheets of common digital sensors say (from memory)."""
    t = trip(300, coldest_c=-4.0, warmest_c=6.0)
    t = t.take(np.flatnonzero((np.arange(300) < 100) | (np.arange(300) >= 190)))
    away = np.isin(np.arange(210), [0, 99, 100, 101, 209])
    path = tmp_path / "trip.csv"
    path.write_text(text(lines(t.with_(temperature_c=np.where(away, code, t.temperature_c)))))

    found = read_export(path, ImportOptions(time_zone="UTC")).readings.temperature_c

    np.testing.assert_allclose(found, np.where(away, np.nan, t.temperature_c), atol=0.051)


@pytest.mark.parametrize("start", ["2024-01-01", "2024-05-20", "2024-10-01"])
def test_a_year_is_not_frozen_all_through(start, tmp_path):
    """Numbers of 6 to 30 without a unit, over a year: in °F a frost that lasts through summer."""
    days = np.arange(0.0, 365.0, 0.25)
    times = np.datetime64(start, "s") + (days * 86_400).astype("timedelta64[s]")
    season = 2 * np.pi * (days + (np.datetime64(start) - np.datetime64("2024-01-01")).astype(float)) / 365.25
    degrees = np.rint(18.0 - 10.0 * np.cos(season) + 2.0 * np.sin(2 * np.pi * days))
    amps = np.where(np.arange(len(days)) % 2, -5.0, 5.0)
    rows = (
        f"{time},{13.2 + 0.01 * amp:.2f},{amp:.1f},{degree:.0f},{60 + amp / 5:.1f}"
        for time, amp, degree in zip(times, amps, degrees, strict=True)
    )
    path = tmp_path / "year.csv"
    path.write_text("time,V,I,T,SOC%\n" + "\n".join(rows) + "\n", "utf-8")

    recording = read_export(path, ImportOptions(cells_in_series=4, rated_ah=100.0, time_zone="UTC", positive="charge"))

    np.testing.assert_allclose(recording.readings.temperature_c, degrees)


@pytest.mark.parametrize(
    ("between", "header", "told"),
    [((-10.0, -2.0), "Temp", True), ((-10.0, -2.0), "Temp °F", False), (ROOM, "Temp °C", False)],
)
def test_a_native_fahrenheit_in_a_country_of_celsius_is_told_with_its_way_out(tmp_path, between, header, told):
    """14 to 28 without a unit in January: °C by its place alone, and a frost if the place is wrong."""
    degrees = np.rint(fahrenheit(np.linspace(*between, 300)))
    path = tmp_path / "trip.csv"
    shown_as(tmp_path, degrees.astype(int).tolist(), header)
    options = ImportOptions(cells_in_series=4, rated_ah=100.0, default_time_zone="Europe/Berlin")

    warnings = [warning for warning in read_export(path, options).receipt.warnings if "°F" in warning]
    said = replace(options, mapping=parse_mapping('[columns.temperature_c]\nunit = "°F"'))

    assert bool(warnings) is told
    if told:
        assert '--mapping FILE  with  unit = "°F"  under [columns.temperature_c]' in warnings[0]
        found = read_export(path, said)
        np.testing.assert_allclose(found.readings.temperature_c, celsius(degrees), atol=0.01)
        assert not [warning for warning in found.receipt.warnings if "°F" in warning]
