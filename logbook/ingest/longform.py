"""Long tables: one value a row, and rows only on change; values hold until the next one, within an age limit."""

from __future__ import annotations

from typing import TYPE_CHECKING

import numpy as np

from logbook.errors import BadData
from logbook.ingest.device import chosen_device, device_named
from logbook.ingest.frame import Frame
from logbook.ingest.meaning import meaning
from logbook.ingest.scale import Known, scale_of
from logbook.ingest.unit import unit_named
from logbook.ingest.use import NAMES
from logbook.schema.receipt import ColumnUse
from logbook.units import MS_PER_HOUR

if TYPE_CHECKING:
    from numpy.typing import NDArray

    from logbook.ingest.ledger import Ledger
    from logbook.ingest.question import Ask

HOLD_MS = {"voltage_v": MS_PER_HOUR, "current_a": MS_PER_HOUR}
HOLD_SLOW_MS = 6 * MS_PER_HOUR
"""How long a value that is logged on change is taken to hold; common practice, no source."""
ON_CHANGE_SHARE = 0.2


def is_long(frame: Frame) -> bool:
    """Whether the table has one value a row with its quantity beside it."""
    return "quantity" in frame.words and "value" in frame.columns


def wide(frame: Frame, known: Known, ledger: Ledger, ask: Ask | None) -> Frame:
    """A long table as rows of readings, one for each time at which anything was logged."""
    codes, words = frame.words["quantity"]
    times, row_of = np.unique(frame.ts_ms, return_inverse=True)
    lines = np.zeros(len(times), np.int64)
    lines[row_of[::-1]] = frame.lines[::-1]
    columns: dict[str, NDArray[np.float64]] = {}
    left_out = _of_other_devices(words, codes, known, ledger, ask)
    for code, word in enumerate(words):
        rows = np.flatnonzero(codes == code)
        if word in left_out:
            ledger.columns.append(ColumnUse(word, None, None, left_out[word]))
            ledger.repair(
                "another device", "rows of another device, left for an import of their own", frame.lines[rows]
            )
            continue
        target, values = _quantity(word, rows, frame, known, ledger, ask)
        if target is None or target in columns:
            continue
        rows, values = _each_once(rows, values, row_of, frame, ledger)
        column = np.full(len(times), np.nan)
        column[row_of[rows]] = values
        columns[target] = column
    if not columns:
        raise BadData(
            "None of its quantities is recognised.", where=known.where, mend=f"They are {', '.join(words)[:200]}."
        )
    ledger.infer("shape", "one value a row", "strong", f"its quantities are {', '.join(words)[:120]}")
    return held(Frame(lines, times, columns), ledger)


def _each_once(
    rows: NDArray[np.intp],
    values: NDArray[np.float64],
    row_of: NDArray[np.intp],
    frame: Frame,
    ledger: Ledger,
) -> tuple[NDArray[np.intp], NDArray[np.float64]]:
    """The first value of a quantity at each time; the same again is counted, another is set aside."""
    order = np.argsort(row_of[rows], kind="stable")
    again = np.concatenate([[False], np.diff(row_of[rows][order]) == 0])
    if not again.any():
        return rows, values
    leaders = np.maximum.accumulate(np.where(again, 0, np.arange(len(order))))
    ordered = values[order]
    same = again & ((ordered == ordered[leaders]) | np.isnan(ordered))
    ledger.repair("duplicate", "rows that stand in the file twice, taken once", frame.lines[rows[order[same]]])
    ledger.set_aside(frame.lines[rows[order[again & ~same]]], "another reading has the same time and other values")
    kept = np.sort(order[~again])
    return rows[kept], values[kept]


def _of_other_devices(
    words: list[str], codes: NDArray[np.int32], known: Known, ledger: Ledger, ask: Ask | None
) -> dict[str, str]:
    """Quantities that stand there twice, all but one of each with why: those nearest to the pack, then the device's."""
    by_target: dict[str, list[str]] = {}
    rank: dict[str, int] = {}
    for word in words:
        found = meaning(word)
        target = NAMES.get(found.quantity or "", found.quantity)
        if target in TWINS and found.rank >= 0:
            by_target.setdefault(target, []).append(word)
            rank[word] = found.rank
    left_out: dict[str, str] = {}
    for twins in by_target.values():
        best = max(rank[word] for word in twins)
        nearest_ones = [word for word in twins if rank[word] == best]
        left_out |= dict.fromkeys((word for word in twins if rank[word] < best), "another is nearer to the pack")
        devices = {device_named(word): word for word in nearest_ones}
        if len(nearest_ones) < 2 or len(devices) < len(nearest_ones):
            continue
        counts = ", ".join(f'"{word}" {int((codes == words.index(word)).sum())} rows' for word in nearest_ones)
        names = [name or word for name, word in devices.items()]
        chosen = chosen_device(names, f"It has {counts}.", known.device, ledger, ask, known.where)
        left_out |= dict.fromkeys(
            (word for name, word in zip(names, nearest_ones, strict=True) if name != chosen), f"you chose {chosen}"
        )
    return left_out


TWINS = frozenset({"voltage_v", "current_a", "soc_percent"})


def _quantity(
    word: str, rows: NDArray[np.intp], frame: Frame, known: Known, ledger: Ledger, ask: Ask | None
) -> tuple[str | None, NDArray[np.float64]]:
    unit_text = ""
    if "unit" in frame.words and len(rows):
        unit_codes, units = frame.words["unit"]
        code = unit_codes[rows[0]]
        unit_text = units[code] if code >= 0 else ""
    found = meaning(word, unit_text)
    target = f"cell_{found.cell}_v" if found.cell is not None else NAMES.get(found.quantity or "", found.quantity)
    values = frame.get("value")[rows]
    if target is None or target in {"time", "date", "clock", "status", "direction"} or found.rank < 0:
        ledger.columns.append(ColumnUse(word, None, None, "not needed"))
        return None, values
    scale = scale_of(target, values, unit_named(unit_text) if unit_text else found.unit, known, ask, ledger)
    ledger.columns.append(ColumnUse(word, target, scale.unit.name, f'the quantity says "{word}"'))
    return target, scale.unit.convert(values)


def on_change(frame: Frame) -> bool:
    """Whether voltage and current are often logged apart, in a table that has both."""
    if not (frame.has("voltage_v") and frame.has("current_a")):
        return False
    apart = np.isfinite(frame.get("voltage_v")) != np.isfinite(frame.get("current_a"))
    return bool(apart.mean() > ON_CHANGE_SHARE)


def held(frame: Frame, ledger: Ledger) -> Frame:
    """Rows in ascending time, each value held until the next one of its quantity or its age limit."""
    filled = {
        name: _held(values, frame.ts_ms, HOLD_MS.get(name, HOLD_SLOW_MS)) for name, values in frame.columns.items()
    }
    count = sum(
        int(np.count_nonzero(np.isfinite(filled[name]) & np.isnan(values))) for name, values in frame.columns.items()
    )
    if count:
        ledger.infer(
            "rows on change",
            f"{count} values held from the row before",
            "fair",
            "quantities are logged at different times",
        )
    return Frame(frame.lines, frame.ts_ms, filled, frame.words)


def _held(values: NDArray[np.float64], ts_ms: NDArray[np.int64], limit_ms: int) -> NDArray[np.float64]:
    index = np.maximum.accumulate(np.where(np.isfinite(values), np.arange(len(values)), -1))
    young = (index >= 0) & (ts_ms - ts_ms[np.maximum(index, 0)] <= limit_ms)
    return np.where(young, values[np.maximum(index, 0)], np.nan)
