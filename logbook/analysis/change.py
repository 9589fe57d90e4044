"""Change: what became different between two answers about the same pack, in plain sentences.

Figures count as different when they differ beyond the last digit their interval bears.
"""

from __future__ import annotations

from typing import TYPE_CHECKING
from zoneinfo import ZoneInfo

from logbook.analysis.wording import amp_hours, number, times
from logbook.units import utc_from_ms

if TYPE_CHECKING:
    from collections.abc import Iterator

    from logbook.schema.estimate import Estimate
    from logbook.schema.health import Capacity, ColdCharging, Fade, Flag, Health, Protection, ReadingsSummary

VERDICTS = {
    "meets_rating": "meets its rating",
    "reduced": "below its rating",
    "end_of_life": "under 80 % of its rating",
    "undetermined": "too wide a range for a verdict",
}
UNTOLD = "cannot be told"
BEFORE = " Before: "
REFUSED = "charge_blocked_cold"
CAPACITY_UNKNOWN = "capacity_unknown"
"""The flag that says what the sentence about capacity says."""


def changes(before: Health, after: Health, zone: str = "UTC") -> tuple[str, ...]:
    """What a reader of the first answer has to learn anew; days in the given zone, nothing where nothing changed.

    What nothing was known of before is told by itself.
    """
    said = (
        *_told("The log", _logged(before.readings, zone), _logged(after.readings, zone)),
        *_capacity(before.capacity, after.capacity),
        *_told(_limit(after), _cold(before.cold_charging), _cold(after.cold_charging)),
        *_told("Capacity lost at once", _losses(before.fade, zone), _losses(after.fade, zone)),
        *_estimates(before, after),
        *_told("The protection board opened", *(_openings(each.protection) for each in (before, after))),
        *_told("It refused a charge in the cold", *(_refusals(each.protection) for each in (before, after))),
        *_flags(before.flags, after.flags),
    )
    if before.readings.first_ms is None:
        return tuple(sentence.partition(BEFORE)[0] for sentence in said)
    return tuple(said)


def _told(subject: str, before: str, after: str) -> Iterator[str]:
    if before != after:
        yield f"{subject}: {after}.{BEFORE}{before}."


def _logged(readings: ReadingsSummary, zone: str) -> str:
    if readings.first_ms is None or readings.last_ms is None:
        return "nothing"
    first, last = _day(readings.first_ms, zone), _day(readings.last_ms, zone)
    return f"{first if first == last else f'{first} to {last}'}, {_lasting(readings.logged_hours)} of it logged"


def _capacity(before: Capacity, after: Capacity) -> Iterator[str]:
    same = before.verdict == after.verdict and not _differ(before.ah, after.ah)
    if not same or before.ah is None:
        yield from _told("Capacity", _delivers(before), _delivers(after))


def _delivers(capacity: Capacity) -> str:
    if capacity.ah is not None:
        return f"{_interval(capacity.ah, 'Ah')}, {VERDICTS.get(capacity.verdict, capacity.verdict)}"
    if capacity.at_least_ah is not None:
        return f"{UNTOLD}, at least {amp_hours(capacity.at_least_ah)}"
    return UNTOLD


def _limit(health: Health) -> str:
    return f"Charged below {number(health.cold_charging.limit_c)} °C"


def _cold(cold: ColdCharging) -> str:
    if not cold.events:
        return UNTOLD if cold.reason else "not seen"
    return f"{times(len(cold.events))}, {amp_hours(cold.total_charge_ah)} in all"


def _losses(fade: Fade, zone: str) -> str:
    losses = [
        f"{_interval(loss.ah_lost, 'Ah') if loss.ah_lost else 'some'} about {_day(loss.time_ms, zone)}"
        for loss in fade.sudden_losses
    ]
    return "; ".join(losses) or "not seen"


def _estimates(before: Health, after: Health) -> Iterator[str]:
    """Every other figure with an interval."""
    pairs = (
        ("Fade a year, of the rated capacity", "%", before.fade, after.fade, "percent_of_rated_per_year"),
        ("Loss a month while parked", "%", before.idle, after.idle, "self_discharge_percent_per_month"),
        ("Draw of the parked vehicle", "A", before.idle, after.idle, "standby_current_a"),
        ("Resistance at 25 °C", "mΩ", before.resistance, after.resistance, "milliohm_25c"),
        ("The monitor's current is off by", "A", before.monitor, after.monitor, "current_offset_a"),
    )
    for subject, unit, old, new, name in pairs:
        was, now = getattr(old, name), getattr(new, name)
        if _differ(was, now):
            yield from _told(subject, *(_interval(each, unit) if each else UNTOLD for each in (was, now)))


def _differ(before: Estimate | None, after: Estimate | None) -> bool:
    """Whether two estimates differ by more than rounding."""
    if before is None or after is None:
        return before is not after
    moved = max(abs(getattr(after, end) - getattr(before, end)) for end in ("value", "low", "high"))
    return moved > 0.5 * 10.0**-after.decimals


def _openings(protection: Protection) -> str:
    opened = [event for event in protection.events if event.kind != REFUSED]
    return times(len(opened)) if opened else "not seen"


def _refusals(protection: Protection) -> str:
    refused = [event for event in protection.events if event.kind == REFUSED]
    return times(len(refused)) if refused else "not seen"


def _flags(before: tuple[Flag, ...], after: tuple[Flag, ...]) -> Iterator[str]:
    old, new = ({flag.code: flag for flag in flags if flag.code != CAPACITY_UNKNOWN} for flags in (before, after))
    for code, flag in new.items():
        if code not in old:
            yield f"New flag ({flag.severity}): {flag.message}"
        elif old[code].severity != flag.severity:
            yield f"Flag now {flag.severity}, before {old[code].severity}: {flag.message}"
    yield from (f"No longer flagged: {flag.message}" for code, flag in old.items() if code not in new)


def _interval(estimate: Estimate, unit: str) -> str:
    value, low, high = (number(each, estimate.decimals) for each in (estimate.value, estimate.low, estimate.high))
    return f"{value} {unit} ({low} to {high} {unit})"


def _lasting(hours: float) -> str:
    if hours < 2:
        return f"{number(hours * 60)} min"
    return f"{number(hours, 0 if hours >= 10 else 1)} h"


def _day(ts_ms: int, zone: str) -> str:
    when = utc_from_ms(ts_ms).astimezone(ZoneInfo(zone))
    return f"{when.day} {when:%b %Y}"
