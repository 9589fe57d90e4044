"""Wall clock: a clock that was set while it logged, in a log that summer time begins or ends in.

What such a clock shows cannot be turned into UTC first and moved after: an hour off, it shows the skipped or the
repeated hour at another time than it is. So its steps are followed: from reading to reading time goes on evenly, a step
with the zone's own change is summer time, and any other of whole half hours is a hand or a border.
"""

from __future__ import annotations

from dataclasses import dataclass
from datetime import UTC, datetime, timedelta
from functools import partial
from typing import TYPE_CHECKING

import numpy as np

from logbook.ingest.jump import HALF_HOUR_MS, Asker, settled, steps_seen, taken_for_set
from logbook.units import MS_PER_DAY, MS_PER_S

if TYPE_CHECKING:
    from datetime import tzinfo

    from numpy.typing import NDArray

    from logbook.ingest.frame import Frame
    from logbook.ingest.jump import Jump, Steps
    from logbook.ingest.ledger import Ledger
    from logbook.ingest.question import Ask
    from logbook.ingest.scale import Known

BESIDE_MS = MS_PER_DAY // 2
LOOK_EVERY_MS = 7 * MS_PER_DAY
"""No zone keeps another time for less than weeks (IANA time zone database)."""
PAUSE_STEPS = 3.0
MOST_OFF = 2 * 14
"""Half hours by which a clock can be off: no zones are further apart."""


@dataclass(frozen=True)
class Walk:
    """A log followed step by step from a first offset."""

    utc_ms: NDArray[np.int64]
    rows: list[int]
    off_ms: list[int]
    """By how much the clock was off from each row of `rows` on."""
    jumps: list[Jump]
    """Steps at which it was set."""
    unlike: int
    """Steps on that were taken for pauses although the values go on as if nothing had passed."""


def set_near_summer_time(
    frame: Frame, zone: tzinfo, given: str | None, known: Known, ledger: Ledger, ask: Ask | None
) -> NDArray[np.int64] | None:
    """UTC of a frame in local times whose clock was set while summer time began or ended; None where it was not."""
    local_ms = frame.ts_ms
    if len(frame) < 2 or not _changes(zone, int(local_ms.min()), int(local_ms.max())):
        return None
    steps = steps_seen(frame)
    if steps is None:
        return None
    follow = partial(_followed, frame, zone, steps, known, given)
    first_ms = offset_ms(zone, int(local_ms[0]), local=True)
    by_first = follow(first_ms)
    if not by_first.jumps:
        return None
    tries = [follow(first_ms + halves * HALF_HOUR_MS) for halves in sorted(range(-MOST_OFF, MOST_OFF + 1), key=abs)]
    by_last = min((walk for walk in tries if not walk.off_ms[-1]), key=lambda walk: walk.unlike, default=by_first)
    side = settled(
        frame, by_first.jumps, given, ledger, Asker(known.where, ask), returned=by_first.off_ms[-1] == 0, local=True
    )
    walk = by_first if side == "before" else by_last
    off_ms = np.array(walk.off_ms)[np.searchsorted(walk.rows, np.arange(len(frame)), side="right") - 1]
    ledger.repair(
        "clock set",
        "rows logged while the clock stood whole half hours off, their times moved",
        frame.lines[off_ms != 0],
    )
    return walk.utc_ms


def offset_ms(zone: tzinfo, at_ms: int, *, local: bool = False) -> int:
    """Offset of a zone at a moment, or at what its clocks show, ms; of a repeated hour the first pass."""
    moment = datetime(1970, 1, 1, tzinfo=UTC) + timedelta(milliseconds=at_ms)
    there = moment.replace(tzinfo=zone) if local else moment.astimezone(zone)
    return round((there.utcoffset() or timedelta()).total_seconds() * MS_PER_S)


def _changes(zone: tzinfo, first_ms: int, last_ms: int) -> bool:
    """Whether the zone changes its offset within a range, or half a day to either side."""
    if zone.utcoffset(None) is not None:
        return False
    looked = range(first_ms - BESIDE_MS, last_ms + BESIDE_MS + LOOK_EVERY_MS, LOOK_EVERY_MS)
    moments = [min(at_ms, last_ms + BESIDE_MS) for at_ms in looked]
    return len({offset_ms(zone, at_ms) for at_ms in moments}) > 1


def _followed(frame: Frame, zone: tzinfo, steps: Steps, known: Known, given: str | None, first_ms: int) -> Walk:
    """Follow the log, its clock `first_ms` before UTC at the first row; steps that are not the zone's own were made by hand."""
    backward = {jump.row: jump.ms for jump in steps.backward}
    walk = _walked(frame, zone, first_ms, steps, backward)
    own = {
        jump.row for jump in (*steps.backward, *steps.forward) if _is_own(frame, zone, int(walk[jump.row - 1]), jump)
    }
    hands = [jump for jump in steps.backward if jump.row not in own]
    open_steps = [jump for jump in steps.forward if jump.row not in own]
    jumps = taken_for_set(frame, open_steps, hands, known, given)
    utc_ms, unlike = _with(frame, zone, first_ms, steps, jumps)
    if given and not jumps:  # one step on was made by hand, and then the others may be the zone's
        for jump in steps.forward:
            other_ms, others = _with(frame, zone, first_ms, steps, [jump])
            if others < min(unlike, 1):
                jumps, utc_ms, unlike = [jump], other_ms, others
    rows = _joints(frame, steps)
    ends = [*rows[1:], len(frame)]
    off_ms = [int(frame.ts_ms[end - 1] - utc_ms[end - 1]) - offset_ms(zone, int(utc_ms[end - 1])) for end in ends]
    return Walk(utc_ms, rows, off_ms, jumps, unlike)


def _with(frame: Frame, zone: tzinfo, first_ms: int, steps: Steps, jumps: list[Jump]) -> tuple[NDArray[np.int64], int]:
    """UTC with some steps made by hand, and how many steps on are then neither that nor the zone's."""
    taken = {jump.row: jump.ms for jump in (*steps.backward, *jumps)}
    utc_ms = _walked(frame, zone, first_ms, steps, taken)
    left = [jump for jump in steps.forward if jump not in jumps]
    return utc_ms, sum(not _is_own(frame, zone, int(utc_ms[jump.row - 1]), jump) for jump in left)


def _is_own(frame: Frame, zone: tzinfo, before_ms: int, jump: Jump) -> bool:
    """Whether the zone itself changes by as much between a moment and the next reading."""
    went_ms = int(frame.ts_ms[jump.row] - frame.ts_ms[jump.row - 1]) - jump.ms
    return offset_ms(zone, before_ms + went_ms) - offset_ms(zone, before_ms) == jump.ms


def _joints(frame: Frame, steps: Steps) -> list[int]:
    """The first row, and those after steps, pauses, and where an export begins again."""
    went = np.diff(frame.ts_ms)
    pauses = np.flatnonzero((went > max(PAUSE_STEPS * steps.usual_ms, 1)) | (went < 0)) + 1
    return sorted({0, *(jump.row for jump in (*steps.backward, *steps.forward)), *pauses.tolist()})


def _walked(frame: Frame, zone: tzinfo, first_ms: int, steps: Steps, taken: dict[int, int]) -> NDArray[np.int64]:
    """UTC of each row: the clock moves by the steps taken, and with the zone over its own steps and over pauses."""
    local_ms = frame.ts_ms
    known = {jump.row: jump for jump in (*steps.backward, *steps.forward)}
    rows = _joints(frame, steps)
    utc_ms = np.empty(len(local_ms), np.int64)
    ahead_ms = first_ms
    for row, end in zip(rows, [*rows[1:], len(local_ms)], strict=True):
        if row in taken:
            ahead_ms += taken[row]
        elif row:
            before_ms = int(local_ms[row - 1]) - ahead_ms
            if row in known and _is_own(frame, zone, before_ms, known[row]):
                ahead_ms += known[row].ms
            else:
                ahead_ms += offset_ms(zone, int(local_ms[row]) - ahead_ms) - offset_ms(zone, before_ms)
        utc_ms[row:end] = local_ms[row:end] - ahead_ms
    return utc_ms
