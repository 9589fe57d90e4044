"""Moved: whether rows are a copy of earlier ones by another clock, told by values that move alike."""

from __future__ import annotations

import itertools
from typing import TYPE_CHECKING

import numpy as np

from logbook.units import MS_PER_HOUR

if TYPE_CHECKING:
    from numpy.typing import NDArray

    from logbook.ingest.frame import Frame

QUANTITIES = ("voltage_v", "current_a", "temperature_c", "soc_percent")
SHIFTS_MS = tuple(sign * hours * MS_PER_HOUR // 2 for hours in range(1, 29) for sign in (1, -1))
"""Half hours up to 14 hours both ways: what a wrong zone or summer time makes."""
LEAST_MATCHES = 20
LEAST_SHARE = 0.95
LEAST_VALUES = 8
LEAST_CHANGES, SHARE_OF_CHANGES = 12, 0.9
"""Where the values are few, so many changes from row to row, and nearly all of them alike, tell a copy too."""
LEAST_TELLING, TELLING_ROWS = 3.0, 2000
"""So many rows more must be equal than at any other hour: what comes again by itself tells of no other clock (ours)."""
MOST_COMPARED, SAMPLE_ROWS = 20_000, 200
STORED_ROUNDING = 0.0006
"""Readings in the logbook are rounded to thousandths."""
GRIDS = {"voltage_v": (0.1, 0.01), "current_a": (0.1, 0.01), "temperature_c": (1.0, 0.1), "soc_percent": (1.0, 0.1)}
"""Steps to which exports round."""
UNLIKE_SHARE = 0.3
"""By chance a tenth of the values stand on a grid ten times as wide."""
ROUNDING = {"voltage_v": 0.051, "current_a": 0.051, "temperature_c": 0.51, "soc_percent": 0.51}
"""Differences that another rounding of the same reading makes."""


def hours_of(shift_ms: int) -> str:
    """A shift in hours, without its sign."""
    return f"{abs(shift_ms) / MS_PER_HOUR:g}"


def shift_between(earlier: Frame, later: Frame) -> int | None:
    """By how many ms the later rows are a moved copy of the earlier ones; None where they are not."""
    return told_shift(earlier, later) or None


def told_shift(earlier: Frame, later: Frame) -> int | None:
    """By how many ms the later rows are a copy, 0 where at the same times; None where nothing tells that they are one."""
    if len(later) < LEAST_MATCHES or len(earlier) < LEAST_MATCHES:
        return None
    shifts = (0, *SHIFTS_MS)
    exact = next((shift for shift in shifts if _match(earlier, later, shift)), None)
    if exact is not None or not _rounded_otherwise(earlier, later):
        return exact
    return next((shift for shift in shifts if _match(earlier, later, shift, rounded=True)), None)


def _rounded_otherwise(earlier: Frame, later: Frame) -> bool:
    """Whether of one of them far more values stand on some grid than of the other."""
    for name, grids in GRIDS.items():
        if name in earlier.columns and name in later.columns:
            parts = [frame.columns[name][:: max(len(frame) // SAMPLE_ROWS, 1)] for frame in (earlier, later)]
            parts = [part[np.isfinite(part)] for part in parts]
            if not all(map(len, parts)):
                continue
            for grid in grids:
                shares = [float(_on(part, grid).mean()) for part in parts]
                if abs(shares[0] - shares[1]) > UNLIKE_SHARE:
                    return True
    return False


def _on(values: NDArray[np.float64], grid: float) -> NDArray[np.bool_]:
    steps = values / grid
    return np.abs(steps - np.rint(steps)) < 1e-4


def is_copy(earlier: Frame, later: Frame) -> bool:
    """Whether the later rows stand among the earlier ones, at the same times or moved ones."""
    if len(later) < LEAST_MATCHES or len(earlier) < LEAST_MATCHES:
        return _equal_rows(earlier, later)
    return told_shift(earlier, later) is not None


def rows_at(earlier: Frame, later: Frame, shift: int) -> NDArray[np.bool_]:
    """Which of the later rows stand among the earlier ones that far off, [n]; none where half of them have other values."""
    if not len(earlier) or not len(later):
        return np.zeros(len(later), bool)
    place, there = places(earlier, later.ts_ms - shift)
    same = there & equal_values(earlier, place, later, slice(None))
    return same if np.count_nonzero(same) > 0.5 * np.count_nonzero(there) else np.zeros(len(later), bool)


def places(earlier: Frame, times: NDArray[np.int64]) -> tuple[NDArray[np.intp], NDArray[np.bool_]]:
    """At which earlier row each time stands, and whether it does."""
    place = np.minimum(np.searchsorted(earlier.ts_ms, times), len(earlier) - 1)
    return place, earlier.ts_ms[place] == times


def equal_values(
    earlier: Frame, place: NDArray[np.intp], later: Frame, rows: NDArray[np.intp] | slice, within: float | None = None
) -> NDArray[np.bool_]:
    """Whether rows hold equal values where both have any, to `within` or to what another rounding makes."""
    equal = np.ones(len(place), bool)
    for name in QUANTITIES:
        if name not in earlier.columns or name not in later.columns:
            continue
        a, b = earlier.columns[name][place], later.columns[name][rows]
        equal &= np.isnan(a) | np.isnan(b) | (np.abs(a - b) <= (ROUNDING[name] if within is None else within))
    return equal


def _equal_but_for_rounding(
    earlier: Frame, place: NDArray[np.intp], later: Frame, rows: NDArray[np.intp]
) -> NDArray[np.bool_]:
    """Whether rows hold the same values where both have any, one of which may have been rounded."""
    equal = np.ones(len(place), bool)
    for name, grids in GRIDS.items():
        if name not in earlier.columns or name not in later.columns:
            continue
        a, b = earlier.columns[name][place], later.columns[name][rows]
        apart = np.abs(a - b)
        same = np.isnan(apart) | (apart <= STORED_ROUNDING)
        for grid in grids:
            same |= (apart <= grid / 2 + STORED_ROUNDING) & (_on(a, grid) | _on(b, grid))
        equal &= same
    return equal


def _equal_rows(earlier: Frame, later: Frame) -> bool:
    """Whether most of a few rows stand among the earlier ones at their times."""
    if not len(later):
        return False
    place, same = places(earlier, later.ts_ms)
    return bool((same & equal_values(earlier, place, later, slice(None))).mean() > 0.5)


def common_rows(earlier: Frame, later: Frame, shift: int) -> tuple[NDArray[np.intp], NDArray[np.intp]] | None:
    """Rows of both, in ascending time, that stand at equal times after the shift; None where they are too few of what overlaps."""
    first, last = np.searchsorted(later.ts_ms, (earlier.ts_ms[0] + shift, earlier.ts_ms[-1] + shift + 1))
    if last - first < LEAST_MATCHES:
        return None
    within = np.arange(first, last, max((last - first) // MOST_COMPARED, 1))
    place, there = places(earlier, later.ts_ms[within] - shift)
    place, within, overlapping = place[there], within[there], len(within)
    if len(place) < max(LEAST_MATCHES, 0.5 * min(overlapping, len(earlier))):
        return None
    return place, within


def _match(earlier: Frame, later: Frame, shift: int, *, rounded: bool = False) -> bool:
    """Whether rows at equal times (after the shift) hold values, equal or `rounded`, that move enough to tell."""
    common = common_rows(earlier, later, shift)
    if common is None:
        return False
    first, second = common
    some = slice(None, None, max(len(first) // SAMPLE_ROWS, 1))

    def equal_at(rows: slice) -> NDArray[np.bool_]:
        if rounded:
            return _equal_but_for_rounding(earlier, first[rows], later, second[rows])
        return equal_values(earlier, first[rows], later, second[rows], STORED_ROUNDING)

    if equal_at(some).mean() < 0.5:
        return False
    equal = equal_at(slice(None))
    if equal.mean() < LEAST_SHARE:
        return False
    if not moves(earlier, later, common, equal):
        return False
    return (
        not shift or not _may_stand(earlier, later) or _only_there(earlier, later, shift, second, float(equal.mean()))
    )


def moves(
    earlier: Frame, later: Frame, common: tuple[NDArray[np.intp], NDArray[np.intp]], equal: NDArray[np.bool_]
) -> bool:
    """Whether common rows hold values enough, or change from one to the next often enough, or in time, to tell a copy."""
    first, second = common
    changed = _uneven(later, common)
    moving = 0
    for name in QUANTITIES:
        a, b = earlier.get(name)[first], later.get(name)[second]
        held = np.isfinite(a) & np.isfinite(b)
        moving = max(moving, min(len(np.unique(a[held])), len(np.unique(b[held]))))
        changed[1:] |= (np.abs(np.diff(a)) > 0) & (np.abs(np.diff(b)) > 0)  # never where one is not there
    return moving >= LEAST_VALUES or (
        int(changed.sum()) >= LEAST_CHANGES and float(equal[changed].mean()) >= SHARE_OF_CHANGES
    )


def _uneven(later: Frame, common: tuple[NDArray[np.intp], NDArray[np.intp]]) -> NDArray[np.bool_]:
    """At which common rows the time to the next is another than that from the one before, where neither has rows besides.

    Times that wander by seconds do not come again hours later by chance.
    """
    first, second = common
    uneven = np.zeros(len(first), bool)
    if first[-1] - first[0] == second[-1] - second[0] == len(first) - 1:
        uneven[1:-1] = np.diff(later.ts_ms[second], 2) != 0
    return uneven


def _may_stand(earlier: Frame, later: Frame) -> bool:
    """Whether nothing speaks against the later rows as they stand: they come after the earlier ones, or begin with the last of these."""
    overlap = int(np.searchsorted(later.ts_ms, earlier.ts_ms[-1], side="right"))
    place, there = places(earlier, later.ts_ms[:overlap])
    return bool(there.all() and equal_values(earlier, place, later, slice(overlap), STORED_ROUNDING).all())


def _only_there(earlier: Frame, later: Frame, shift: int, rows: NDArray[np.intp], share: float) -> bool:
    """Whether rows equal those before at this hour alone; a fridge on a full battery repeats itself for hours.

    They are compared with what stands before, and with themselves, at every other hour.
    """
    part = later.take(rows[:: max(len(rows) // TELLING_ROWS, 1)])
    most = share - LEAST_TELLING / len(part)
    for other, frame in itertools.product((0, *SHIFTS_MS), (earlier, later)):
        if other == shift or (other == 0 and frame is later):
            continue
        place, there = places(frame, part.ts_ms - other)
        compared = np.flatnonzero(there)
        if len(compared) < max(len(part) // 2, LEAST_MATCHES // 2):
            continue
        if equal_values(frame, place[compared], part, compared, STORED_ROUNDING).mean() > most:
            return False
    return True
