"""Tables: the several tables an archive may hold, read one after another as one file; two series of one time are told apart."""

from __future__ import annotations

import copy
from typing import TYPE_CHECKING

import numpy as np

from logbook.errors import BadData
from logbook.ingest.device import chosen_device
from logbook.ingest.moved import ROUNDING
from logbook.ingest.run import few
from logbook.ingest.table import read_sections
from logbook.ingest.text import Text, line_count

if TYPE_CHECKING:
    from collections.abc import Callable, Sequence

    from numpy.typing import NDArray

    from logbook.ingest.archive import Source
    from logbook.ingest.columns import ColumnPlan
    from logbook.ingest.frame import Frame
    from logbook.ingest.ledger import Ledger
    from logbook.ingest.piece import Pieces
    from logbook.ingest.question import Ask
    from logbook.ingest.section import Section

SAME_PACK_V = 0.3
"""Two monitors of one pack agree so far in most of their readings (ours)."""
STEPS_NEAR = 1.5


def read_tables(
    source: Source, plan: ColumnPlan, ledger: Ledger, progress: Callable[[float], None], pieces: Pieces | None = None
) -> list[Section]:
    """Every table of a file; of several, those without readings are passed over and named.

    Of a lone table only the present piece where there are `pieces`.
    """
    parts = list(source.parts())
    if len(parts) == 1:
        if pieces is None:
            return read_sections(Text(parts[0], progress), plan, ledger)
        found = read_sections(pieces.text(parts[0], progress), plan, ledger)
        pieces.look_at(found)
        return found
    sections: list[Section] = []
    told: list[str] = []
    failure: BadData | None = None
    line = 1
    for part in parts:
        before, layouts = copy.deepcopy(ledger), len(plan.layouts)
        text: Text | None = None
        try:
            text = Text(part, progress, first_line=line)
            found = read_sections(text, plan, ledger)
        except BadData as error:
            vars(ledger).update(vars(before))
            del plan.layouts[layouts:]
            failure = failure or error
            ledger.warn(f'"{part.member}" in the archive was passed over: {error.what}')
        else:
            told.append(f"{part.member} from line {line} on")
            for section in found:
                section.table = part.member or ""
            sections += found
        line += _line_count(text) if text else 0
    if not sections and failure:
        raise failure
    ledger.infer("tables", f"{len(told)} of the archive, one after another", "strong", "; ".join(told)[:500])
    return sections


def lines_in(source: Source, lines: Sequence[int]) -> dict[int, str]:
    """The text of these lines (1-based, ascending), counted on from table to table."""
    found: dict[int, str] = {}
    line = 1
    parts = list(source.parts())
    for part in parts:
        try:
            text = Text(part, first_line=line)
        except BadData:  # passed over before
            continue
        found |= text.lines([wanted for wanted in lines if wanted >= line])
        line += _line_count(text) if len(parts) > 1 else 0
    return found


def _line_count(text: Text) -> int:
    return sum(line_count(block) for _, block in text.blocks())


def of_one_series(
    tables: dict[str, Frame], given: str | None, ledger: Ledger, ask: Ask | None, where: str
) -> list[Frame]:
    """The tables that belong together; where two hold the same time with other values, those of one device."""
    frames = [frame for frame in tables.values() if len(frame)]
    if len(frames) < 2:
        return frames or list(tables.values())[:1]
    names = [name for name, frame in tables.items() if len(frame)]
    rivals = sorted(
        {
            name
            for i in range(len(names))
            for j in range(i)
            if _rival(tables[names[j]], tables[names[i]])
            for name in (names[i], names[j])
        }
    )
    if not rivals:
        return frames
    chosen = chosen_device(rivals, "Its tables hold the same time with other values.", given, ledger, ask, where)
    for name in rivals:
        if name != chosen:
            ledger.repair(
                "another device", "rows of another device, left for an import of their own", tables[name].lines
            )
    return [tables[name] for name in names if name == chosen or name not in rivals]


def _rival(first: Frame, second: Frame) -> bool:
    """Whether two tables hold voltages of the same time that are not those of one pack."""
    a, b = _voltages(first), _voltages(second)
    if not len(a[0]) or not len(b[0]):
        return False
    if len(a[0]) > len(b[0]):
        a, b = b, a
    step = float(np.median(np.diff(b[0]))) if len(b[0]) > 1 else 0.0
    place = np.clip(np.searchsorted(b[0], a[0]), 1, max(len(b[0]) - 1, 1))
    left, right = np.minimum(place - 1, len(b[0]) - 1), np.minimum(place, len(b[0]) - 1)
    nearest = np.where(np.abs(b[0][left] - a[0]) <= np.abs(b[0][right] - a[0]), left, right)
    beside = np.abs(b[0][nearest] - a[0]) <= STEPS_NEAR * step
    if np.count_nonzero(beside) <= few(len(a[0])):
        return False
    apart = np.abs(a[1] - b[1][nearest])[beside]
    at_once = (a[0] == b[0][nearest])[beside]
    if at_once.mean() > 0.5:
        return float((apart[at_once] > ROUNDING["voltage_v"]).mean()) > 0.5
    return float(np.median(apart)) > SAME_PACK_V


def _voltages(frame: Frame) -> tuple[NDArray[np.int64], NDArray[np.float64]]:
    """Times, ascending, and voltages of the rows that have one."""
    values = frame.get("voltage_v")
    rows = np.flatnonzero(np.isfinite(values))
    rows = rows[np.argsort(frame.ts_ms[rows], kind="stable")]
    return frame.ts_ms[rows], values[rows]
