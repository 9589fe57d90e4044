"""Report: the health answer as questions and sentences; everything in it is read from one `Health`."""

from __future__ import annotations

from dataclasses import dataclass
from typing import TYPE_CHECKING

from logbook.cli.output import heading, paragraph, result
from logbook.cli.words import counted, day, interval, lasting, moment, number, percent
from logbook.schema.status import CAUSE_WORDS

if TYPE_CHECKING:
    from logbook.schema.estimate import Estimate
    from logbook.schema.health import (
        Basis,
        Capacity,
        Cells,
        ColdChargeEvent,
        ColdCharging,
        Cycles,
        DateRange,
        Fade,
        Flag,
        Health,
        Idle,
        Monitor,
        Protection,
        ProtectionEvent,
        ReadingsSummary,
        Resistance,
    )

SEVERITIES = ("slight", "marked", "severe")
PROTECTION_WORDS = {
    "under_voltage": "Opened because a cell ran low",
    "over_current": "Opened because the current was too high",
    "asleep": "Asleep, with no voltage at the terminals",
    "charge_blocked_cold": "Blocked charging because it was cold",
    "unknown": "Opened for a reason the log does not show",
}
COARSE_S = 5.0
"""Readings further apart than this may miss an opening, for a board may close again some seconds after a surge has
gone (common practice, no source)."""
CAUTION = (
    "This describes readings; it is no inspection, certificate or design. The pack's own sheet, local rules and a "
    "licensed or competent person come first. Do not charge LiFePO4 cells below 0 °C. If a pack is swollen, hot or "
    "wet, or a cell is below 2 V: stop, isolate it, do not recharge it."
)
"""Common practice in the trade; no single source."""


@dataclass(frozen=True)
class Section:
    """One question with the sentences that answer it."""

    question: str
    sentences: tuple[str, ...]


def print_health(health: Health, zone: str) -> None:
    """Print the answer; times in the given zone."""
    pack = health.pack
    heading(f"{pack.name}: {_rated(pack.rated_ah)} {pack.chemistry}, {counted(pack.cells_in_series, 'cell')} in series")
    if not health.readings.count:
        paragraph("Nothing is logged for this pack yet. Take a file in:")
        result(f'  logbook import trip.csv --pack "{pack.name}"')
        return
    for section in sections(health, zone):
        heading(section.question)
        for sentence in section.sentences:
            paragraph(sentence, "  ")


def sections(health: Health, zone: str) -> tuple[Section, ...]:
    """Give the answer in the order of what matters to the owner."""
    parts = (
        ("Does it still deliver its rated amp-hours?", _capacity(health.capacity, health.pack.rated_ah, zone)),
        ("Was it charged while freezing?", _cold(health.cold_charging, health.readings, zone)),
        ("What needs a look?", _flags(health.flags, zone, health.capacity.reason)),
        ("What drains it while parked?", _idle(health.idle)),
        ("How does it fade?", _fade(health.fade, zone)),
        ("How hard was it used?", _cycles(health.cycles, health.readings)),
        ("What is its internal resistance?", _resistance(health.resistance)),
        ("Can the monitor be believed?", _monitor(health.monitor, zone)),
        ("Did the protection board open?", _protection(health.protection, health.readings, zone)),
        ("Are the cells in step?", _cells(health.cells)),
        ("How much was logged?", _readings(health.readings, zone)),
        ("Take care", (CAUTION,)),
    )
    return tuple(Section(question, tuple(filter(None, sentences))) for question, sentences in parts)


def _capacity(capacity: Capacity, rated_ah: float, zone: str) -> tuple[str | None, ...]:
    used = [entry for entry in capacity.observations if entry.used]
    rests = (
        f"Rests on {len(used)} of {counted(len(capacity.observations), 'measurement')}, "
        f"the last on {day(max(entry.end_ms for entry in used), zone)}."
        if used
        else None
    )
    return (_delivers(capacity, _rated(rated_ah)), rests, capacity.reason)


def _rated(ah: float) -> str:
    """A rating as its owner gave it, not rounded."""
    return f"{ah:g} Ah"


def _amp_hours(ah: float) -> str:
    return f"{number(ah, _ah_places(ah))} Ah"


def _ah_places(ah: float) -> int:
    """Whole Ah for a house battery, tenths for a small pack."""
    return 0 if ah >= 20 else 1


def _delivers(capacity: Capacity, rated: str) -> str:
    if capacity.ah is None:
        bound = (
            f" It has delivered at least {number(capacity.at_least_ah, _ah_places(capacity.at_least_ah))} Ah; how much more it holds is open."
            if capacity.at_least_ah is not None
            else ""
        )
        return f"Cannot tell yet whether it delivers its rated {rated}.{bound}"
    places = capacity.ah.decimals
    value = f"{number(capacity.ah.value, places)} Ah"
    low, high = number(capacity.ah.low, places), number(capacity.ah.high, places)
    sure = f"{percent(capacity.ah.level)} interval: {low} to {high} Ah"
    return {
        "meets_rating": f"Yes. It delivers {value} of its rated {rated} ({sure}). It meets its rating.",
        "reduced": f"Not quite. It delivers {value} of its rated {rated} ({sure}). It is below its rating.",
        "end_of_life": f"No. It delivers {value} of its rated {rated} ({sure}). "
        "That is under 80 %, where a pack commonly counts as worn out.",
    }.get(
        capacity.verdict,
        f"Cannot tell yet whether it delivers its rated {rated}: about {value}, "
        f"but the log leaves a wide range ({sure}).",
    )


def _cold(cold: ColdCharging, readings: ReadingsSummary, zone: str) -> tuple[str | None, ...]:
    limit = f"{number(cold.limit_c)} °C"
    if not cold.events:
        if cold.reason:
            return ("Cannot tell.", cold.reason)
        unlogged = _unlogged(readings)
        return (
            f"No. No charging below {limit} was seen in the logged time.",
            unlogged,
            _heater(cold),
            perhaps_frozen(cold, f"{number(cold.limit_c)} °C"),
            _note(cold.basis),
        )
    worst = max(cold.events, key=lambda event: (SEVERITIES.index(event.severity), event.charge_ah))
    times = _often(len(cold.events))
    worst_of_all = (
        f"The worst, on {moment(worst.start_ms, zone)}: {number(worst.charge_ah, 1)} Ah in "
        f"{lasting(worst.duration_s)}, at up to {number(worst.max_current_a, 1)} A, down to "
        f"{number(worst.min_temperature_c, 1)} °C."
    )
    return (
        f"Yes, {times}: {_amp_hours(cold.total_charge_ah)} went in while the cells were below {limit}. {_grades(cold.events)}",
        worst_of_all,
        "This is exposure, not a measured loss. Keep chargers off until the cells are warm, or warm them first.",
        _heater(cold),
        perhaps_frozen(cold, limit),
        _note(cold.basis),
        cold.reason,
    )


def perhaps_frozen(cold: ColdCharging, limit: str) -> str | None:
    """Charge above the limit into cells that may have lagged behind their thermometer."""
    if not cold.perhaps_frozen_ah:
        return None
    low, high = (number(end, 1) for end in (cold.perhaps_frozen_ah.low, cold.perhaps_frozen_ah.high))
    return (
        f"Not counted: {low} to {high} Ah went in while it thawed. The thermometer had passed {limit}, the cells perhaps not, "
        "unless it sits on them (then set thermometer_lag_h to 0)."
    )


def _heater(cold: ColdCharging) -> str | None:
    if not cold.heater_times:
        return None
    return (
        f"Not counted: {number(cold.heater_ah, 1)} Ah on {counted(cold.heater_times, 'occasion')} that warmed the pack "
        "instead of charging it, by its quick rise in temperature at a steady current."
    )


def _often(count: int) -> str:
    return "once" if count == 1 else f"{number(count)} times"


def _note(basis: Basis | None) -> str | None:
    return basis.note if basis else None


def _grades(events: tuple[ColdChargeEvent, ...]) -> str:
    counts = {grade: sum(event.severity == grade for event in events) for grade in reversed(SEVERITIES)}
    words = [f"{count} {grade}" for grade, count in counts.items() if count]
    return f"By temperature and current: {', '.join(words)}."


def _flags(flags: tuple[Flag, ...], zone: str, said: str | None) -> tuple[str, ...]:
    """One sentence or two for each flag that was not seen; advice that was `said` before is not said again."""
    open_flags = [flag for flag in flags if not flag.acknowledged]
    lines = [
        f"{'!' if flag.severity == 'act' else '-'} {_when(flag, zone)}{flag.message}"
        f"{'' if flag.advice == said else f' {flag.advice}'}"
        for flag in open_flags
    ]
    seen = len(flags) - len(open_flags)
    return (*(lines or ["Nothing new."]), *([f"{counted(seen, 'flag')} you acknowledged before."] if seen else []))


def _when(flag: Flag, zone: str) -> str:
    """The day of a flag, or its first and last."""
    if flag.start_ms is None:
        return ""
    first, last = day(flag.start_ms, zone), day(flag.start_ms if flag.end_ms is None else flag.end_ms, zone)
    return f"{first}: " if first == last else f"{first} to {last}: "


def _idle(idle: Idle) -> tuple[str | None, ...]:
    return (
        _estimated("By itself it loses {} of its rated capacity a month", idle.self_discharge_percent_per_month, "%"),
        _estimated("The parked vehicle draws {} through the sensor", idle.standby_current_a, "A"),
        _estimated("Left full as it was parked, it is down to 20 % after {}", idle.days_full_to_fifth, "days"),
        _untold(idle.reason, idle.self_discharge_percent_per_month, idle.standby_current_a),
    )


def _fade(fade: Fade, zone: str) -> tuple[str | None, ...]:
    losses = [
        f"It lost {interval(loss.ah_lost, 'Ah') if loss.ah_lost else 'capacity'} at once "
        f"about {day(loss.time_ms, zone)}."
        for loss in fade.sudden_losses
    ]
    return (
        _estimated("It loses {} of its rated capacity a year", fade.percent_of_rated_per_year, "%", least_places=1),
        _end_of_life(fade.end_of_life_date),
        *losses,
        _untold(fade.reason, fade.percent_of_rated_per_year),
    )


def _end_of_life(date: DateRange | None) -> str | None:
    if date is None or date.value is None:
        return None
    low = f"not before {date.low}" if date.low else "or earlier"
    high = f"not after {date.high}" if date.high else "or later"
    return f"At this pace it reaches 80 % about {date.value} ({low}, {high})."


def _cycles(cycles: Cycles, readings: ReadingsSummary) -> tuple[str | None, ...]:
    if readings.logged_hours <= 0:
        return (_untold(cycles.reason),)
    throughput = (
        f"{counted(cycles.equivalent_full_cycles, 'equivalent full cycle', 1)} in the logged time: "
        f"{_amp_hours(cycles.charge_ah)} and {number(cycles.charge_wh)} Wh went in, "
        f"{_amp_hours(cycles.discharge_ah)} and {number(cycles.discharge_wh)} Wh came out."
    )
    return (throughput, _note(cycles.basis), cycles.reason)


def _resistance(resistance: Resistance) -> tuple[str | None, ...]:
    return (
        _estimated("{} at 25 °C", resistance.milliohm_25c, "mΩ"),
        _rise(resistance.percent_per_year),
        _untold(resistance.reason, resistance.milliohm_25c, resistance.percent_per_year),
    )


def _rise(rise: Estimate | None) -> str | None:
    """How resistance changes, where that can be told from standing still."""
    if rise is not None and rise.low <= 0 <= rise.high:
        low, high = number(rise.low, rise.decimals), number(rise.high, rise.decimals)
        return f"It cannot be told yet whether it changes: between {low} and {high} % a year."
    return _estimated("It changes by {} a year", rise, "%")


def _monitor(monitor: Monitor, zone: str) -> tuple[str | None, ...]:
    counts = "Its state of charge is a count against the rated capacity, so it is no evidence of capacity."
    return (
        _off("Every current reads {}", monitor.current_offset_a, "A"),
        _off(
            "Its state of charge, against the count since the last full charge, reads {}",
            monitor.soc_error_percent,
            "points",
        ),
        *(
            f"Its zero changed by {number(change.by_a, 2)} A about {day(change.time_ms, zone)}, as if set anew or "
            "replaced; what was logged before is read accordingly."
            for change in monitor.zero_changes
        ),
        counts if monitor.soc_assumes_rated_capacity and not monitor.reason else None,
        f"It shows no current below about {number(monitor.dead_band_a, 2)} A, so what draws less than that goes uncounted."
        if monitor.dead_band_a
        else None,
        _untold(monitor.reason, monitor.current_offset_a, monitor.soc_error_percent),
    )


def _protection(protection: Protection, readings: ReadingsSummary, zone: str) -> tuple[str | None, ...]:
    if not protection.events:
        return ("No opening was seen in the logged time.", _between_readings(readings), protection.reason)
    lines: list[str | None] = []
    for kind, words in PROTECTION_WORDS.items():
        events = [event for event in protection.events if event.kind == kind]
        if events:
            last = max(event.start_ms for event in events)
            when = f"{'on' if len(events) == 1 else 'the last on'} {moment(last, zone)}"
            lines.append(f"{words}: {_often(len(events))}, {when}.{_by_word(events)}")
    return (*lines, _between_readings(readings), protection.reason)


def _between_readings(readings: ReadingsSummary) -> str | None:
    """Remind that a trip which is over before the next reading leaves nothing in the log."""
    if readings.interval_s is None or readings.interval_s < COARSE_S:
        return None
    return f"One that was over within the {lasting(readings.interval_s)} between two readings may have passed unseen."


def _by_word(events: list[ProtectionEvent]) -> str:
    """Say for how many of some events the monitor's status word is what tells, and what it named."""
    told = [event for event in events if event.source == "status_word"]
    if not told:
        return ""
    named = sorted({CAUSE_WORDS[event.cause] for event in told if event.cause and event.cause != event.kind})
    count = "" if len(told) == len(events) else f" {counted(len(told), 'time')}"
    return f" So{count} as its status word said{': ' + ', '.join(named) if named else ''}."


def _cells(cells: Cells) -> tuple[str | None, ...]:
    return (
        _apart("full", cells.spread_full_v, cells.first_full_cell, cells.days_full),
        _apart("empty", cells.spread_empty_v, cells.first_empty_cell, cells.days_empty),
        cells.reason,
    )


def _apart(end: str, spread_v: Estimate | None, cell: int | None, days: int) -> str | None:
    if spread_v is None:
        return None
    first = f"cell {cell} is there first" if cell else "now one cell, now another is there first"
    return f"At {end} they stand {number(spread_v.value, spread_v.decimals)} V apart, and {first} ({counted(days, 'day')} seen)."


def _readings(readings: ReadingsSummary, zone: str) -> tuple[str | None, ...]:
    if readings.first_ms is None or readings.last_ms is None:
        return ("Nothing yet. Take a file in:  logbook import trip.csv",)
    first, last = day(readings.first_ms, zone), day(readings.last_ms, zone)
    span = first if first == last else f"{first} to {last}"
    return (f"{counted(readings.count, 'reading')}, {span}.", _unlogged(readings))


def _unlogged(readings: ReadingsSummary) -> str | None:
    whole = readings.logged_hours + readings.unlogged_hours
    if readings.unlogged_hours <= 0 or whole <= 0:
        return None
    if readings.logged_hours <= 0:
        return "None of that time counts as logged, which takes a current with the readings."
    share = readings.unlogged_hours / whole
    told = "Less than 1 %" if share < 0.005 else percent(share)
    return f"{told} of that time was not logged; nothing can be said about it."


def _estimated(sentence: str, estimate: Estimate | None, unit: str, least_places: int = 0) -> str | None:
    return None if estimate is None else f"{sentence.format(interval(estimate, unit, least_places))}."


def _off(sentence: str, estimate: Estimate | None, unit: str) -> str | None:
    """Say which way a reading is off, and by how much; either way where the interval holds zero."""
    if estimate is None:
        return None
    if estimate.low <= 0 <= estimate.high:
        right = sentence.replace("{}", "right as far as the log can tell, off by {}")
        return _estimated(right, estimate, unit)
    high = estimate.value > 0
    size = estimate if high else estimate.scaled(-1.0)
    return _estimated(f"{sentence} too {'high' if high else 'low'}", size, unit)


def _untold(reason: str | None, *estimates: Estimate | None) -> str | None:
    """Give the reason, after "Cannot tell" where there is no estimate at all."""
    if any(estimates):
        return reason
    return f"Cannot tell. {reason}" if reason else "Cannot tell."
