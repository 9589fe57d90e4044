"""Invented exports of a camper's monitor, small and plain; what went in is known."""

from __future__ import annotations

from datetime import datetime, timedelta

FROZEN_DAY = 3
"""Day of the trip, from 0, on whose morning 6 A go in from 08:00 to 09:30 while the cells are at -4 °C."""
STEP = timedelta(minutes=2)


def frosty_trip(first="2026-01-10", days=6):
    """CSV of a winter trip: 4 A out each night, 8 A in by day, cells at 8 °C but for one frozen morning."""
    lines = ["time,voltage (V),current (A),temperature (°C),state of charge (%)"]
    start = when = datetime.fromisoformat(first)
    charge_ah = 95.0
    while when < start + timedelta(days=days):
        hour = when.hour + when.minute / 60
        frozen = (when - start).days == FROZEN_DAY and 7 <= hour < 11
        current_a = flow(hour, charge_ah, frozen)
        charge_ah += current_a * STEP.total_seconds() / 3600
        voltage_v = 12.9 + 0.004 * charge_ah + 0.012 * current_a
        if charge_ah >= 99.9:
            voltage_v = 14.2
        temperature_c = -4.0 if frozen else 8.0
        lines.append(f"{when:%Y-%m-%d %H:%M:%S},{voltage_v:.2f},{current_a:.2f},{temperature_c:.1f},{charge_ah:.0f}")
        when += STEP
    return "\n".join(lines) + "\n"


def flow(hour, charge_ah, frozen):
    """Current into the pack, in A."""
    if frozen:
        return 6.0 if 8 <= hour < 9.5 else 0.0
    if 10 <= hour < 17:
        return min(8.0, max(0.5, (100 - charge_ah) * 4)) if charge_ah < 99.95 else 0.0
    return -4.0 if hour >= 19 or hour < 5 else -0.3


def silent_about_sign():
    """CSV with a current of one size at a voltage that does not move: it could go either way."""
    start = datetime.fromisoformat("2026-03-02")
    lines = ["time,voltage (V),current (A),temperature (°C)"]
    for minute in range(0, 240, 2):
        current_a = 3.0 if 40 <= minute < 160 else 0.0
        lines.append(f"{start + timedelta(minutes=minute):%Y-%m-%d %H:%M:%S},13.20,{current_a:.2f},15.0")
    return "\n".join(lines) + "\n"


def silent_about_start():
    """CSV that counts seconds from a start it does not name."""
    lines = ["elapsed (s),voltage (V),current (A),state of charge (%)"]
    for place in range(120):
        charging = place >= 60
        soc = 80 - place / 2 if not charging else 50 + (place - 60) / 2
        lines.append(f"{place * 120},{13.4 if charging else 12.9},{15.0 if charging else -15.0},{soc:.0f}")
    return "\n".join(lines) + "\n"


def over_the_end_of_summer_time():
    """CSV of a clock that is set back by an hour, as Berlin's was on 26 October 2025 at three."""
    lines = ["time,voltage (V),current (A)"]
    start = datetime.fromisoformat("2025-10-25T22:00")
    for place in range(600):
        when = start + timedelta(minutes=place) - (timedelta(hours=1) if place >= 300 else timedelta())
        load = -5.0 if place // 20 % 2 else -1.0
        lines.append(f"{when:%Y-%m-%d %H:%M:%S},{13.2 + 0.02 * load:.2f},{load:.2f}")
    return "\n".join(lines) + "\n"


def in_no_known_words():
    """CSV whose heads are in words no importer knows."""
    start = datetime.fromisoformat("2026-03-02")
    lines = ["zig,zag,zog,zug"]
    for place in range(120):
        load = -6.0 if place // 10 % 2 else -1.0
        lines.append(f"{start + timedelta(minutes=2 * place):%Y-%m-%d %H:%M:%S},{13.2 + 0.02 * load:.2f},{load:.2f},x")
    return "\n".join(lines) + "\n"
