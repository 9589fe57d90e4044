"""Date order: day or month first, for the whole file."""

from __future__ import annotations

import itertools
from typing import TYPE_CHECKING

from logbook.ingest.clock import ORDERS, DateWord
from logbook.ingest.question import Question, settle

if TYPE_CHECKING:
    from collections.abc import Sequence

    from logbook.ingest.ledger import Ledger
    from logbook.ingest.question import Ask


def order_of(words: Sequence[DateWord], given: str | None, ledger: Ledger, ask: Ask | None, where: str) -> str:
    """Order of day and month for the whole file: proved by a field above 12, else by steps of one day, else asked."""
    distinct = {word.fields: word for word in words if word.fields is not None and word.order is None}
    open_words = list(distinct.values())
    if not open_words:
        return "year-first"
    if given:
        ledger.infer("order of day and month", given, "given", "as you said")
        return given
    possible = [
        order for order in ORDERS if sum(word.days(order) is None for word in open_words) <= 0.02 * len(open_words)
    ]
    recalled = ledger.recalled("order of day and month")
    if len(possible) == 1:
        ledger.infer("order of day and month", possible[0], "strong", _proof(open_words))
        if recalled not in {None, possible[0]}:
            ledger.warn(f"Its dates are written {possible[0]}; in the last file with this header they were {recalled}.")
        return possible[0]
    return _by_steps(open_words, possible or list(ORDERS), ledger, ask, where)


def _proof(words: Sequence[DateWord]) -> str:
    for word in words:
        if word.fields and max(word.fields[:2]) > 12:
            mark = word.mark or "/"
            return f'only so is "{mark.join(f"{number:02d}" for number in word.fields)}" a date'
    return "only so are all of them dates"


def _by_steps(words: Sequence[DateWord], possible: Sequence[str], ledger: Ledger, ask: Ask | None, where: str) -> str:
    counts = {order: _day_steps(words, order) for order in possible}
    best = max(counts, key=lambda order: counts[order])
    others = max((count for order, count in counts.items() if order != best), default=0)
    evidence = "; ".join(
        f"read {order}, {count} of {len(words) - 1} changes of date are by one day" for order, count in counts.items()
    )
    against = ledger.recalled("order of day and month", possible)
    if len(words) > 1 and counts[best] >= 1 and others == 0 and against in {None, best}:
        strength = "strong" if len(words) > 2 and counts[best] >= 2 else "fair"
        ledger.infer("order of day and month", best, strength, evidence)
        return best
    if others == counts[best] and (recalled := ledger.recall("order of day and month", possible)):
        return recalled
    if against is None and all(word.mark == "." for word in words) and "day-first" in possible:
        ledger.infer("order of day and month", "day-first", "fair", "dates with dots are written day first")
        return "day-first"
    shown = (words[0].mark or "/").join(f"{number:02d}" for number in words[0].fields or ())
    question = Question(
        "date_order",
        f'Is "{shown}" written day first or month first?',
        tuple(possible),
        f"The dates of the file allow both: {evidence}.{_last_time(against)}"
        if len(words) > 1
        else "The file has one date, and it allows both.",
        '--mapping FILE  with  order = "day-first"  (or "month-first") under [time]',
    )
    answer = settle(question, ask, where)
    ledger.infer("order of day and month", answer, "given", "as you said")
    return answer


def _last_time(order: str | None) -> str:
    return f" In the last file with this header they were {order}." if order else ""


def _day_steps(words: Sequence[DateWord], order: str) -> int:
    days = [word.days(order) for word in words]
    pairs = [(a, b) for a, b in itertools.pairwise(days) if a is not None and b is not None]
    return sum(1 for a, b in pairs if abs(b - a) == 1)
