"""Flags: rules that turn the answers into things the owner should look at, each with advice.

Each rule reads the finished answer and the pack's own thresholds (`schema.pack.Limits`). A flag that
was raised stays until its figure is clearly back, so that it does not come and go with every import.
A flag once acknowledged stays so while its code stands.
Severity: `info`, `look` (at the next occasion), `act` (before using or charging the pack again).
"""

from __future__ import annotations

from dataclasses import dataclass, replace
from typing import TYPE_CHECKING

from logbook.analysis.wording import amp_hours, times
from logbook.schema.health import Flag

if TYPE_CHECKING:
    from collections.abc import Callable, Iterator

    from logbook.schema.health import Health
    from logbook.schema.pack import Limits

SHEET = "Go by the pack's own sheet; where in doubt ask its maker."
WEAK_ADVICE = (
    "Balancing does not mend it. Watch its voltage near both ends, keep the log as evidence for a claim, and have the pack checked; "
    f"do not open it. {SHEET}"
)
WEAK_CELL_V = 0.5
"""Near empty a lowest cell at 2.5 V lies so far below one that still holds some 3 % (ours, by the table of `ocv`)."""
MOSTLY_UNSEEN = 1.5
"""From a drain so many times what the sensor shows on, what it does not show is the news (ours)."""
CLEARLY_BACK = 0.8
"""A raised flag is taken down at this share of what raises it."""


@dataclass(frozen=True)
class Rules:
    """From where this pack's flags are raised, and which already are."""

    limits: Limits
    raised: frozenset[str]

    def reaches(self, code: str, value: float, threshold: float) -> bool:
        """Whether a figure is large enough to raise a flag, or to keep it."""
        return value >= threshold * (CLEARLY_BACK if code in self.raised else 1.0)

    def falls_short(self, code: str, value: float, threshold: float) -> bool:
        """Whether a figure is small enough to raise a flag, or to keep it."""
        return value < threshold / (CLEARLY_BACK if code in self.raised else 1.0)


def flags(
    health: Health, acknowledged: frozenset[str], limits: Limits, raised: frozenset[str] = frozenset()
) -> tuple[Flag, ...]:
    """Every flag the rules raise, the gravest first; `raised` are the codes that stood before."""
    order = {"act": 0, "look": 1, "info": 2}
    rules = Rules(limits, raised)
    found = [flag for rule in RULES for flag in rule(health, rules)]
    marked = [replace(flag, acknowledged=flag.code in acknowledged) for flag in found]
    return tuple(sorted(marked, key=lambda flag: order[flag.severity]))


def _charged_frozen(health: Health, _rules: Rules) -> Iterator[Flag]:
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
        f"Charged {times(len(events))} below {health.cold_charging.limit_c:.0f} °C, "
        f"{amp_hours(total_ah)} in all, the coldest at {_degrees(coldest)}.",
        events[0].start_ms,
        events[-1].end_ms,
        "Charging a frozen LiFePO4 pack can plate lithium, which harms it and cannot be undone. Switch solar and alternator charging off "
        f"while the cells are below the limit, or warm the pack first. This log shows exposure, not damage. {SHEET}",
    )


def _degrees(celsius: float) -> str:
    """A temperature with a true minus; tenths where whole degrees would hide which side of zero it is on."""
    places = 0 if abs(celsius) >= 1 and abs(celsius - round(celsius)) < 0.05 else 1
    return f"{celsius:.{places}f} °C".replace("-", "\u2212")


def _below_rating(health: Health, _rules: Rules) -> Iterator[Flag]:
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


def _sudden_loss(health: Health, _rules: Rules) -> Iterator[Flag]:
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


def _other_pack(health: Health, _rules: Rules) -> Iterator[Flag]:
    """The log is of two packs, or of one whose cells were out of step."""
    since_ms = health.capacity.other_pack_since_ms
    if since_ms is None:
        return
    yield Flag(
        "other_pack",
        "look",
        "From here on every run gives far more than any before: this is another pack, or its cells were out of step until then.",
        since_ms,
        since_ms,
        "If it is another pack, give each its own with logbook pack swap, and see that its rating is set. Else no harm is done: the "
        "capacity is of the time since.",
    )


def _capacity_unknown(health: Health, _rules: Rules) -> Iterator[Flag]:
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


def _sensor_offset(health: Health, rules: Rules) -> Iterator[Flag]:
    """The current sensor's zero is off by more than its doubt."""
    offset = health.monitor.current_offset_a
    if offset is None or offset.low <= 0 <= offset.high:
        return
    if not rules.reaches("sensor_offset", abs(offset.value), rules.limits.flag_offset_a):
        return
    yield Flag(
        "sensor_offset",
        "look",
        f"The monitor reads {abs(offset.value):.2f} A too {'high' if offset.value > 0 else 'low'}: {abs(offset.value) * 24:.1f} Ah a day of error in its count.",
        None,
        None,
        "Set the monitor's zero with everything disconnected, as its manual says. The figures here already allow for it.",
    )


def _past_sensor(health: Health, _rules: Rules) -> Iterator[Flag]:
    """Far more is missing from the count than a sensor's zero explains."""
    past_a = health.monitor.past_sensor_a
    if past_a is None:
        return
    what, way = ("load", "leave") if past_a > 0 else ("charger", "reach")
    yield Flag(
        "past_sensor",
        "look",
        f"On the average {abs(past_a):.2f} A {way} the pack past the sensor: {abs(past_a) * 24:.0f} Ah a day that are not counted.",
        None,
        None,
        f"Look for a {what} whose cable goes to the pack's own pole and not to the far side of the sensor, and have it moved. If there is "
        "none, check the sensor's zero with everything disconnected. Until then the count and what rests on it stay unsure.",
    )


def _percentage_off(health: Health, rules: Rules) -> Iterator[Flag]:
    """The reported state of charge is off the count."""
    error = health.monitor.soc_error_percent
    if error is None or error.low <= 0 <= error.high:
        return
    if not rules.reaches("percentage_off", abs(error.value), rules.limits.flag_percentage_points):
        return
    yield Flag(
        "percentage_off",
        "look",
        f"The reported percentage was {abs(error.value):.0f} points too {'high' if error.value > 0 else 'low'} when last checked.",
        None,
        None,
        "Charge to a proven full so that the monitor starts afresh, and set its capacity to what the pack really delivers.",
    )


def _false_full(health: Health, _rules: Rules) -> Iterator[Flag]:
    """The monitor believed in a full pack that was not."""
    false = health.monitor.false_fulls
    if not false:
        return
    yield Flag(
        "false_full",
        "look",
        f"The monitor jumped to 100 % {times(len(false))} although the pack was not full, the last from {false[-1].from_percent:.0f} % at {false[-1].voltage_v:.2f} V.",
        false[0].time_ms,
        false[-1].time_ms,
        "Set its charged voltage nearer to the absorption voltage (0.2 V below is common), its tail current lower, and its hold time longer, so that thin sun does not look like a full pack. A charger at the terminals of a board that keeps its cells off looks full too: then charge to a proven full.",
    )


def _run_flat(health: Health, rules: Rules) -> Iterator[Flag]:
    """The board had to cut the pack off."""
    cuts = [event for event in health.protection.events if event.kind == "under_voltage"]
    if len(cuts) < rules.limits.flag_cutoffs:
        return
    yield Flag(
        "run_flat",
        "look",
        f"The protection board cut the pack off {len(cuts)} times because a cell was empty.",
        cuts[0].start_ms,
        cuts[-1].end_ms or cuts[-1].start_ms,
        f"Stop discharging earlier, at about {rules.limits.knee_voltage_v:.1f} V at light load, and recharge soon after a cut-off. "
        "Never bypass the board, and never charge cells that have been below 2.0 V.",
    )


def _standby_draw(health: Health, rules: Rules) -> Iterator[Flag]:
    """Something draws while parked."""
    standby = health.idle.standby_current_a
    if standby is None or not rules.reaches("standby_draw", standby.low, rules.limits.flag_standby_a):
        return
    lasts = health.idle.days_full_to_fifth
    days = lasts.value if lasts else health.pack.rated_ah * 0.8 / (standby.value * 24)
    yield Flag(
        "standby_draw",
        "look",
        f"The parked vehicle draws {standby.value:.2f} A: from full to a fifth in about {days:.0f} days.",
        None,
        None,
        "Switch consumers off one at a time and watch the current, or isolate the pack for storage.",
    )


def _unseen_drain(health: Health, rules: Rules) -> Iterator[Flag]:
    """Parked, it is empty before long, and the sensor shows little of it."""
    lasts, standby = health.idle.days_full_to_fifth, health.idle.standby_current_a
    if lasts is None or any(_standby_draw(health, rules)):
        return
    drain_a = 0.8 * health.pack.rated_ah / (lasts.high * 24)
    mostly_seen = standby is not None and drain_a < MOSTLY_UNSEEN * standby.value
    if mostly_seen or not rules.reaches("unseen_drain", drain_a, rules.limits.flag_standby_a):
        return
    shown = f"{max(standby.value, 0.0):.2f} A" if standby else "next to nothing"
    yield Flag(
        "unseen_drain",
        "look",
        f"Parked, it goes from full to a fifth in about {lasts.value:.0f} days, while the sensor shows {shown}.",
        None,
        None,
        "Something draws below what the sensor shows, or past it, or the pack loses charge by itself. Isolate the pack and see whether it "
        "goes on; a pack that loses more than a few percent a month by itself should be checked.",
    )


def _weak_cell(health: Health, rules: Rules) -> Iterator[Flag]:
    """A cell that is level with the others at full is empty before them."""
    cells = health.cells
    full, empty = cells.spread_full_v, cells.spread_empty_v
    if empty is None or cells.first_empty_cell is None:
        return
    level = full is not None and full.value <= rules.limits.flag_cell_spread_v
    if not level or not rules.reaches("weak_cell", empty.value, WEAK_CELL_V):
        return
    yield Flag(
        "weak_cell",
        "look",
        f"Cell {cells.first_empty_cell} is level with the others at full and {empty.value:.2f} V below them near empty: it holds less, and "
        "the whole pack ends with it.",
        None,
        None,
        WEAK_ADVICE,
    )


def _cells_apart(health: Health, rules: Rules) -> Iterator[Flag]:
    """A cell reaches full, or full and empty, before the others."""
    cells = health.cells
    weak = cells.first_full_cell is not None and cells.first_full_cell == cells.first_empty_cell
    spread = cells.spread_full_v
    if spread is None or not rules.reaches(
        "weak_cell" if weak else "cells_apart", spread.value, rules.limits.flag_cell_spread_v
    ):
        return
    if weak:
        yield Flag(
            "weak_cell",
            "look",
            f"Cell {cells.first_full_cell} is full first and empty first: it holds less than the others, and the whole pack ends with it.",
            None,
            None,
            WEAK_ADVICE,
        )
        return
    which = (
        f"Cell {cells.first_full_cell} is full first" if cells.first_full_cell else "One cell or another is full first"
    )
    yield Flag(
        "cells_apart",
        "look",
        f"{which}: the cells stand {spread.value:.2f} V apart at full, so the charge ends early.",
        None,
        None,
        "Hold the absorption voltage for some hours on several days, so that the board can balance; most do it at some tens of milliamperes. "
        f"Look again after that. {SHEET}",
    )


def _refused_cold(health: Health, _rules: Rules) -> Iterator[Flag]:
    """The board kept a charger off a frozen pack."""
    refused = [event for event in health.protection.events if event.kind == "charge_blocked_cold"]
    if not refused:
        return
    yield Flag(
        "refused_cold",
        "info",
        f"The protection board refused a charge {times(len(refused))} because the pack was too cold.",
        refused[0].start_ms,
        refused[-1].end_ms or refused[-1].start_ms,
        "That is what it is for. Warm the pack, or wait for a milder hour; never bypass the board. Charging direct from an alternator, have "
        "somebody licensed check that the alternator bears being cut off.",
    )


def _poor_coverage(health: Health, rules: Rules) -> Iterator[Flag]:
    """Most of the time was not logged, or nothing that counts was."""
    readings = health.readings
    total = readings.logged_hours + readings.unlogged_hours
    if not total:
        return
    if not readings.logged_hours:
        yield Flag(
            "no_current",
            "look",
            "The readings carry no current, so hardly anything can be answered.",
            None,
            None,
            "Export the current with the readings; if the file has it under a name of its own, say so with a mapping and import it again.",
        )
        return
    if not rules.falls_short("poor_coverage", 100 * readings.logged_hours / total, rules.limits.flag_logged_percent):
        return
    yield Flag(
        "poor_coverage",
        "info",
        f"Only {100 * readings.logged_hours / total:.0f} % of the time was logged; what happened in the pauses is not known.",
        None,
        None,
        "Leave the monitor logging while parked if it can; a pause is never counted as good news.",
    )


RULES: tuple[Callable[[Health, Rules], Iterator[Flag]], ...] = (
    _charged_frozen,
    _sudden_loss,
    _other_pack,
    _below_rating,
    _capacity_unknown,
    _run_flat,
    _weak_cell,
    _cells_apart,
    _refused_cold,
    _sensor_offset,
    _past_sensor,
    _percentage_off,
    _false_full,
    _standby_draw,
    _unseen_drain,
    _poor_coverage,
)
