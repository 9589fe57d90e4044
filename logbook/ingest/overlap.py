"""Overlaps: the same readings twice in one file, as repeats, an hour apart, or as coarser copies."""

from __future__ import annotations

import itertools
from dataclasses import replace
from typing import TYPE_CHECKING

import numpy as np

from logbook.ingest.frame import joined
from logbook.ingest.run import few, nearly_all
from logbook.units import MS_PER_HOUR, MS_PER_S, S_PER_MINUTE

if TYPE_CHECKING:
    from collections.abc import Sequence

    from numpy.typing import NDArray

    from logbook.ingest.frame import Frame
    from logbook.ingest.ledger import Ledger

QUANTITIES = ("voltage_v", "current_a", "temperature_c", "soc_percent")
MINUTE_MS = S_PER_MINUTE * MS_PER_S
SHIFTS_MS = tuple(sign * hours * MS_PER_HOUR // 2 for hours in range(1, 29) for sign in (1, -1))
"""Half hours up to 14 hours both ways: what a wrong zone or summer time makes."""
LEAST_LEAP_MS = 2 * MINUTE_MS
MOST_CUTS = 50
"""More steps back are rows in no order."""
LEAST_MATCHES = 20
LEAST_SHARE = 0.95
LEAST_VALUES = 8
LEAST_CHANGES, SHARE_OF_CHANGES = 12, 0.9
"""Where the values are few, so many changes from row to row, and nearly all of them alike, tell a copy too."""
MOST_COMPARED = 20_000
STORED_ROUNDING = 0.0006
"""Readings in the logbook are rounded to thousandths."""
COARSER = 3.0
ROUNDING = {"voltage_v": 0.051, "current_a": 0.051, "temperature_c": 0.51, "soc_percent": 0.51}
"""Differences that another rounding of the same reading makes."""


def sorted_once(frame: Frame, ledger: Ledger) -> Frame:
    """Rows from file order into ascending time, each reading once; what contradicts is set aside."""
    if len(frame) < 2:
        return frame
    frame = _with_seconds(frame, ledger)
    steps = np.diff(frame.ts_ms)
    back, leaps = np.flatnonzero(steps < 0) + 1, np.flatnonzero(_leaps(steps)) + 1
    if len(back) or 0 < len(leaps) <= MOST_CUTS:
        frame = _merged(frame, back, leaps, ledger)
    if len(back):
        frame = frame.take(np.argsort(frame.ts_ms, kind="stable"))
    return _each_once(frame, ledger)


def _leaps(steps: NDArray[np.int64]) -> NDArray[np.bool_]:
    """Steps on at which a copy with another clock may begin: no shorter than the smallest such move, and no usual ones."""
    usual = float(np.median(steps[:: max(len(steps) // MOST_COMPARED, 1)]))
    least = max(LEAST_LEAP_MS, COARSER * usual)
    return np.asarray(steps >= least) if usual > 0 else np.zeros(len(steps), bool)


def _with_seconds(frame: Frame, ledger: Ledger) -> Frame:
    """Times without seconds, several rows a minute: spread over the minute in the order of the file."""
    if np.count_nonzero(frame.ts_ms[: 2 * few(len(frame)) + 1] % MINUTE_MS) > few(len(frame)):
        return frame  # without a look at the rest
    bare = frame.ts_ms % MINUTE_MS == 0
    if not nearly_all(bare):
        return frame
    rows = np.flatnonzero(bare)
    times = frame.ts_ms[rows]
    same = np.diff(times) == 0
    if np.count_nonzero(same) < 0.3 * len(same):
        return frame
    starts = np.flatnonzero(np.concatenate([[True], ~same]))
    counts = np.diff(np.append(starts, len(times)))
    usual = int(np.bincount(counts).argmax())
    if usual < 2 or MINUTE_MS % usual or (counts > usual).mean() > 0.1 or _repeats(frame.take(rows), same):
        return frame
    place = np.arange(len(times)) - np.repeat(starts, counts)
    if counts[0] < usual:
        place[: counts[0]] += usual - counts[0]
    place = _with_holes(place, frame.lines[rows], starts, counts, usual)
    step = MINUTE_MS // np.maximum(np.repeat(counts, counts), usual)
    ledger.infer(
        "seconds", f"{usual} rows a minute, spread evenly in their order", "fair", "its times stop at the minute"
    )
    spread = frame.ts_ms.copy()
    spread[rows] = times + place * step
    return replace(frame, ts_ms=spread)


def _with_holes(
    place: NDArray[np.intp],
    lines: NDArray[np.int64],
    starts: NDArray[np.intp],
    counts: NDArray[np.intp],
    usual: int,
) -> NDArray[np.intp]:
    """Places within the minute where one line among its rows, set aside before, held its own."""
    place = place.copy()
    for group in np.flatnonzero((counts == usual - 1) & (starts > 0)).tolist():
        rows = slice(int(starts[group]), int(starts[group] + counts[group]))
        offset = lines[rows] - lines[starts[group] - 1] - 1
        if offset[-1] == usual - 1:
            place[rows] = offset
    return place


def _repeats(frame: Frame, same: NDArray[np.bool_]) -> bool:
    """Whether rows of equal time are copies of each other."""
    alike = np.ones(len(same), bool)
    for name in QUANTITIES:
        values = frame.get(name)
        alike &= (values[1:] == values[:-1]) | (np.isnan(values[1:]) & np.isnan(values[:-1]))
    return bool(alike[same].mean() > 0.9)


def _merged(frame: Frame, back: NDArray[np.intp], leaps: NDArray[np.intp], ledger: Ledger) -> Frame:
    """Stretches between steps back in time, and between leaps, with copies of earlier ones taken out."""
    if len(back) > MOST_CUTS:
        ledger.infer("order of rows", "sorted by time", "strong", f"time goes back {len(back)} times in the file")
        return frame
    cuts = np.union1d(back, leaps) if len(back) + len(leaps) <= MOST_CUTS else back
    parts = [frame.take(slice(a, b)) for a, b in zip([0, *cuts.tolist()], [*cuts.tolist(), len(frame)], strict=True)]
    kept: list[Frame] = []
    for part, after in itertools.zip_longest(parts, parts[1:]):
        kept = _with_part(kept, _without_moved(kept, part, after, ledger), ledger)
    if len(kept) > 1 and len(back):
        ledger.infer("order of rows", "sorted by time", "strong", f"time goes back {len(back)} times in the file")
    return joined(kept)


def _without_moved(kept: Sequence[Frame], part: Frame, after: Frame | None, ledger: Ledger) -> Frame:
    """A stretch too short to be told by itself, less what stands before as far off as the next stretch of its export does."""
    if len(part) >= LEAST_MATCHES or not len(part) or after is None or after.ts_ms[0] < part.ts_ms[-1]:
        return part
    for shift in {found for stretch in kept if (found := shift_between(stretch, after))}:
        moved = replace(part, ts_ms=part.ts_ms - shift)
        for stretch in kept:
            copies = np.isin(moved.ts_ms, stretch.ts_ms)
            if copies.any() and _equal_rows(stretch, moved):
                hours = abs(shift) / MS_PER_HOUR
                ledger.set_aside(part.lines[copies], f"the same readings stand before, {hours:g} h apart")
                return part.take(~copies)
    return part


def _with_part(kept: Sequence[Frame], part: Frame, ledger: Ledger) -> list[Frame]:
    """Add a stretch to those before it, without what is a copy."""
    result: list[Frame] = []
    for stretch in kept:
        earlier = stretch
        shift = shift_between(earlier, part)
        if shift:
            copies = np.isin(part.ts_ms - shift, earlier.ts_ms)
            hours = abs(shift) / MS_PER_HOUR
            ledger.set_aside(part.lines[copies], f"the same readings stand before, {hours:g} h apart")
            ledger.warn(
                f"The file holds the same readings twice, {hours:g} h apart; the first were kept. Check the time zone."
            )
            part = part.take(~copies)
        fine, coarse = sorted((earlier, part), key=_interval)
        copies = _coarse_copies(fine, coarse)
        if copies.any():
            ledger.set_aside(coarse.lines[copies], "a coarser copy of readings that are here in full")
        if coarse is earlier:
            earlier = coarse.take(~copies)
        else:
            part = coarse.take(~copies)
        result.append(earlier)
    return [rows for rows in [*result, part] if len(rows)]


def _interval(frame: Frame) -> float:
    return float(np.median(np.diff(frame.ts_ms))) if len(frame) > 2 else np.inf


def _coarse_copies(fine: Frame, coarse: Frame) -> NDArray[np.bool_]:
    """Rows of the coarser stretch around which the finer one has several."""
    step_fine, step_coarse = _interval(fine), _interval(coarse)
    if not np.isfinite(step_coarse) or not step_fine or step_coarse < COARSER * step_fine:
        return np.zeros(len(coarse), bool)
    near = np.searchsorted(fine.ts_ms, coarse.ts_ms + step_coarse) - np.searchsorted(
        fine.ts_ms, coarse.ts_ms - step_coarse
    )
    return near >= step_coarse / step_fine


def shift_between(earlier: Frame, later: Frame) -> int | None:
    """By how many ms the later rows are a moved copy of the earlier ones; None where they are not."""
    if len(later) < LEAST_MATCHES or len(earlier) < LEAST_MATCHES:
        return None
    if _match(earlier, later, 0):
        return None
    return next((shift for shift in SHIFTS_MS if _match(earlier, later, shift)), None)


def is_copy(earlier: Frame, later: Frame) -> bool:
    """Whether the later rows stand among the earlier ones, at the same times or moved ones."""
    if len(later) < LEAST_MATCHES or len(earlier) < LEAST_MATCHES:
        return _equal_rows(earlier, later)
    return _match(earlier, later, 0) or shift_between(earlier, later) is not None


def _equal_rows(earlier: Frame, later: Frame) -> bool:
    """Whether most of a few rows stand among the earlier ones at their times."""
    place = np.minimum(np.searchsorted(earlier.ts_ms, later.ts_ms), len(earlier) - 1)
    same = earlier.ts_ms[place] == later.ts_ms
    for name in QUANTITIES:
        a, b = earlier.get(name)[place], later.get(name)
        same &= np.isnan(a) | np.isnan(b) | (np.abs(a - b) <= ROUNDING[name])
    return bool(same.mean() > 0.5) if len(later) else False


def _match(earlier: Frame, later: Frame, shift: int) -> bool:
    """Whether rows at equal times (after the shift) hold equal values that move enough to tell."""
    if later.ts_ms[0] - shift > earlier.ts_ms[-1] or later.ts_ms[-1] - shift < earlier.ts_ms[0]:
        return False
    moved = later.ts_ms - shift
    within = np.flatnonzero((moved >= earlier.ts_ms[0]) & (moved <= earlier.ts_ms[-1]))
    within = within[:: max(len(within) // MOST_COMPARED, 1)]
    place = np.searchsorted(earlier.ts_ms, moved[within])
    same_time = earlier.ts_ms[place] == moved[within]
    first, second = place[same_time], within[same_time]
    if len(first) < max(LEAST_MATCHES, 0.5 * min(len(within), len(earlier))):
        return False
    equal = np.ones(len(first), bool)
    changed = np.zeros(len(first), bool)
    moving = 0
    for name in QUANTITIES:
        a, b = earlier.get(name)[first], later.get(name)[second]
        held = np.isfinite(a) & np.isfinite(b)
        equal &= ~held | (np.abs(a - b) <= STORED_ROUNDING)
        moving = max(moving, len(np.unique(a[held])))
        changed[1:] |= (np.diff(a) != 0) | (np.diff(b) != 0)
    telling = moving >= LEAST_VALUES or (
        int(changed.sum()) >= LEAST_CHANGES and float(equal[changed].mean()) >= SHARE_OF_CHANGES
    )
    return telling and bool(equal.mean() >= LEAST_SHARE)


def _each_once(frame: Frame, ledger: Ledger) -> Frame:
    same_time = frame.ts_ms[1:] == frame.ts_ms[:-1]
    if not same_time.any():
        return frame
    again = np.concatenate([[False], same_time])
    rows = np.flatnonzero(again)
    leaders = np.maximum.accumulate(np.where(again, 0, np.arange(len(frame))))[rows]
    same = np.ones(len(rows), bool)
    for name in frame.columns:
        values = frame.columns[name]
        a, b = values[leaders], values[rows]
        same &= np.isnan(a) | np.isnan(b) | (np.abs(a - b) <= ROUNDING.get(name, 1e-9))
    frame = _filled(frame, leaders[same], rows[same])
    ledger.repair("duplicate", "rows that stand in the file twice, taken once", frame.lines[rows[same]])
    ledger.set_aside(frame.lines[rows[~same]], "another reading has the same time and other values")
    return frame.take(~again)


def _filled(frame: Frame, leaders: NDArray[np.intp], rows: NDArray[np.intp]) -> Frame:
    """What the first row of a time lacks, its copy may hold."""
    columns = {}
    for name, values in frame.columns.items():
        lacking = np.isnan(values[leaders]) & np.isfinite(values[rows])
        columns[name] = values.copy() if lacking.any() else values
        columns[name][leaders[lacking]] = values[rows[lacking]]
    return replace(frame, columns=columns)
