"""Overlaps: the same readings twice in one file, as repeats, an hour apart, or as coarser copies."""

from __future__ import annotations

import itertools
from dataclasses import replace
from typing import TYPE_CHECKING

import numpy as np

from logbook.ingest.frame import joined
from logbook.ingest.moved import MOST_COMPARED, QUANTITIES, ROUNDING, hours_of, rows_at, shift_between, told_shift
from logbook.ingest.run import few, nearly_all
from logbook.ingest.still import still_between
from logbook.units import MS_PER_S, S_PER_MINUTE

if TYPE_CHECKING:
    from collections.abc import Sequence

    from numpy.typing import NDArray

    from logbook.ingest.frame import Frame
    from logbook.ingest.ledger import Ledger

MINUTE_MS = S_PER_MINUTE * MS_PER_S
LEAST_LEAP_MS = 2 * MINUTE_MS
MOST_CUTS = 50
"""More steps back are rows in no order."""
COARSER = 3.0


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
    begins = [0, *(place for place, cut in enumerate(cuts.tolist(), 1) if cut in set(back.tolist()))]
    kept: list[Frame] = []
    for first, last in itertools.pairwise([*begins, len(parts)]):
        kept = _with_export(kept, parts[first:last], ledger)
    if len(kept) > 1 and len(back):
        ledger.infer("order of rows", "sorted by time", "strong", f"time goes back {len(back)} times in the file")
    return joined(kept)


def _with_export(kept: list[Frame], parts: Sequence[Frame], ledger: Ledger) -> list[Frame]:
    """Add the stretches of one export, between steps back in time, to those before them."""
    parts = _without_still(kept, parts, ledger)
    for place, part in enumerate(parts):
        left = part
        for shift in _shifts_of_others(kept, parts, place):
            left = _without_moved(kept, left, shift, ledger)
        kept = _with_part(kept, left, ledger)
    return kept


def _without_still(kept: Sequence[Frame], parts: Sequence[Frame], ledger: Ledger) -> Sequence[Frame]:
    """An export less what its edges tell is a copy, where hardly anything in it moves; told where they may."""
    if not kept or any(told_shift(stretch, part) is not None for stretch in kept for part in parts):
        return parts
    earlier, export = joined(kept), joined(parts)
    earlier = earlier.take(np.unique(earlier.ts_ms, return_index=True)[1])
    found = still_between(earlier, export)
    if found is None:
        return parts
    copies = rows_at(earlier, export, found.shift_ms)
    if not (copies & ~rows_at(earlier, export, 0)).any():
        return parts
    hours, first, last = hours_of(found.shift_ms), int(export.lines[copies].min()), int(export.lines[copies].max())
    if not found.sure:
        ledger.warn(
            f"Lines {first} to {last} may be the same readings as those {hours} h apart from them, by another clock: hardly "
            "anything in them moves. They were taken as readings of their own; if they are not, import the file without them."
        )
        return parts
    ledger.set_aside(
        export.lines[copies],
        f"the same readings stand before, {hours} h apart: told by where they begin and end, for hardly anything moves",
    )
    ledger.warn(
        f"The file holds the same readings twice, {hours} h apart; the first were kept. Hardly anything in them moves: "
        f"if lines {first} to {last} are readings of their own, import them as a file by themselves with  --timezone ZONE"
    )
    return [part.take(~np.isin(part.lines, export.lines[copies])) for part in parts]


def _shifts_of_others(before: Sequence[Frame], parts: Sequence[Frame], place: int) -> list[int]:
    """How far off the stretches next to one in its export are copies, where it does not tell by itself."""
    if any(told_shift(stretch, parts[place]) is not None for stretch in before):
        return []
    beside = [*parts[place + 1 : place + 2], *parts[max(place - 1, 0) : place]]
    found = (shift_between(stretch, part) for part in beside for stretch in before)
    return list(dict.fromkeys(shift for shift in found if shift))


def _without_moved(before: Sequence[Frame], part: Frame, shift: int, ledger: Ledger) -> Frame:
    """A stretch that does not tell by itself, less what stands before as far off as what is next to it."""
    for stretch in before:
        copies = rows_at(stretch, part, shift)
        if copies.any():
            ledger.set_aside(part.lines[copies], f"the same readings stand before, {hours_of(shift)} h apart")
            part = part.take(~copies)
    return part


def _with_part(kept: Sequence[Frame], part: Frame, ledger: Ledger) -> list[Frame]:
    """Add a stretch to those before it, without what is a copy."""
    result: list[Frame] = []
    for stretch in kept:
        earlier = stretch
        shift = shift_between(earlier, part)
        if shift:
            copies = np.isin(part.ts_ms - shift, earlier.ts_ms)
            hours = hours_of(shift)
            ledger.set_aside(part.lines[copies], f"the same readings stand before, {hours} h apart")
            ledger.warn(
                f"The file holds the same readings twice, {hours} h apart; the first were kept. Check the time zone."
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
