"""Jump: a clock that was set by whole half hours while the log went on, by hand or at the border of a zone.

Rows after such a jump would stand among earlier ones, or an hour away from them. Which side of it was right the
file cannot say, unless the clock came back to what it was; else the owner is asked.
"""

from __future__ import annotations

import itertools
from dataclasses import dataclass, replace
from typing import TYPE_CHECKING

import numpy as np

from logbook.ingest.moved import STORED_ROUNDING, equal_values, is_copy, places
from logbook.ingest.question import Question, settle
from logbook.units import MS_PER_HOUR, MS_PER_S

if TYPE_CHECKING:
    from collections.abc import Sequence

    from numpy.typing import NDArray

    from logbook.ingest.frame import Frame
    from logbook.ingest.ledger import Ledger
    from logbook.ingest.question import Ask
    from logbook.ingest.scale import Known

HALF_HOUR_MS = MS_PER_HOUR // 2
MOST_HALF_HOURS, HALF_A_DAY = 6, 24
"""Borders and hands move a clock by up to three hours, or take the morning for the afternoon (common practice)."""
MOST_JUMPS = 12
"""More steps back are rows in no order, or many exports one after another."""
LEAST_ROWS = 10
NEAR_STEPS, NEAR_MS = 0.75, (20 * MS_PER_S, 600 * MS_PER_S)
"""How far from whole half hours a jump may be: so much of the usual step, but so far at least, and at most."""
JOINS = {"voltage_v": 0.3, "soc_percent": 2.0, "temperature_c": 3.0}
"""How far values move from one reading to the next of one unbroken log."""
LOAD_A = 5.0
"""A load that is switched moves the voltage too."""
JOINS_SHARE, JOINS_LEAST = 0.05, 0.5
SOC_MOVES, SOC_STANDS = 3.0, 1.0
"""Percent that the current would have moved the state of charge by in the time said to have passed, and that it did."""
AROUND = 10
LINES_BETWEEN = 4
"""A header that stands again, its units and a blank line may stand between two rows."""
SILENCES = 10
"""So many pauses of five minutes to three hours for each that lasts whole half hours make those no more than pauses (ours)."""
COMPARED = 20_000
LEAST_MOVED = 2
"""So many changes from row to row, all of them repeated at the same times, are no chance (ours)."""
QUESTION = "clock"


@dataclass(frozen=True)
class Jump:
    """The first row after it, and by how much the clock was set on (negative: back)."""

    row: int
    ms: int


@dataclass(frozen=True)
class Steps:
    """The steps of a log's clock that its values go on over."""

    backward: tuple[Jump, ...]
    forward: tuple[Jump, ...]
    usual_ms: float


def with_steady_clock(frame: Frame, given: str | None, known: Known, ledger: Ledger, ask: Ask | None) -> Frame:
    """Rows in the order they were logged, their times as by one clock; `given` is the side of a jump that was right."""
    steps = steps_seen(frame)
    if steps is None:
        return frame
    jumps = taken_for_set(frame, steps.forward, steps.backward, known, given)
    _warn_of_others(frame, [jump for jump in steps.forward if jump not in jumps], ledger)
    return _moved(frame, jumps, given, known, ledger, ask) if jumps else frame


def steps_seen(frame: Frame) -> Steps | None:
    """The steps of whole half hours, in the order they were logged; None where there are none, or rows in no order."""
    if _runs_on(frame.ts_ms):
        return None
    starts = np.flatnonzero(np.diff(frame.ts_ms, prepend=frame.ts_ms[:1] - 1) != 0)
    times = frame.ts_ms[starts]
    steps = np.diff(times)
    if len(steps) < 2 * LEAST_ROWS or not (steps > 0).any():
        return None
    back = np.flatnonzero(steps < 0)
    if len(back) > MOST_JUMPS:
        return None
    usual = float(np.median(steps[steps > 0]))
    sizes = _half_hours(steps, usual) * HALF_HOUR_MS
    if not sizes.any():
        return None
    edges = [0, *starts[back + 1].tolist(), len(frame)]
    backward = [
        Jump(int(starts[place + 1]), int(sizes[place]))
        for place in back[sizes[back] != 0].tolist()
        if _goes_on(frame, int(starts[place + 1]), edges)
    ]
    forward = [
        Jump(int(starts[place + 1]), int(sizes[place]))
        for place in np.flatnonzero(sizes > 0).tolist()[:MOST_JUMPS]
        if _joins(frame, int(starts[place + 1])) and _beside(frame, int(starts[place + 1]))
    ]
    return Steps(tuple(backward), tuple(forward), usual)


def taken_for_set(
    frame: Frame, forward: Sequence[Jump], backward: Sequence[Jump], known: Known, given: str | None
) -> list[Jump]:
    """The steps at which the clock was set: all that go back, and those on that are no gaps, or a lone one that the owner tells of; by row."""
    chosen = [*backward, *_set_on(frame, forward, backward, known)]
    if given and not chosen and len(forward) == 1:
        chosen = list(forward)
    return sorted(chosen, key=lambda jump: jump.row)


def _runs_on(ts_ms: NDArray[np.int64]) -> bool:
    """Whether no step is one back, or so far on that it could be a jump."""
    steps = np.diff(ts_ms)
    return not len(steps) or bool(steps.min() >= 0 and steps.max() < HALF_HOUR_MS - NEAR_MS[1])


def _half_hours(steps: NDArray[np.int64], usual: float) -> NDArray[np.int64]:
    """By how many half hours each step differs from the usual one; 0 where that is no whole number of them."""
    excess = steps - usual
    halves = np.rint(excess / HALF_HOUR_MS).astype(np.int64)
    near = min(max(NEAR_MS[0], NEAR_STEPS * usual), NEAR_MS[1])
    likely = (np.abs(halves) <= MOST_HALF_HOURS) | (np.abs(halves) == HALF_A_DAY)
    whole = (np.abs(excess - halves * HALF_HOUR_MS) <= near) & likely
    forward = (halves > 0) & (steps > 3 * usual)
    return np.where(whole & (forward | (steps < 0)), halves, 0)


def _beside(frame: Frame, row: int) -> bool:
    """Whether no line between a row and the one before was set aside."""
    return bool(abs(frame.lines[row] - frame.lines[row - 1]) <= LINES_BETWEEN)


def _goes_on(frame: Frame, row: int, edges: Sequence[int]) -> bool:
    """Whether the log went on at a step back in time: its values join on, and it is no copy of rows before."""
    if not _joins(frame, row):
        return False
    after = frame.take(slice(row, min(edge for edge in edges if edge > row)))
    parts = [frame.take(slice(first, last)) for first, last in itertools.pairwise(edges) if last <= row]
    if "value" in frame.columns:
        return not any(_same_values(part, after) for part in parts)
    return not any(_stands_again(part, after) or is_copy(part, after) for part in parts)


def _stands_again(earlier: Frame, later: Frame) -> bool:
    """Whether later rows begin with the last of the earlier ones once more, as where one export overlaps the other.

    Rest that goes on would look alike, so that something must move in them.
    """
    later = later.take(later.ts_ms <= earlier.ts_ms[-1])
    if not len(later):
        return False
    place, there = places(earlier, later.ts_ms)
    if not there.all() or not equal_values(earlier, place, later, slice(None), STORED_ROUNDING).all():
        return False
    again = np.append(np.arange(place[0], len(earlier)), place[0])
    moved = ~equal_values(earlier, again[1:], earlier, again[:-1], STORED_ROUNDING)
    return int(moved.sum()) >= LEAST_MOVED


def _same_values(earlier: Frame, later: Frame) -> bool:
    """Whether most rows of one value each stand in both."""
    parts = [
        set(zip(part.ts_ms[:COMPARED].tolist(), part.get("value")[:COMPARED].tolist(), strict=True))
        for part in (earlier, later)
    ]
    return len(parts[0] & parts[1]) > len(parts[1]) / 2


def _joins(frame: Frame, row: int) -> bool:
    """Whether the values of a row are those of the row before, but for what moves between two readings."""
    if "value" in frame.columns:
        return _joins_by_quantity(frame, row)
    loaded = abs(np.diff(frame.get("current_a")[row - 1 : row + 1])[0]) > LOAD_A
    pairs = [
        (abs(values[row] - values[row - 1]), max(most, _usual_step(values)))
        for name, most in JOINS.items()
        if np.isfinite((values := frame.get(name))[row - 1 : row + 1]).all() and not (loaded and name == "voltage_v")
    ]
    return bool(pairs) and all(apart <= most for apart, most in pairs)


def _usual_step(values: NDArray[np.float64]) -> float:
    """How far nearly all values move from one row to the next: far, where rows are minutes apart."""
    steps = np.abs(np.diff(values[:: max(len(values) // COMPARED, 1)] if len(values) > 2 * COMPARED else values))
    steps = steps[np.isfinite(steps)]
    return float(np.percentile(steps, 98)) if len(steps) else 0.0


def _joins_by_quantity(frame: Frame, row: int) -> bool:
    codes, words = frame.words["quantity"]
    values = frame.get("value")
    joined = []
    for code in range(len(words)):
        before = np.flatnonzero(codes[max(row - 40, 0) : row] == code)
        after = np.flatnonzero(codes[row : row + 40] == code)
        if len(before) and len(after):
            last, first = values[max(row - 40, 0) + before[-1]], values[row + after[0]]
            joined.append(abs(last - first) <= JOINS_SHARE * max(abs(last), abs(first)) + JOINS_LEAST)
    return sum(joined) > len(joined) / 2


def _set_on(frame: Frame, forward: Sequence[Jump], backward: Sequence[Jump], known: Known) -> list[Jump]:
    """Steps on that are no gaps: the clock had been set back by as much, or the current moved nothing meanwhile."""
    chosen = [jump for jump in forward if _nothing_moved(frame, jump, known)]
    for other in backward:
        beside = [jump for jump in forward if jump.ms == -other.ms and jump not in chosen]
        nearest = sorted(beside, key=lambda jump: abs(jump.row - other.row))[:1]
        taken = sum(jump.ms for jump in (*chosen, *backward))
        chosen += nearest if taken else []
    return chosen


def _nothing_moved(frame: Frame, jump: Jump, known: Known) -> bool:
    """Whether the state of charge stands although a current flowed before and after."""
    soc, current = frame.get("soc_percent"), frame.get("current_a")
    if not known.rated_ah or "value" in frame.columns:
        return False
    before, after = current[max(jump.row - AROUND, 0) : jump.row], current[jump.row : jump.row + AROUND]
    if not (np.isfinite(before).any() and np.isfinite(after).any()):
        return False
    flows = [float(np.nanmedian(part)) for part in (before, after)]
    would_ah = min(abs(flow) for flow in flows) * jump.ms / MS_PER_HOUR
    same_way = flows[0] * flows[1] > 0
    did = abs(soc[jump.row] - soc[jump.row - 1])
    return same_way and would_ah / known.rated_ah * 100 >= SOC_MOVES and bool(did <= SOC_STANDS)


def _warn_of_others(frame: Frame, jumps: Sequence[Jump], ledger: Ledger) -> None:
    """Tell of steps that were taken for gaps; where a log is silent at all times, as one written on change, none stands out."""
    steps = np.diff(frame.ts_ms)
    silences = steps[(steps > HALF_HOUR_MS // 6) & (steps <= MOST_HALF_HOURS * HALF_HOUR_MS)]
    if len(silences) > SILENCES * max(len(jumps), 1):
        return
    for jump in jumps[:3]:
        before, after = frame.lines[jump.row - 1], frame.lines[jump.row]
        ledger.warn(
            f"Between lines {before} and {after} {_hours(jump.ms)} went by without a row, and the values go on as if "
            "they had not: the clock may have been set on there. It was taken as a gap."
        )


def _hours(ms: int) -> str:
    return f"{abs(ms) / MS_PER_HOUR:g} h"


def _told(frame: Frame, jump: Jump, zone: str) -> str:
    way = "back" if jump.ms < 0 else "on"
    shown = np.datetime_as_string(frame.ts_ms[jump.row - 1].astype("datetime64[ms]"), "m").replace("T", " ")
    return f"at line {frame.lines[jump.row]} (after {shown} {zone}) it was set {way} by {_hours(jump.ms)}"


def _moved(
    frame: Frame, jumps: Sequence[Jump], given: str | None, known: Known, ledger: Ledger, ask: Ask | None
) -> Frame:
    """All rows by the clock that was right."""
    edges = [0, *(jump.row for jump in jumps), len(frame)]
    spans = list(itertools.pairwise(edges))
    off = np.concatenate([[0], np.cumsum([jump.ms for jump in jumps])])
    side = settled(frame, jumps, given, ledger, Asker(known.where, ask), returned=bool(off[0] == off[-1]))
    right = off[0] if side == "before" else off[-1]
    times = frame.ts_ms.copy()
    wrong = np.zeros(len(frame), bool)
    for (first, last), ahead in zip(spans, off, strict=True):
        times[first:last] -= ahead - right
        wrong[first:last] = ahead != right
    ledger.repair(
        "clock set", "rows logged while the clock stood whole half hours off, their times moved", frame.lines[wrong]
    )
    return replace(frame, ts_ms=times)


@dataclass(frozen=True)
class Asker:
    """Who to ask, and of which file."""

    where: str
    ask: Ask | None


def settled(
    frame: Frame,
    jumps: Sequence[Jump],
    given: str | None,
    ledger: Ledger,
    asker: Asker,
    *,
    returned: bool,
    local: bool = False,
) -> str:
    """The side on which the clock was right, `before` or `after`: given, or asked where it did not come back to what it was."""
    told = "; ".join(_told(frame, jump, "by its clock" if local else "UTC") for jump in jumps)
    if given is None and returned:
        ledger.infer(QUESTION, "before and after", "fair", f"{told}; so it came back to what it was")
        return "before"
    answer = given or settle(_question(told), asker.ask, asker.where)
    ledger.infer(QUESTION, answer, "given", f"as you said; {told}")
    return answer


def _question(told: str) -> Question:
    return Question(
        QUESTION,
        "Its clock was set while it logged; when was it right, before or after?",
        ("before", "after"),
        f"The values go on, but the clock does not: {told}.",
        "--clock before  or  --clock after",
    )
