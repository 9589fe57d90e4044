"""Usage: the weather, trips, loads and charging sources of one seed, as series over the whole time."""

from __future__ import annotations

from dataclasses import dataclass
from typing import TYPE_CHECKING

import numpy as np

if TYPE_CHECKING:
    from tests.simulator.scenario import Range, Scenario

STEPS_A_DAY_BASE = 86_400


def between(rng: np.random.Generator, limits: Range) -> float:
    """An even draw."""
    return float(rng.uniform(*limits))


@dataclass
class Usage:
    """Series of one seed: [steps] of float32 amperes, [days] of the rest; ambient is hourly."""

    load_a: np.ndarray
    """What the owner switches on, beyond the parked load."""
    source_a: np.ndarray
    """What the charging sources could give."""
    ambient_c: np.ndarray
    logged: np.ndarray
    """[steps] bool."""
    floor: np.ndarray
    """[days]: state of charge below which the owner goes easy; -1 on deep days."""
    travelling: np.ndarray
    """[days] bool."""


def draw_usage(scenario: Scenario, rng: np.random.Generator, rated_ah: float, first_day: int) -> Usage:
    """One seed's year."""
    days, dt_s = scenario.days, scenario.dt_s
    steps = round(STEPS_A_DAY_BASE / dt_s)
    travelling, leaves = _calendar(scenario, rng)
    ambient_c = weather(scenario, rng, first_day)
    logged = np.repeat(travelling | scenario.log_gaps, steps)
    _drop_out(scenario, rng, logged, travelling, steps)

    deep = travelling & (rng.random(days) < between(rng, scenario.deep_share))
    quiet = between(rng, scenario.floor)
    floor = np.where(deep, -1.0, quiet)
    size = between(rng, scenario.appetite) * min(1.0, rated_ah / 100.0 + 0.15)
    load_a = np.zeros(days * steps, np.float32)
    source_a = np.zeros(days * steps, np.float32)
    hours = (np.arange(steps) + 0.5) * dt_s / 3600.0

    peak_a = between(rng, scenario.solar_a) * min(1.0, rated_ah / 100.0 + 0.2)
    sunny_gaps = between(rng, scenario.solar_in_gaps) > 0.5
    fridge_a, fridge_period_h = rng.uniform(3.5, 5.0), rng.uniform(0.3, 0.6)
    drive_share = between(rng, scenario.drive_share)
    alternator_a, mains_a = between(rng, scenario.alternator_a), between(rng, scenario.mains_a)
    plug = between(rng, scenario.mains_between)
    microwaves, surges = between(rng, scenario.microwave_per_day), between(rng, scenario.surges_per_day)
    sky = 0.6
    plugged = False
    for day in range(days):
        here = slice(day * steps, (day + 1) * steps)
        outside = float(ambient_c[day * 24 : day * 24 + 24].mean())
        sky = float(np.clip(0.45 * sky + 0.55 * rng.beta(1.6, 1.2), 0.08, 1.0))
        leaving = leaves[day]
        if travelling[day]:
            plugged = False
            load_a[here] = day_of_loads(
                rng, hours, outside, size, fridge_a, fridge_period_h, deep=bool(deep[day]), rated_ah=rated_ah
            )
            add_pulses(rng, load_a[here], rng.poisson(microwaves), scenario.microwave_a, (60.0, 240.0), dt_s)
            surge = (1.05 * rated_ah, 1.6 * rated_ah)
            add_pulses(rng, load_a[here], rng.poisson(surges), surge, (30.0, 120.0), dt_s)
            if rng.random() < drive_share and not deep[day]:
                start = rng.uniform(8.0, 16.0)
                source_a[here] += alternator_a * ((hours > start) & (hours < start + rng.uniform(0.7, 4.0)))
        elif day == 0 or travelling[day - 1]:
            plugged = rng.random() < plug
        if plugged and not travelling[day] and (leaving or travelling[day - 1] or day == 0):
            source_a[here] += mains_a * (hours > rng.uniform(0.0, 12.0))
        shade = (0.0 if deep[day] else 1.0) * (1.0 if travelling[day] or sunny_gaps else 0.0)
        if shade:
            source_a[here] += sun(rng, hours, peak_a * shade, sky, first_day + day)
    return Usage(load_a, source_a, ambient_c, logged, floor, travelling)


def _calendar(scenario: Scenario, rng: np.random.Generator) -> tuple[np.ndarray, np.ndarray]:
    """Travelling days, and the last days before a trip."""
    travelling = np.zeros(scenario.days, bool)
    day = int(rng.integers(0, 3))
    while day < scenario.days:
        length = int(rng.integers(scenario.trip_days[0], scenario.trip_days[1] + 1))
        travelling[day : day + length] = True
        day += length + int(rng.integers(scenario.gap_days[0], scenario.gap_days[1] + 1))
    leaves = np.r_[~travelling[:-1] & travelling[1:], False]
    return travelling, leaves


def weather(scenario: Scenario, rng: np.random.Generator, first_day: int) -> np.ndarray:
    """Hourly temperature round the pack [°C]: season, day and drifting weather."""
    hour = np.arange(scenario.days * 24 + 24)
    season = between(rng, scenario.season_c) * np.cos(2 * np.pi * (hour / 24 + first_day - 200) / 365.25)
    daily = between(rng, scenario.daily_c) * np.cos(2 * np.pi * (hour % 24 - 15) / 24)
    drift = np.zeros(scenario.days + 2)
    shocks = rng.normal(0.0, 2.0, len(drift))
    for day in range(1, len(drift)):
        drift[day] = 0.75 * drift[day - 1] + shocks[day]
    return between(rng, scenario.mean_c) + season + daily + np.interp(hour / 24, np.arange(len(drift)), drift)


def _drop_out(
    scenario: Scenario, rng: np.random.Generator, logged: np.ndarray, travelling: np.ndarray, steps: int
) -> None:
    rate = between(rng, scenario.dropouts_per_day)
    for day in np.flatnonzero(travelling):
        for _ in range(rng.poisson(rate)):
            start = int((day + rng.random()) * steps)
            logged[start : start + int(rng.uniform(0.5, 10.0) / 24 * steps)] = False


def day_of_loads(
    rng: np.random.Generator,
    hours: np.ndarray,
    outside_c: float,
    size: float,
    fridge_a: float,
    fridge_period_h: float,
    *,
    deep: bool,
    rated_ah: float,
) -> np.ndarray:
    """Base, fridge, lights, fans and screens of one travelling day; a deep day adds a long steady load."""
    duty = float(np.clip(0.22 + 0.013 * (outside_c - 8.0), 0.12, 0.65))
    phase = rng.random()
    load = np.full(len(hours), rng.uniform(0.1, 0.5))
    load += fridge_a * (((hours / fridge_period_h + phase) % 1.0) < duty)
    dusk = rng.uniform(17.5, 20.0)
    load += rng.uniform(0.8, 3.0) * ((hours > dusk) & (hours < rng.uniform(21.5, 23.8)))
    desk = rng.uniform(8.0, 19.0)
    load += rng.uniform(2.0, 6.0) * ((hours > desk) & (hours < desk + rng.uniform(0.5, 4.0)))
    if outside_c < 9.0:
        load += rng.uniform(1.0, 2.5) * ((hours < rng.uniform(6.0, 8.0)) | (hours > rng.uniform(17.0, 21.0)))
    load *= size
    if deep:
        start = rng.uniform(0.0, 8.0)
        load += rng.uniform(0.04, 0.2) * rated_ah * ((hours > start) & (hours < start + rng.uniform(8.0, 20.0)))
    return load


def add_pulses(
    rng: np.random.Generator, load: np.ndarray, count: int, amperes: Range, seconds: Range, dt_s: float
) -> None:
    for _ in range(count):
        start = int(rng.uniform(6.5, 22.5) / 24 * len(load))
        load[start : start + max(1, round(between(rng, seconds) / dt_s))] += between(rng, amperes)


def sun(rng: np.random.Generator, hours: np.ndarray, peak_a: float, sky: float, day_of_year: int) -> np.ndarray:
    """Solar current [A] of one day: a half sine between sunrise and sunset under broken cloud."""
    season = np.cos(2 * np.pi * (day_of_year - 172) / 365.25)
    length_h = 12.2 + 3.8 * season
    height = np.sin(np.pi * (hours - 12.6 + length_h / 2) / length_h)
    up = np.abs(hours - 12.6) < length_h / 2
    knots = np.clip(rng.normal(sky, 0.28 * (1.05 - abs(2 * sky - 1.0)), 97), 0.04, 1.0)
    cloud = np.interp(hours, np.linspace(0.0, 24.0, 97), knots)
    return peak_a * (0.66 + 0.34 * season) * np.where(up, np.maximum(height, 0.0) ** 1.2, 0.0) * cloud
