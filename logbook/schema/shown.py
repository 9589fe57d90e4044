"""Shown: at how many places readings show which way a current counts, and the stretches between, as a receipt tells it."""

from __future__ import annotations

from dataclasses import dataclass

from logbook.units import S_PER_DAY, S_PER_HOUR

MOST_LISTED = 200
"""The largest stretches are listed, up to so many; the others are counted (ours)."""
LEAST_TOLD_A = 0.1
"""A smaller current says little of either sign."""
LEAST_AH = 0.01
LONG_HOURS = 48


@dataclass(frozen=True)
class Stretch:
    """Rows from one place to the next, in which the sign is taken to be the same."""

    first_line: int
    last_line: int
    """Of the file, 1-based."""
    lasts_s: float
    ah: float
    """What flows in it, whichever way."""


@dataclass(frozen=True)
class Shown:
    """The places of a file, or of a piece of it, and the stretches without one."""

    places: int
    stretches: int
    """How many there are in which something flows."""
    ah: float
    """What flows in all of them."""
    listed: tuple[Stretch, ...] = ()
    """The largest ones, by line."""
    note: str = ""
    """What speaks against it here and there; empty where nothing does."""


def listed(stretches: list[Stretch]) -> tuple[Stretch, ...]:
    """The largest of them, by line."""
    largest = sorted(stretches, key=lambda stretch: -stretch.ah)[:MOST_LISTED]
    return tuple(sorted(largest, key=lambda stretch: stretch.first_line))


def together(first: Shown, following: Shown) -> Shown:
    """Those of two pieces of a file; a stretch that goes on from one into the other is one."""
    before, after = list(first.listed), list(following.listed)
    count = first.stretches + following.stretches
    if before and after and before[-1].last_line + 1 == after[0].first_line:
        end, begin = before.pop(), after.pop(0)
        lasts_s, ah = end.lasts_s + begin.lasts_s, round(end.ah + begin.ah, 3)
        before.append(Stretch(end.first_line, begin.last_line, lasts_s, ah))
        count -= 1
    notes = "; ".join(note for note in (first.note, following.note) if note)
    return Shown(
        first.places + following.places, count, round(first.ah + following.ah, 3), listed([*before, *after]), notes
    )


def answer_of(shown: Shown) -> str:
    """At how many places, in words."""
    if not shown.places:
        return "nowhere; taken to be the same throughout"
    number = "1 place" if shown.places == 1 else f"{_many(shown.places)} places"
    return f"at {number}; elsewhere it is taken to be the same"


def evidence_of(shown: Shown) -> str:
    """The largest stretch without a place and what flows in all of them, in words."""
    return "; ".join(part for part in (_stretches(shown), shown.note) if part)


def _stretches(shown: Shown) -> str:
    if not shown.stretches:
        return f"elsewhere less than {LEAST_TOLD_A:g} A flowed"
    all_of_them = "one such stretch holds" if shown.stretches == 1 else f"{_many(shown.stretches)} such stretches hold"
    if not shown.listed:
        return f"it does not show only in a row or two at a time: {all_of_them} {_amount(shown.ah)}"
    most = max(shown.listed, key=lambda stretch: stretch.ah)
    largest = (
        f"the largest stretch where it does not show is lines {_many(most.first_line)} to {_many(most.last_line)} "
        f"({_lasting(most.lasts_s)}, {_amount(most.ah)})"
    )
    return largest if shown.stretches == 1 else f"{largest}; all {all_of_them} {_amount(shown.ah)}"


def _many(number: int) -> str:
    return f"{number:,}".replace(",", " ")


def _lasting(lasts_s: float) -> str:
    hours = lasts_s / S_PER_HOUR
    if hours >= LONG_HOURS:
        return f"{_many(round(lasts_s / S_PER_DAY))} days"
    return f"{hours:.1f} h" if hours >= 1 else f"{max(round(hours * 60), 1)} min"


def _amount(ah: float) -> str:
    if ah < LEAST_AH:
        return f"less than {LEAST_AH:g} Ah"
    return f"{ah:.3g} Ah" if ah < 1000 else f"{_many(round(ah))} Ah"
