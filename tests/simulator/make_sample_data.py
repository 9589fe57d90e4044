"""Writes sample_data/: exports of two invented packs, an old one and its replacement.

Run `python -m tests.simulator.make_sample_data` from the top of the project; the same files come out every time.
"""

from __future__ import annotations

import gzip
from dataclasses import dataclass, replace
from datetime import UTC, date, datetime, timedelta
from pathlib import Path
from typing import TYPE_CHECKING
from zoneinfo import ZoneInfo

import numpy as np

from tests.simulator.monitor import Monitor
from tests.simulator.run import Batch, Simulated, Vehicle
from tests.simulator.scenario import Scenario
from tests.simulator.usage import Usage, add_pulses, day_of_loads, sun, weather

if TYPE_CHECKING:
    from collections.abc import Callable, Iterable

    from logbook.schema.reading import Readings

FOLDER = Path(__file__).resolve().parents[2] / "sample_data"
HOME = ZoneInfo("Europe/Vienna")
RATED_AH = 100.0


@dataclass(frozen=True)
class Trip:
    """Some days away: which of them run the pack flat, are driven, or see a load too big for the board."""

    start: date
    days: int
    deep: tuple[int, ...] = ()
    driven: tuple[int, ...] = ()
    surge: tuple[int, ...] = ()
    warmer_c: float = 0.0
    """Against the season at home."""


@dataclass(frozen=True)
class Story:
    """One pack's time in the vehicle."""

    scenario: Scenario
    seed: int
    start: date
    trips: tuple[Trip, ...]
    parked: tuple[date, date] | None
    """A logged stretch without any source, between two visits to a mains lead."""


GREY = Story(
    Scenario(
        "sample_grey_box",
        days=225,
        capacity=(0.82, 0.82),
        fade_per_year=(0.035, 0.035),
        solar_a=(11.0, 11.0),
        mean_c=(11.0, 11.0),
        season_c=(8.5, 8.5),
        daily_c=(4.0, 4.0),
        parked_a=(0.05, 0.05),
        board_a=(0.009, 0.009),
        absorption_v=(14.4, 14.4),
    ),
    seed=11,
    start=date(2023, 9, 4),
    trips=(
        Trip(date(2023, 9, 8), 7, deep=(1,), driven=(0, 2, 4, 6), warmer_c=3.0),
        Trip(date(2023, 11, 3), 5, deep=(2,), driven=(0, 3, 4), warmer_c=1.0),
        Trip(date(2024, 1, 12), 6, deep=(4,), driven=(0, 1, 2, 3, 5), surge=(2,), warmer_c=-4.5),
        Trip(date(2024, 3, 22), 6, deep=(2, 4), driven=(0, 3, 5), warmer_c=4.0),
    ),
    parked=None,
)

BLUE = Story(
    Scenario(
        "sample_blue_box",
        days=290,
        capacity=(1.02, 1.02),
        fade_per_year=(0.015, 0.015),
        solar_a=(12.0, 12.0),
        mean_c=(11.0, 11.0),
        season_c=(8.5, 8.5),
        daily_c=(4.0, 4.0),
        parked_a=(0.0, 0.0),
        board_a=(0.01, 0.01),
        self_discharge_month=(0.015, 0.015),
        absorption_v=(14.4, 14.4),
        charge_block=True,
    ),
    seed=12,
    start=date(2024, 5, 13),
    trips=(
        Trip(date(2024, 5, 17), 5, deep=(1,), driven=(0, 2, 4), warmer_c=2.0),
        Trip(date(2024, 7, 5), 12, deep=(3, 8), driven=(0, 4, 6, 9, 11), warmer_c=2.0),
        Trip(date(2024, 9, 13), 7, deep=(2, 5), driven=(0, 3, 6), warmer_c=3.0),
        Trip(date(2025, 2, 7), 6, deep=(3,), driven=(0, 1, 2, 4, 5), warmer_c=-1.0),
    ),
    parked=(date(2024, 11, 11), date(2025, 1, 16)),
)

MONITOR = Monitor(
    offset_a=-0.02,
    gain_error=0.002,
    dead_band_a=0.025,
    full_v=13.9,
    voltage_step=0.01,
    current_step=0.01,
    temperature_step=1.0,
    soc_step=1.0,
    noise_v=0.003,
    noise_a=0.004,
    noise_c=0.15,
    bias_c=0.0,
    shows_temperature=True,
    shows_percentage=True,
    noise_seed=7,
)
"""One monitor served both packs, its capacity typed in as 100 Ah."""


def planned_usage(story: Story, rng: np.random.Generator, first_day: int) -> Usage:
    """The story's days as series."""
    scenario = story.scenario
    days, dt_s = scenario.days, scenario.dt_s
    steps = round(86_400 / dt_s)
    hours = (np.arange(steps) + 0.5) * dt_s / 3600.0
    ambient_c = weather(scenario, rng, first_day)
    load_a, source_a = np.zeros(days * steps, np.float32), np.zeros(days * steps, np.float32)
    logged, travelling = np.zeros(days * steps, bool), np.zeros(days, bool)
    floor = np.full(days, 0.3)
    for trip in story.trips:
        first = (trip.start - story.start).days
        noon_before = (first - 1) * steps + steps // 2
        source_a[noon_before : first * steps] = 20.0
        logged[noon_before : (first + trip.days) * steps] = True
        source_a[(first + trip.days) * steps : (first + trip.days + 1) * steps] = 20.0
        window = np.arange(len(ambient_c)) / 24.0
        ambient_c += trip.warmer_c * np.clip(2.0 - np.abs(window - first - trip.days / 2) / (trip.days / 2), 0.0, 1.0)
        for place in range(trip.days):
            day = first + place
            here = slice(day * steps, (day + 1) * steps)
            travelling[day] = True
            outside = float(ambient_c[day * 24 : day * 24 + 24].mean())
            deep = place in trip.deep
            load_a[here] = day_of_loads(rng, hours, outside, 0.9, 4.2, 0.42, deep=deep, rated_ah=RATED_AH)
            add_pulses(rng, load_a[here], int(rng.integers(1, 3)), (72.0, 84.0), (90.0, 200.0), dt_s)
            if place in trip.surge:
                _boil(load_a[here], steps)
            if deep:
                floor[day] = -1.0
                continue
            source_a[here] += sun(rng, hours, 12.0, float(rng.uniform(0.35, 0.95)), first_day + day)
            if place in trip.driven:
                leave = rng.uniform(8.5, 10.0)
                source_a[here] += 24.0 * ((hours > leave) & (hours < leave + rng.uniform(2.0, 4.5)))
    if story.parked is not None:
        begin, end = ((day - story.start).days for day in story.parked)
        ambient_c[begin * 24 : (end + 2) * 24] = np.maximum(
            0.5 * ambient_c[begin * 24 : (end + 2) * 24] + 4.5, 3.0
        )  # a barn
        source_a[(begin - 1) * steps : begin * steps + steps // 4] = 20.0
        source_a[end * steps : (end + 1) * steps] = 20.0
        logged[(begin - 1) * steps : (end + 1) * steps] = True
    return Usage(load_a, source_a, ambient_c, logged, floor, travelling)


def _boil(load_a: np.ndarray, steps: int) -> None:
    """A kettle at 18:05, and after three minutes a hot plate beside it: more than the board lets through."""
    start = round(18.08 / 24 * steps)
    load_a[start : start + 12] = 86.0
    load_a[start + 9 : start + 12] = 140.0


def run_story(story: Story) -> Simulated:
    """The pack's whole time."""
    vehicle = Vehicle(story.scenario, story.seed)
    vehicle.rated_ah = RATED_AH
    vehicle.first_day = story.start.timetuple().tm_yday
    vehicle.start_ms = round(
        datetime(story.start.year, story.start.month, story.start.day, tzinfo=UTC).timestamp() * 1000
    )
    vehicle.monitor = MONITOR
    vehicle.block_below_c, vehicle.block_retries, vehicle.blocked_shows_source = 1.0, False, True
    rng = np.random.default_rng([story.seed, 2])
    vehicle.usage = planned_usage(story, rng, vehicle.first_day)
    batch = Batch([vehicle])
    batch.run()
    return batch.results()[0]


def iso_rows(readings: Readings) -> Iterable[str]:
    """ISO 8601 in UTC."""
    yield "time,voltage_v,current_a,temperature_c,soc_percent"
    for moment, volt, amp, warm, soc in _rows(readings, UTC):
        yield f"{moment:%Y-%m-%dT%H:%M:%SZ},{volt:.2f},{amp:.2f},{warm:.0f},{soc:.0f}"


def comma_rows(readings: Readings) -> Iterable[str]:
    """Semicolons, decimal commas and local time, as a phone set to German writes it."""
    yield "Zeit;Spannung [V];Strom [A];Temperatur [°C];Ladezustand [%]"
    for moment, volt, amp, warm, soc in _rows(readings, HOME):
        line = f"{moment:%d.%m.%Y %H:%M:%S};{volt:.2f};{amp:.2f};{warm:.1f};{soc:.0f}"
        head, rest = line.split(";", 1)
        yield f"{head};{rest.replace('.', ',')}"


def twelve_hour_rows(readings: Readings) -> Iterable[str]:
    """A 12-hour clock, month first, a current that is positive when it leaves the pack."""
    yield "Date/Time,Battery voltage (V),Discharge current (A),Battery temperature (C),State of charge (%)"
    for moment, volt, amp, warm, soc in _rows(readings, HOME):
        yield f"{moment:%m/%d/%Y %I:%M:%S %p},{volt:.2f},{-amp + 0.0:.2f},{warm:.0f},{soc:.0f}"


def epoch_rows(readings: Readings) -> Iterable[str]:
    """Seconds since 1970, millivolts and milliamperes."""
    yield "epoch,voltage mV,current mA,temperature C,soc"
    for moment, volt, amp, warm, soc in _rows(readings, UTC):
        yield f"{moment.timestamp():.0f},{volt * 1000:.0f},{amp * 1000:.0f},{warm:.0f},{soc:.0f}"


def _rows(readings: Readings, zone: object) -> Iterable[tuple[datetime, float, float, float, float]]:
    columns = (readings.voltage_v, readings.current_a, readings.temperature_c, readings.soc_percent)
    for ts_ms, *values in zip(readings.ts_ms.tolist(), *(column.tolist() for column in columns), strict=True):
        yield datetime.fromtimestamp(ts_ms / 1000, tz=zone), *values


def write_export(name: str, readings: Readings, rows: Callable[[Readings], Iterable[str]]) -> None:
    """One export; compressed without a time stamp, so that the bytes repeat."""
    text = "\n".join(rows(readings)) + "\n"
    (FOLDER / name).write_bytes(gzip.compress(text.encode("utf-8"), compresslevel=9, mtime=0))


def cut(readings: Readings, first: date, last: date, every_s: int = 60) -> Readings:
    """From noon of the first day to the end of the last, at the sampling interval of that export."""
    start = datetime(first.year, first.month, first.day, 12, tzinfo=UTC)
    end = datetime(last.year, last.month, last.day, tzinfo=UTC) + timedelta(days=1)
    part = readings.between(round(start.timestamp() * 1000), round(end.timestamp() * 1000))
    keep = part.ts_ms % (every_s * 1000) == 0
    return replace(
        part,
        ts_ms=part.ts_ms[keep],
        voltage_v=part.voltage_v[keep],
        current_a=part.current_a[keep],
        temperature_c=part.temperature_c[keep],
        soc_percent=part.soc_percent[keep],
    )


def main() -> None:
    """Writes every export."""
    FOLDER.mkdir(exist_ok=True)
    grey, blue = run_story(GREY), run_story(BLUE)
    for told in (grey, blue):
        print(replace(told.truth, cold_charging=()), [span for span in told.truth.cold_charging if span.logged])
    old, new = grey.readings, blue.readings
    write_export("grey-box-2023-09-lakes.csv.gz", cut(old, date(2023, 9, 7), date(2023, 9, 14)), iso_rows)
    write_export("grey-box-2023-11-hills.csv.gz", cut(old, date(2023, 11, 2), date(2023, 11, 7)), comma_rows)
    write_export("grey-box-2024-01-snow.csv.gz", cut(old, date(2024, 1, 11), date(2024, 1, 17)), twelve_hour_rows)
    write_export("grey-box-2024-03-coast.csv.gz", cut(old, date(2024, 3, 21), date(2024, 3, 27)), epoch_rows)
    write_export("blue-box-2024-05-first-run.csv.gz", cut(new, date(2024, 5, 16), date(2024, 5, 21)), iso_rows)
    # Two exports of one summer that share a day.
    write_export("blue-box-2024-07-islands-1.csv.gz", cut(new, date(2024, 7, 4), date(2024, 7, 11)), iso_rows)
    write_export("blue-box-2024-07-islands-2.csv.gz", cut(new, date(2024, 7, 10), date(2024, 7, 16)), iso_rows)
    write_export("blue-box-2024-09-forest.csv.gz", cut(new, date(2024, 9, 12), date(2024, 9, 19)), epoch_rows)
    write_export("blue-box-2024-11-parked.csv.gz", cut(new, date(2024, 11, 9), date(2025, 1, 16), 300), comma_rows)
    write_export("blue-box-2025-02-frost.csv.gz", cut(new, date(2025, 2, 6), date(2025, 2, 12)), twelve_hour_rows)


if __name__ == "__main__":
    main()
