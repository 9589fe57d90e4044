"""Flags: rules that turn the answers into things the owner should look at, each with advice.

Each rule reads the finished answer only. A flag once acknowledged stays so while its code stands.
Severity: `info`, `look` (at the next occasion), `act` (before using or charging the pack again).
"""

from __future__ import annotations

from dataclasses import replace
from typing import TYPE_CHECKING

from logbook.schema.health import Flag

if TYPE_CHECKING:
    from collections.abc import Callable, Iterator

    from logbook.schema.health import Health

SHEET = "Go by the pack's own sheet; where in doubt ask its maker."
OFFSET_WORTH_A = 0.03
SOC_ERROR_WORTH = 5.0
STANDBY_WORTH_A = 0.05
LOW_COVERAGE = 0.5


def flags(health: Health, acknowledged: frozenset[str]) -> tuple[Flag, ...]:
    """Every flag the rules raise, the gravest first."""
    order = {"act": 0, "look": 1, "info": 2}
    raised = [flag for rule in RULES for flag in rule(health)]
    marked = [replace(flag, acknowledged=flag.code in acknowledged) for flag in raised]
    return tuple(sorted(marked, key=lambda flag: order[flag.severity]))


def _charged_frozen(health: Health) -> Iterator[Flag]:
    """Charge went in below the pack's limit."""
    events = health.cold_charging.events
    if not events:
        return
    graded = [event.severity for event in events]
    severity = "act" if "severe" in graded else "look" if "marked" in graded else "info"
    coldest, total_ah = min(event.min_temperature_c for event in events), health.cold_charging.total_charge_ah
    yield Flag(
        "charged_frozen",
        severity,
        f"Charged {_times(len(events))} below {health.cold_charging.limit_c:.0f} °C, "
        f"{total_ah:.{0 if total_ah >= 20 else 1}f} Ah in all, the coldest at {_degrees(coldest)}.",
        events[0].start_ms,
        events[-1].end_ms,
        "Charging a frozen LiFePO4 pack can plate lithium, which harms it and cannot be undone. Switch solar and alternator charging off "
        f"while the cells are below the limit, or warm the pack first. This log shows exposure, not damage. {SHEET}",
    )


def _times(count: int) -> str:
    return "once" if count == 1 else f"{count} times"


def _degrees(celsius: float) -> str:
    """A temperature with a true minus; tenths where whole degrees would hide which side of zero it is on."""
    places = 0 if abs(celsius) >= 1 and abs(celsius - round(celsius)) < 0.05 else 1
    return f"{celsius:.{places}f} °C".replace("-", "\u2212")


def _below_rating(health: Health) -> Iterator[Flag]:
    """Capacity below its rating or at its end of life."""
    state = health.capacity.state_of_health
    if state is None or health.capacity.verdict not in ("reduced", "end_of_life"):
        return
    worn = health.capacity.verdict == "end_of_life"
    yield Flag(
        "end_of_life" if worn else "below_rating",
        "look",
        f"It delivers {100 * state.value:.0f} % of its rating ({100 * state.low:.0f} to {100 * state.high:.0f} %).",
        None,
        None,
        "80 % is a convention, not a cliff: judge by what your days need. Stop using a pack that swells, smells, gets hot or loses charge by itself."
        if worn
        else "Repeat one run from a proven full to the cut-off in mild weather before drawing conclusions, and keep the log as evidence for a claim.",
    )


def _sudden_loss(health: Health) -> Iterator[Flag]:
    """Capacity stepped down."""
    for loss in health.fade.sudden_losses:
        size = "" if loss.ah_lost is None else f" by about {loss.ah_lost.value:.0f} Ah"
        yield Flag(
            "sudden_loss",
            "act",
            f"Capacity dropped at once{size}.",
            loss.time_ms,
            loss.time_ms,
            "One weak cell usually causes this. Look at the cell voltages near full and near empty, and have the pack checked; do not open it or bypass its board.",
        )


def _capacity_unknown(health: Health) -> Iterator[Flag]:
    """Nobody can say yet what it delivers."""
    if health.capacity.verdict == "undetermined" and health.readings.count:
        yield Flag(
            "capacity_unknown",
            "info",
            "The log cannot tell yet what the pack delivers.",
            None,
            None,
            health.capacity.reason or "",
        )


def _sensor_offset(health: Health) -> Iterator[Flag]:
    """The current sensor's zero is off by more than its doubt."""
    offset = health.monitor.current_offset_a
    if offset is None or abs(offset.value) < OFFSET_WORTH_A or offset.low <= 0 <= offset.high:
        return
    yield Flag(
        "sensor_offset",
        "look",
        f"The monitor reads {abs(offset.value):.2f} A too {'high' if offset.value > 0 else 'low'}: {abs(offset.value) * 24:.1f} Ah a day of error in its count.",
        None,
        None,
        "Set the monitor's zero with everything disconnected, as its manual says. The figures here already allow for it.",
    )


def _percentage_off(health: Health) -> Iterator[Flag]:
    """The reported state of charge is off the count."""
    error = health.monitor.soc_error_percent
    if error is None or abs(error.value) < SOC_ERROR_WORTH or error.low <= 0 <= error.high:
        return
    yield Flag(
        "percentage_off",
        "look",
        f"The reported percentage was {abs(error.value):.0f} points too {'high' if error.value > 0 else 'low'} when last checked.",
        None,
        None,
        "Charge to a proven full so that the monitor starts afresh, and set its capacity to what the pack really delivers.",
    )


def _false_full(health: Health) -> Iterator[Flag]:
    """The monitor believed in a full pack that was not."""
    false = health.monitor.false_fulls
    if not false:
        return
    yield Flag(
        "false_full",
        "look",
        f"The monitor jumped to 100 % {_times(len(false))} at a voltage no full pack shows, the last from {false[-1].from_percent:.0f} % at {false[-1].voltage_v:.2f} V.",
        false[0].time_ms,
        false[-1].time_ms,
        "Set its charged voltage nearer to the absorption voltage (0.2 V below is common), its tail current lower, and its hold time longer, so that thin sun does not look like a full pack.",
    )


def _run_flat(health: Health) -> Iterator[Flag]:
    """The board had to cut the pack off."""
    cuts = [event for event in health.protection.events if event.kind == "under_voltage"]
    if len(cuts) < 3:
        return
    yield Flag(
        "run_flat",
        "look",
        f"The protection board cut the pack off {len(cuts)} times because a cell was empty.",
        cuts[0].start_ms,
        cuts[-1].end_ms or cuts[-1].start_ms,
        "Stop discharging earlier, at about 12.0 V at light load for a four-cell pack, and recharge soon after a cut-off. "
        "Never bypass the board, and never charge cells that have been below 2.0 V.",
    )


def _standby_draw(health: Health) -> Iterator[Flag]:
    """Something draws while parked."""
    standby = health.idle.standby_current_a
    if standby is None or standby.low < STANDBY_WORTH_A:
        return
    days = health.pack.rated_ah * 0.8 / (standby.value * 24)
    yield Flag(
        "standby_draw",
        "look",
        f"The parked vehicle draws {standby.value:.2f} A: from full to a fifth in about {days:.0f} days.",
        None,
        None,
        "Switch consumers off one at a time and watch the current, or isolate the pack for storage.",
    )


def _poor_coverage(health: Health) -> Iterator[Flag]:
    """Most of the time was not logged."""
    readings = health.readings
    total = readings.logged_hours + readings.unlogged_hours
    if not total or readings.logged_hours / total >= LOW_COVERAGE:
        return
    yield Flag(
        "poor_coverage",
        "info",
        f"Only {100 * readings.logged_hours / total:.0f} % of the time was logged; what happened in the pauses is not known.",
        None,
        None,
        "Leave the monitor logging while parked if it can; a pause is never counted as good news.",
    )


RULES: tuple[Callable[[Health], Iterator[Flag]], ...] = (
    _charged_frozen,
    _sudden_loss,
    _below_rating,
    _capacity_unknown,
    _run_flat,
    _sensor_offset,
    _percentage_off,
    _false_full,
    _standby_draw,
    _poor_coverage,
)
