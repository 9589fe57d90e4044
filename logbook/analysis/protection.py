"""Protection: what the protection board did as the health answer tells it, by the readings and by the monitor's words.

The readings' fingerprints stand. A word says more where they show an opening and not its cause, or nothing at all; what
it says against them is told beside them and counts for nothing.
"""

from __future__ import annotations

from collections import Counter
from dataclasses import dataclass, replace
from typing import TYPE_CHECKING

import numpy as np

from logbook.analysis.openings import CONTINUED, LOOK_BACK_S
from logbook.schema.health import Protection, ProtectionEvent, Sight
from logbook.schema.status import CAUSE_WORDS, CAUSES, KIND_PROTECTION
from logbook.units import MS_PER_HOUR, MS_PER_S

if TYPE_CHECKING:
    from collections.abc import Iterator

    import pandas as pd


SEEN = ("voltage_v", "current_a", "temperature_c", "soc_percent", "lowest_cell_v")
JOIN_MS = MS_PER_HOUR
"""Words of one cause less than this apart tell of one event."""
NAMED = ("under_voltage", "over_current")
"""Causes the readings could have shown too."""
UNSHOWN = ("unknown", "asleep")
"""Kinds of opening whose cause the readings do not show."""
UNSAID = CAUSES[KIND_PROTECTION]


@dataclass(frozen=True)
class Stretch:
    """A protection that words told of: when, why, and what speaks against it."""

    start_ms: int
    end_ms: int | None
    cause: str
    until_ms: int
    stands: bool
    ceased: bool
    against: str


def protection(openings: pd.DataFrame, blocked: pd.DataFrame, sights: pd.DataFrame, status: pd.DataFrame) -> Protection:
    """One event an opening with what was seen before it; the end is None where the log ends or pauses before it."""
    before = _seen(sights)
    stretches = list(_stretches(status))
    sound = [stretch for stretch in stretches if not stretch.against]
    events: list[ProtectionEvent] = []
    supposed = (openings["kind"] == "over_current") & ~openings["surge_seen"].astype(bool)
    guessed = frozenset(int(at_ms) for at_ms in openings.loc[supposed, "start_ms"])
    doubts = Counter((stretch.cause, stretch.against) for stretch in stretches if stretch.against)
    for event in sorted([*_opened(openings, before), *_refused(blocked, before)], key=lambda event: event.start_ms):
        beside = [stretch for stretch in sound if _meet(event, stretch)]
        sound = [stretch for stretch in sound if stretch not in beside]
        causes = {stretch.cause for stretch in beside} - {UNSAID}
        contrary = sorted(cause for cause in causes if _differs(event, cause, guessed))
        doubts.update((cause, "readings") for cause in contrary)
        events.append(event if contrary else _told_by_both(event, beside, causes, guessed))
    events += _by_words(sound, before)
    return Protection(tuple(sorted(events, key=lambda event: event.start_ms)), _doubted(doubts))


def _opened(openings: pd.DataFrame, before: dict[int, tuple[Sight, ...]]) -> list[ProtectionEvent]:
    opened: list[ProtectionEvent] = []
    for row in openings.sort_values("start_ms").itertuples():
        end_ms = None if np.isnan(row.end_ms) else int(row.end_ms)
        if row.kind == CONTINUED and opened and opened[-1].end_ms == row.start_ms:
            opened[-1] = replace(opened[-1], end_ms=end_ms)
            continue
        kind = "asleep" if row.kind == CONTINUED else str(row.kind)
        opened.append(ProtectionEvent(int(row.start_ms), end_ms, kind, before.get(int(row.start_ms), ())))
    return opened


def _refused(blocked: pd.DataFrame, before: dict[int, tuple[Sight, ...]]) -> list[ProtectionEvent]:
    return [
        ProtectionEvent(int(row.start_ms), int(row.end_ms), "charge_blocked_cold", before.get(int(row.start_ms), ()))
        for row in blocked.itertuples()
    ]


def _stretches(status: pd.DataFrame) -> Iterator[Stretch]:
    """Yield the stretches put together over midnights, pauses and short whiles; a word that went stale is no new one."""
    latest: dict[str, Stretch] = {}
    for row in status.sort_values("start_ms").itertuples():
        known = latest.get(str(row.cause))
        stands, ended = bool(row.stands), bool(row.ended)
        end_ms = int(row.end_ms) if ended or not stands else None
        if row.goes_on:
            if known is not None and known.stands and not known.against:
                latest[str(row.cause)] = replace(known, end_ms=end_ms, until_ms=int(row.end_ms), stands=stands)
            continue
        near = known is not None and row.start_ms - known.until_ms <= JOIN_MS
        if known is not None and near and not known.against and not row.against:
            latest[known.cause] = replace(known, end_ms=end_ms, until_ms=int(row.end_ms), stands=stands)
            continue
        if known is not None:
            yield known
        latest[str(row.cause)] = Stretch(
            int(row.start_ms), end_ms, str(row.cause), int(row.end_ms), stands, bool(row.ceased), str(row.against)
        )
    yield from latest.values()


def _meet(event: ProtectionEvent, stretch: Stretch) -> bool:
    """Whether words and readings tell of the same act: the word appears in it, or shortly before; a board asleep says why only then."""
    look_back_ms = round(LOOK_BACK_S * MS_PER_S)
    ends_ms = event.end_ms if event.end_ms is not None else np.inf
    if event.kind == "asleep":
        return bool(event.start_ms - look_back_ms <= stretch.start_ms <= ends_ms)
    return bool(stretch.start_ms <= ends_ms + look_back_ms and stretch.until_ms >= event.start_ms - look_back_ms)


def _told_by_both(
    event: ProtectionEvent, beside: list[Stretch], causes: set[str], guessed: frozenset[int]
) -> ProtectionEvent:
    """The event with what the words beside it add; a cause they name stands where the readings show none."""
    if not beside:
        return event
    cause = min(causes, default=None)
    shown = event.kind not in UNSHOWN and (event.start_ms not in guessed or event.kind == cause)
    if cause is None or shown:
        return replace(event, source="both", cause=cause)
    kind = cause if cause in NAMED else "unknown"
    return replace(event, kind=kind, source="status_word", cause=cause)


def _differs(event: ProtectionEvent, cause: str, guessed: frozenset[int]) -> bool:
    """Whether the readings show another cause; a surge nobody measured is none, and one weak cell is out of step and low."""
    if event.kind in UNSHOWN or event.start_ms in guessed:
        return False
    return event.kind != _kind(cause) and not (event.kind == "under_voltage" and cause == "imbalance")


def _kind(cause: str) -> str:
    return cause if cause in NAMED else "charge_blocked_cold" if cause == "too_cold" else "unknown"


def _by_words(stretches: list[Stretch], before: dict[int, tuple[Sight, ...]]) -> list[ProtectionEvent]:
    """Events of words alone; one that names no cause needs a current that stopped with it."""
    return [
        ProtectionEvent(
            stretch.start_ms,
            stretch.end_ms,
            _kind(stretch.cause),
            before.get(stretch.start_ms, ()),
            "status_word",
            None if stretch.cause == UNSAID else stretch.cause,
        )
        for stretch in stretches
        if stretch.cause != UNSAID or stretch.ceased
    ]


def _doubted(doubts: Counter[tuple[str, str]]) -> str | None:
    """Say which words do not count, and why."""
    if not doubts:
        return None
    spoke = {"current": "current flowed on", "readings": "the readings show another cause"}
    parts = [
        f"of {CAUSE_WORDS[cause]} {'once' if count == 1 else f'{count} times'} although "
        + spoke.get(against, f"the {against} speaks against it")
        for (cause, against), count in sorted(doubts.items())
    ]
    return f"The monitor's status word told {'; '.join(parts)}: that is not counted."


def _seen(sights: pd.DataFrame) -> dict[int, tuple[Sight, ...]]:
    """The last minutes before each event by its time, in order."""
    ordered = sights.sort_values(["start_ms", "ago_s"], ascending=[True, False])
    seen: dict[int, list[Sight]] = {}
    for at_ms, ago_s, *values in zip(*(ordered[name].tolist() for name in ("start_ms", "ago_s", *SEEN)), strict=True):
        known = (None if np.isnan(value) else round(value, 3) for value in values)
        seen.setdefault(int(at_ms), []).append(Sight(round(at_ms - ago_s * MS_PER_S), *known))
    return {at_ms: tuple(some) for at_ms, some in seen.items()}
