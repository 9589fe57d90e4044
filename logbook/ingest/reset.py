"""Resets: stretches in which the clock had fallen back to 1970, 1980, 2000 or a first of January.

Only the stretch that runs on into the first good time can be given its time back; what came before an earlier
restart has none, and is set aside.
"""

from __future__ import annotations

from dataclasses import replace
from typing import TYPE_CHECKING

import numpy as np

from logbook.errors import BadData
from logbook.ingest.run import few, runs_of
from logbook.units import MS_PER_DAY, MS_PER_S

if TYPE_CHECKING:
    from numpy.typing import NDArray

    from logbook.ingest.frame import Frame
    from logbook.ingest.ledger import Ledger

OLDEST_MS = int(np.datetime64("2006-01-01T00:00:00", "ms").astype(np.int64))
"""LiFePO4 packs with monitors are younger (common knowledge, no source)."""
JUMP_MS = 2 * MS_PER_DAY
NEW_YEAR_MS = 900 * MS_PER_S
JOINS = {"voltage_v": 0.3, "soc_percent": 2.0, "temperature_c": 3.0}
"""How far values may move between the last unset and the first set reading of one unbroken log."""
CROWDED = 0.6
"""A reading nearer than so many intervals to another has taken its place."""
UNSET = "the clock was not set (after a loss of power)"


def with_set_clock(frame: Frame, ledger: Ledger, where: str) -> Frame:
    """Rows in file order with unset times put right where that is provable, else set aside."""
    times = frame.ts_ms
    unset = times < OLDEST_MS
    if len(times) > 1:
        unset |= _new_years(times)
    if not unset.any():
        return _without_strays(frame, ledger)
    if unset.all():
        year = int(times[0] // (365.25 * MS_PER_DAY)) + 1970
        raise BadData(
            f"All of its times are of the year {year}: the clock was never set.",
            where=where,
            mend='If you know when it began, say so in a mapping ([time] format = "elapsed", start = …) with  --mapping FILE',
        )
    times = times.copy()
    lost = np.zeros(len(times), bool)
    runs = runs_of(unset)
    for first, last in zip(runs.first.tolist(), runs.last.tolist(), strict=True):
        boot = first + int(_last_restart(times[first : last + 1]))
        lost[first:boot] = True
        shift = _shift(frame, times, first, boot, last)
        if shift is None:
            lost[boot : last + 1] = True
        else:
            times[boot : last + 1] += shift
            ledger.repair(
                "clock reset", "times counted back from the moment the clock was set", frame.lines[boot : last + 1]
            )
    ledger.set_aside(frame.lines[lost], UNSET)
    return _without_strays(replace(frame, ts_ms=times).take(~lost), ledger)


def _new_years(times: NDArray[np.int64]) -> NDArray[np.bool_]:
    """Stretches that fall back by days to just after a New Year's midnight, until time leaps on again."""
    steps = np.diff(times)
    mask = np.zeros(len(times), bool)
    for back in np.flatnonzero(steps < -JUMP_MS):
        if _after_new_year(int(times[back + 1])):
            on = np.flatnonzero(steps[back + 1 :] > JUMP_MS)
            mask[back + 1 : back + 2 + int(on[0]) if len(on) else len(times)] = True
    on = np.flatnonzero(steps > 30 * MS_PER_DAY)
    if (
        len(on)
        and _after_new_year(int(times[0]))
        and np.diff(times[: on[0] + 1]).max(initial=0) < MS_PER_DAY
        and times[on[0]] - times[0] < JUMP_MS
    ):
        mask[: on[0] + 1] = True
    return mask


def _after_new_year(ms: int) -> bool:
    year = np.datetime64(ms, "ms").astype("datetime64[Y]").astype("datetime64[ms]").astype(np.int64)
    return bool(ms - int(year) < NEW_YEAR_MS)


def _last_restart(times: NDArray[np.int64]) -> int:
    back = np.flatnonzero(np.diff(times) < 0)
    return int(back[-1]) + 1 if len(back) else 0


def _shift(frame: Frame, times: NDArray[np.int64], first: int, boot: int, last: int) -> int | None:
    """How far to move rows boot..last so that they run on into the row after; None where they do not."""
    if last + 1 >= len(times):
        return None
    for name, most in JOINS.items():
        values = frame.get(name)
        if abs(values[last + 1] - values[last]) > most:
            return None
    steps = np.diff(times[boot : last + 1])
    interval = (
        int(np.median(steps))
        if len(steps)
        else int(np.median(np.abs(np.diff(times[last + 1 : last + 12]))))
        if last + 2 < len(times)
        else 0
    )
    shift = int(times[last + 1]) - interval - int(times[last])
    if interval <= 0 or (first > 0 and times[boot] + shift <= times[first - 1]):
        return None
    return shift


def _without_strays(frame: Frame, ledger: Ledger) -> Frame:
    """Single rows whose time leaps away and comes back, to where no reading is missing."""
    times = frame.ts_ms
    if len(times) < 5:
        return frame
    steps = np.diff(times)
    if steps.min() >= 0 and steps.max() <= JUMP_MS:
        return frame
    away, back = steps[:-1], steps[1:]
    usual = max(float(np.median(np.abs(steps))), 1.0)
    over = times[2:] - times[:-2]
    runs_on = (over > 0) & (over < np.minimum(3 * usual, MS_PER_DAY))
    lone = np.flatnonzero(runs_on & ((away < 0) | (back < 0))) + 1
    far = (np.abs(away) > JUMP_MS) & (np.abs(back) > JUMP_MS) & (np.abs(over) < MS_PER_DAY)
    lone = lone[_taken(times, lone, usual)] if len(lone) <= few(len(times)) else lone
    stray = np.union1d(lone, np.flatnonzero(far) + 1)
    if not len(stray) or len(stray) > few(len(times)):
        return frame
    ledger.set_aside(frame.lines[stray], "its time stands apart from the rows around it")
    keep = np.ones(len(times), bool)
    keep[stray] = False
    return frame.take(keep)


def _taken(times: NDArray[np.int64], rows: NDArray[np.intp], usual: float) -> NDArray[np.bool_]:
    """Whether these times lie outside of all others, or near another; a late row has a place that is empty."""
    others = np.sort(np.delete(times, rows))
    place = np.searchsorted(others, times[rows])
    outside = (place == 0) | (place == len(others))
    before, after = others[np.maximum(place - 1, 0)], others[np.minimum(place, len(others) - 1)]
    nearest = np.minimum(np.abs(times[rows] - before), np.abs(after - times[rows]))
    return outside | (nearest <= CROWDED * usual)
