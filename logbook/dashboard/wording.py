"""Wording: the sentences in which the dashboard answers; everything here is text from a `Health`."""

from __future__ import annotations

import re
from dataclasses import dataclass
from typing import TYPE_CHECKING

from logbook.dashboard.view import between, lasting, number, quantity, rated
from logbook.schema.status import CAUSE_WORDS

if TYPE_CHECKING:
    from logbook.dashboard.view import View
    from logbook.schema.estimate import Estimate
    from logbook.schema.health import Basis, Capacity, ColdCharging, Health, ProtectionEvent, ReadingsSummary

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


def protection_words(event: ProtectionEvent) -> str:
    """Why the board acted, and that its own status word says so where the readings do not."""
    words = PROTECTION_WORDS.get(event.kind, event.kind)
    if event.source != "status_word":
        return words
    if event.cause is not None and event.cause != event.kind and event.kind == "unknown":
        words = f"Cut off: {CAUSE_WORDS[event.cause]}"
    return f"{words}, as its status word said"


@dataclass(frozen=True)
class Answer:
    """An answer to one question: its tone, its verdict in a few words, a sentence, and what stands behind it."""

    tone: str
    """`good`, `look`, `act` or `open`."""
    verdict: str
    sentence: str
    detail: str = ""
    next_step: str = ""


NOTHING_LOGGED = Answer("open", "No readings yet", "Nothing is logged for this pack yet.")


def ah_decimals(ah: float) -> int:
    """Whole Ah for a house battery, tenths for a small pack."""
    return 0 if abs(ah) >= 20 else 1


def capacity_answer(health: Health) -> Answer:
    """Answer whether this pack still delivers its rated amp-hours."""
    capacity, rated_ah = health.capacity, health.pack.rated_ah
    tone, verdict = VERDICT_WORDS.get(capacity.verdict, VERDICT_WORDS["undetermined"])
    if health.readings.count == 0:
        return NOTHING_LOGGED
    if capacity.ah is None:
        return Answer(tone, verdict, bound_sentence(capacity), capacity.reason or "")
    value, label = quantity(capacity.ah.value, "Ah", capacity.ah.decimals), rated(rated_ah)
    interval = f"The true figure lies {between(capacity.ah, 'Ah')}, with 90\u00a0% confidence."
    sentence = {
        "meets_rating": f"Yes. It delivers {value} of its rated {label}.",
        "reduced": f"Not quite. It delivers {value} of its rated {label}.",
        "end_of_life": f"No. It delivers {value} of its rated {label}: less than four fifths.",
    }.get(capacity.verdict, f"It may deliver about {value} of its rated {label}, but the log leaves a wide range.")
    return Answer(tone, verdict, sentence, interval, capacity.reason or "")


def bound_sentence(capacity: Capacity) -> str:
    """What can honestly be said without one full measurement."""
    if capacity.at_least_ah is None:
        return "The log cannot tell yet what this pack delivers."
    least = quantity(capacity.at_least_ah, "Ah", ah_decimals(capacity.at_least_ah))
    return f"It has delivered at least {least}. How much more it holds, the log cannot tell yet."


def cold_answer(health: Health, view: View) -> Answer:
    """Answer whether this pack was charged while freezing."""
    cold = health.cold_charging
    limit = view.degrees(cold.limit_c)
    if cold.events:
        return Answer(cold_tone(cold), cold_verdict(cold), cold_sentence(cold, limit), worst_event(cold, view))
    if health.readings.count == 0:
        return NOTHING_LOGGED
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
    share = 100 * readings.unlogged_hours / whole if whole else 0.0
    return "Less than 1 %" if 0 < share < 0.5 else f"{number(share)} %"


def coverage_sentence(readings: ReadingsSummary, view: View) -> str:
    """What was logged, and how much was not."""
    if readings.first_ms is None or readings.last_ms is None:
        return "Nothing is logged yet."
    span = f"{number(readings.count)} {plural(readings.count, 'reading')}, {days_logged(readings, view)}"
    whole = readings.logged_hours + readings.unlogged_hours
    if whole <= 0:
        return f"{span}."
    if readings.logged_hours <= 0:
        return f"{span}. None of that time counts as logged, which takes a current with the readings."
    if readings.unlogged_hours <= 0:
        return f"{span}, logged throughout."
    share = 100 * readings.logged_hours / whole
    most = "Nearly all" if share >= 99.5 else f"{number(share)} %"
    return f"{span}. {most} of that time is logged; the rest is unknown, neither use nor rest."


def days_logged(readings: ReadingsSummary, view: View) -> str:
    """The day of the first reading and that of the last, once where they are one."""
    if readings.first_ms is None or readings.last_ms is None:
        return "no day yet"
    first, last = view.day(readings.first_ms), view.day(readings.last_ms)
    return first if first == last else f"{first} to {last}"


def basis_sentence(basis: Basis | None) -> str:
    """How much of the time one answer saw, how finely, and what that cannot show."""
    if basis is None or basis.interval_s is None:
        return ""
    share = number(100 * basis.seen_share, 1 if basis.seen_share < 0.1 else 0)
    words = (
        f"This answer saw {share} % of the time from the first to the last reading, {lasting(basis.interval_s)} apart."
    )
    return f"{words} {basis.note}" if basis.note else words


def plural(count: int, noun: str) -> str:
    """The noun in the number that fits."""
    return noun if count == 1 else f"{noun}s"


def fade_answer(health: Health) -> Answer:
    """Answer how fast it fades."""
    fade = health.fade
    if fade.percent_of_rated_per_year is None:
        return Answer("open", "Cannot tell yet", "The log cannot tell yet how fast it fades.", fade.reason or "")
    rate = fade.percent_of_rated_per_year
    interval = f"The true rate lies {between(rate, '%', 1)} a year, with 90\u00a0% confidence."
    if rate.low <= 0 <= rate.high:
        words = "No fade can be told from the spread of the measurements."
        return Answer("good", "Steady", words, interval, end_of_life_words(health))
    tone, verdict = ("look", "Fading") if rate.value > 0 else ("good", "Steady")
    sentence = f"It loses about {number(rate.value, 1)} % of its rated capacity a year."
    return Answer(tone, verdict, sentence, interval, end_of_life_words(health))


def end_of_life_words(health: Health) -> str:
    """When four fifths of rated may be reached, as far as that can be said."""
    until = health.fade.end_of_life_date
    if until is None or until.value is None:
        return ""
    early = f", at the earliest {until.low:%b %Y}" if until.low else ""
    late = f", at the latest {until.high:%b %Y}" if until.high else ", with no latest date in sight"
    return f"At this pace it reaches 80 % of rated around {until.value:%b %Y}{early}{late}."


def idle_answer(health: Health) -> Answer:
    """Answer what goes while it stands parked."""
    idle = health.idle
    loss, draw = idle.self_discharge_percent_per_month, idle.standby_current_a
    if draw is None and loss is None:
        words = "The log cannot tell yet what goes while it stands parked."
        return Answer("open", "Cannot tell yet", words, idle.reason or "")
    pieces = []
    if draw is not None:
        per_day = number(draw.value * 24, 1)
        amperes = quantity(draw.value, "A", draw.decimals)
        pieces.append(f"Through the sensor: {amperes} ({between(draw, 'A')}), {per_day} Ah a day.")
    if loss is not None:
        pieces.append(
            f"Where the sensor does not see it: {number(loss.value, loss.decimals)} % of rated in 30 days "
            f"({between(loss, '%')}), the cells' own loss and the protection board's draw together."
        )
    daily = daily_loss_ah(health)
    sentence = f"Parked, it loses about {quantity(daily, 'Ah', 1)} a day."
    if idle.days_full_to_fifth is not None:
        days = idle.days_full_to_fifth
        sentence += f" Left full, it is down to 20\u00a0% after {quantity(days.value, 'days')}."
        pieces.append(f"The time to 20\u00a0% lies {between(days, 'days', 0)}, with 90\u00a0% confidence.")
    tone, verdict = ("look", "Drains fast") if drains_fast(health) else ("good", "Drains slowly")
    return Answer(tone, verdict, sentence, " ".join(pieces), idle.reason or "")


FAST_DAYS = 60
"""A full pack should stand two months without falling below a fifth; common practice, no source."""


def drains_fast(health: Health) -> bool:
    """Whether a full pack is down to a fifth within two months, or the flag of its draw is raised."""
    flagged = any(flag.code == "standby_draw" for flag in health.flags)
    daily = daily_loss_ah(health)
    full = health.capacity.ah.value if health.capacity.ah else health.pack.rated_ah
    return flagged or (daily > 0 and 0.8 * full / daily < FAST_DAYS)


def daily_loss_ah(health: Health) -> float:
    """Everything that goes in a parked day, Ah; unless known together, a part that is not known counts nothing."""
    idle = health.idle
    if idle.days_full_to_fifth is not None and idle.days_full_to_fifth.value > 0:
        full = health.capacity.ah.value if health.capacity.ah else health.pack.rated_ah
        return 0.8 * full / idle.days_full_to_fifth.value
    draw = idle.standby_current_a.value * 24 if idle.standby_current_a else 0.0
    unseen = idle.self_discharge_percent_per_month
    return draw + (unseen.value / 100 * health.pack.rated_ah / 30 if unseen else 0.0)


HARDLY = 0.05
"""Less than this many full cycles reads as none."""


def use_answer(health: Health) -> Answer:
    """Answer how hard it was used."""
    cycles = health.cycles
    if health.readings.count == 0:
        return NOTHING_LOGGED
    if health.readings.logged_hours <= 0:
        return Answer("open", "Cannot tell", "The log cannot tell how it was used.", cycles.reason or "")
    if cycles.equivalent_full_cycles < HARDLY:
        words = "In the logged time it was hardly used."
        return Answer("open", "Hardly used", words, unlogged_remark(health.readings), cycles.reason or "")
    places = 0 if cycles.equivalent_full_cycles >= 10 else 1
    count = number(cycles.equivalent_full_cycles, places)
    noun = "cycle" if count == "1" else "cycles"
    sentence = f"In the logged time it was used as hard as {count} full {noun} would."
    detail = (
        f"{quantity(cycles.charge_ah, 'Ah')} went in and {quantity(cycles.discharge_ah, 'Ah')} came out. "
        f"{unlogged_remark(health.readings)}"
    )
    return Answer("good", f"{count} full {noun}", sentence, detail.strip(), cycles.reason or "")


def resistance_answer(health: Health) -> Answer:
    """Answer what its resistance is."""
    resistance = health.resistance
    if resistance.milliohm_25c is None:
        words = "The log cannot tell yet what its inner resistance is."
        return Answer("open", "Cannot tell yet", words, resistance.reason or "")
    value = resistance.milliohm_25c
    told = quantity(value.value, "mΩ", value.decimals)
    sentence = f"Its resistance is {told} at 25 °C."
    detail = f"The true figure lies {between(value, 'mΩ')}, with 90\u00a0% confidence."
    sag = f"At 100 A it costs {quantity(value.value / 10, 'V', 1)} inside the pack; cables and lugs add to that."
    rise = resistance.percent_per_year
    return Answer("good", told, sentence, detail + rise_words(rise), sag)


def rise_words(rise: Estimate | None) -> str:
    """How its resistance changes, where that can be told from standing still."""
    if rise is None:
        return ""
    if rise.low <= 0 <= rise.high:
        return f" It cannot be told yet whether it changes: {between(rise, '%')} a year."
    return f" It changes by {number(rise.value, rise.decimals)} % a year ({between(rise, '%')})."


def monitor_answer(health: Health) -> Answer:
    """Answer whether the monitor can be believed."""
    monitor = health.monitor
    offset, error = monitor.current_offset_a, monitor.soc_error_percent
    known = (offset, error, monitor.soc_assumes_rated_capacity, monitor.past_sensor_a)
    if all(figure is None for figure in known):
        words = "The log cannot tell yet whether the monitor can be believed."
        return Answer("open", "Cannot tell yet", words, monitor.reason or "")
    doubts, counts = [], "its percentage only counts against the typed-in capacity"
    if offset is not None and (offset.low > 0 or offset.high < 0):
        amperes = quantity(abs(offset.value), "A", offset.decimals)
        doubts.append(f"its current is {amperes} too {'high' if offset.value > 0 else 'low'}")
    if monitor.past_sensor_a is not None:
        doubts.append(f"{quantity(abs(monitor.past_sensor_a), 'A', 2)} pass it by on the average, uncounted")
    if error is not None and (error.low > 2 or error.high < -2):
        doubts.append(
            f"its percentage is {quantity(abs(error.value), 'points')} too {'high' if error.value > 0 else 'low'}"
        )
        counts = "only counts against the typed-in capacity"
    if monitor.soc_assumes_rated_capacity:
        doubts.append(counts)
    if not doubts:
        return Answer("good", "Can be believed", "Yes, as far as the log can tell.", monitor.reason or "")
    words = joined(doubts)
    return Answer("look", "With care", f"{words[0].upper()}{words[1:]}.", monitor.reason or "")


def joined(pieces: list[str]) -> str:
    """Pieces in a row: one, two and three."""
    return pieces[0] if len(pieces) == 1 else f"{', '.join(pieces[:-1])} and {pieces[-1]}"


def attention_answer(health: Health) -> Answer:
    """Answer what needs the owner's attention."""
    waiting = [flag for flag in health.flags if not flag.acknowledged]
    act = [flag for flag in waiting if flag.severity == "act"]
    look = [flag for flag in waiting if flag.severity == "look"]
    if health.readings.count == 0:
        return NOTHING_LOGGED
    if act:
        words = f"{len(act)} {plural(len(act), 'thing')} to act on" + (f", {len(look)} to look at" if look else "")
        return Answer("act", "Act", f"{words}.")
    if look:
        return Answer("look", "Look", f"{len(look)} {plural(len(look), 'thing')} to look at.")
    return Answer("good", "Nothing", "Nothing in the log asks for your attention.", unlogged_remark(health.readings))


def quantity_words(name: str | None) -> str:
    """A canonical name as people say it, its unit left to the next column."""
    if name is None:
        return "Not used"
    return (
        re.sub(r"_(v|a|c|w|ah|wh|percent)$", "", name).replace("_", " ").replace("soc", "state of charge").capitalize()
    )
