"""Wording: the sentences in which the dashboard answers; everything here is text from a `Health`."""

from __future__ import annotations

from dataclasses import dataclass
from typing import TYPE_CHECKING

from logbook.dashboard.view import between, number, quantity

if TYPE_CHECKING:
    from logbook.dashboard.view import View
    from logbook.schema.health import Capacity, ColdCharging, Health, ReadingsSummary

VERDICT_WORDS = {
    "meets_rating": ("good", "Meets its rating"),
    "reduced": ("look", "Below its rating"),
    "end_of_life": ("act", "End of life"),
    "undetermined": ("open", "Cannot tell yet"),
}
"""Verdict to (tone, words); the tone picks colour and mark, the words carry the meaning."""

SEVERITY_WORDS = {"slight": "Slight", "marked": "Marked", "severe": "Severe"}

PROTECTION_WORDS = {
    "under_voltage": "Opened because a cell ran low",
    "over_current": "Opened because the current was too high",
    "asleep": "Asleep: no voltage at the terminals",
    "charge_blocked_cold": "Blocked charging because it was cold",
    "unknown": "Opened, reason not visible in the log",
}


@dataclass(frozen=True)
class Answer:
    """An answer to one question: its tone, its verdict in a few words, a sentence, and what stands behind it."""

    tone: str
    """`good`, `look`, `act` or `open`."""
    verdict: str
    sentence: str
    detail: str = ""
    next_step: str = ""


def ah_decimals(ah: float) -> int:
    """Whole Ah for a house battery, tenths for a small pack."""
    return 0 if abs(ah) >= 20 else 1


def capacity_answer(health: Health) -> Answer:
    """Answer whether this pack still delivers its rated amp-hours."""
    capacity, rated_ah = health.capacity, health.pack.rated_ah
    tone, verdict = VERDICT_WORDS.get(capacity.verdict, VERDICT_WORDS["undetermined"])
    if health.readings.count == 0:
        return Answer("open", "No readings yet", "Nothing is logged for this pack yet.")
    if capacity.ah is None:
        return Answer(tone, verdict, bound_sentence(capacity, rated_ah), capacity.reason or "")
    places = ah_decimals(rated_ah)
    value, rated = quantity(capacity.ah.value, "Ah", places), quantity(rated_ah, "Ah", places)
    interval = f"The true figure lies {between(capacity.ah, 'Ah', places)}, with 90 % confidence."
    sentence = {
        "meets_rating": f"Yes. It delivers {value} of its rated {rated}.",
        "reduced": f"Not quite. It delivers {value} of its rated {rated}.",
        "end_of_life": f"No. It delivers {value} of its rated {rated}: less than four fifths.",
    }.get(capacity.verdict, f"It may deliver about {value} of its rated {rated}, but the log leaves a wide range.")
    return Answer(tone, verdict, sentence, interval, capacity.reason or "")


def bound_sentence(capacity: Capacity, rated_ah: float) -> str:
    """What can honestly be said without one full measurement."""
    if capacity.at_least_ah is None:
        return "The log cannot tell yet what this pack delivers."
    least = quantity(capacity.at_least_ah, "Ah", ah_decimals(rated_ah))
    return f"It has delivered at least {least}. How much more it holds, the log cannot tell yet."


def cold_answer(health: Health, view: View) -> Answer:
    """Answer whether this pack was charged while freezing."""
    cold = health.cold_charging
    limit = view.degrees(cold.limit_c)
    if cold.events:
        return Answer(cold_tone(cold), cold_verdict(cold), cold_sentence(cold, limit), worst_event(cold, view))
    if health.readings.count == 0:
        return Answer("open", "No readings yet", "Nothing is logged for this pack yet.")
    if cold.reason:
        return Answer("open", "Cannot tell", "The log cannot tell whether it was charged while cold.", cold.reason)
    return Answer(
        "good",
        "None seen",
        f"No. No charging below {limit} was seen in the logged time.",
        unlogged_remark(health.readings),
    )


def cold_tone(cold: ColdCharging) -> str:
    """Severe cold charging asks for action, anything else for a look."""
    return "act" if any(event.severity == "severe" for event in cold.events) else "look"


def cold_verdict(cold: ColdCharging) -> str:
    """How often."""
    return "Once" if len(cold.events) == 1 else f"{len(cold.events)} times"


def cold_sentence(cold: ColdCharging, limit: str) -> str:
    """How often and how much."""
    times = "once" if len(cold.events) == 1 else f"{len(cold.events)} times"
    charge = quantity(cold.total_charge_ah, "Ah", ah_decimals(cold.total_charge_ah))
    return f"Yes, {times}. {charge} went in while the cells were below {limit}."


def worst_event(cold: ColdCharging, view: View) -> str:
    """The event that matters most: severest, then largest charge."""
    order = list(SEVERITY_WORDS)
    rank = {name: place for place, name in enumerate(order)}
    worst = max(cold.events, key=lambda event: (rank.get(event.severity, 0), event.charge_ah))
    charge = quantity(worst.charge_ah, "Ah", 1)
    coldest = view.degrees(worst.min_temperature_c)
    return (
        f"The worst was on {view.moment(worst.start_ms)}: {charge} at up to "
        f"{quantity(worst.max_current_a, 'A', 1)}, down to {coldest}. This is exposure, not a measured loss."
    )


def unlogged_remark(readings: ReadingsSummary) -> str:
    """Remind that a gap is not evidence."""
    if readings.unlogged_hours <= 0:
        return ""
    return f"{share_unlogged(readings)} of the time was not logged, and nothing can be said about it."


def share_unlogged(readings: ReadingsSummary) -> str:
    """Unlogged share of the whole span, in percent."""
    whole = readings.logged_hours + readings.unlogged_hours
    return f"{number(100 * readings.unlogged_hours / whole) if whole else 0} %"


def coverage_sentence(readings: ReadingsSummary, view: View) -> str:
    """What was logged, and how much was not."""
    if readings.first_ms is None or readings.last_ms is None:
        return "Nothing is logged yet."
    span = f"{number(readings.count)} {plural(readings.count, 'reading')}, {view.day(readings.first_ms)}"
    if view.day(readings.first_ms) != view.day(readings.last_ms):
        span += f" to {view.day(readings.last_ms)}"
    whole = readings.logged_hours + readings.unlogged_hours
    if whole <= 0:
        return f"{span}."
    share = number(100 * readings.logged_hours / whole)
    return f"{span}. {share} % of that time is logged; the rest is unknown, neither use nor rest."


def plural(count: int, noun: str) -> str:
    """The noun in the number that fits."""
    return noun if count == 1 else f"{noun}s"
