"""Cells: which cell leads at full and at empty, and by how much.

A spread of cell voltages says something only in the two knees, at full and near empty; on the
plateau a percent of charge is a quarter of a millivolt. A cell that is first at one end and last
at the other is out of step, which balancing mends; one that is first at both holds less than the
others, which nothing mends. Common practice, no source.
"""

from __future__ import annotations

from typing import TYPE_CHECKING

import numpy as np
import pandas as pd

from logbook.schema.estimate import Estimate
from logbook.schema.health import Cells
from logbook.units import MS_PER_DAY

if TYPE_CHECKING:
    from logbook.analysis.track import Track
    from logbook.schema.pack import Pack

COLUMNS = ("start_ms", "end", "cell", "spread_v", "cell_v")
TOP_CELL_V, BOTTOM_CELL_V = 3.45, 3.0
"""Beyond these a LiFePO4 cell is in its upper or lower knee."""
GENTLE_C_RATE = 0.3
RECENT = 8
"""So many days at an end speak for the present."""
LEAST_DAYS = 2
SAME_SHARE = 0.7
"""Share of the days on which one cell must lead to be called the one."""


def cells(track: Track, pack: Pack) -> pd.DataFrame:
    """List for each UTC day the moment at which a cell went furthest into the upper and into the lower knee."""
    cells_v = track.readings.cells_v
    if cells_v is None or not len(track) or cells_v.shape[1] < 2 or pack.chemistry != "lfp":
        return pd.DataFrame(columns=list(COLUMNS))
    with np.errstate(invalid="ignore"):
        gentle = np.abs(track.readings.current_a) <= GENTLE_C_RATE * pack.rated_ah
        whole = ~np.isnan(cells_v).any(axis=1) & (cells_v > pack.cell.empty_v / 2).all(axis=1) & gentle
    highest, lowest = np.max(cells_v, axis=1, initial=-np.inf), np.min(cells_v, axis=1, initial=np.inf)
    day = track.readings.ts_ms // MS_PER_DAY
    rows = []
    for end, seen, leading, direction in (
        ("full", whole & (highest >= TOP_CELL_V), highest, 1),
        ("empty", whole & (lowest <= BOTTOM_CELL_V), lowest, -1),
    ):
        places = np.flatnonzero(seen)
        for first, last in _days(day[places]):
            inside = places[first:last]
            place = int(inside[np.argmax(direction * leading[inside])])
            cell = int(np.argmax(direction * cells_v[place]))
            spread_v = float(highest[place] - lowest[place])
            rows.append((int(track.readings.ts_ms[place]), end, cell + 1, spread_v, float(leading[place])))
    frame = pd.DataFrame(rows, columns=list(COLUMNS))
    return frame.sort_values(["start_ms", "end"], ignore_index=True)


def _days(day: np.ndarray) -> list[tuple[int, int]]:
    if not len(day):
        return []
    first = np.flatnonzero(np.append(True, day[1:] != day[:-1]))
    return list(zip(first.tolist(), np.append(first[1:], len(day)).tolist(), strict=True))


def answer(table: pd.DataFrame) -> Cells:
    """Spread and leading cell at both ends, over the latest days that show them."""
    full, empty = (_end(table[table["end"] == end]) for end in ("full", "empty"))
    reason = None
    if full[0] is None and empty[0] is None:
        reason = (
            "Cell voltages say something only at full and near empty. Export them with the readings, "
            "and charge to full at least twice with the log running."
        )
    return Cells(
        spread_full_v=full[0],
        first_full_cell=full[1],
        days_full=full[2],
        spread_empty_v=empty[0],
        first_empty_cell=empty[1],
        days_empty=empty[2],
        reason=reason,
    )


def _end(rows: pd.DataFrame) -> tuple[Estimate | None, int | None, int]:
    if len(rows) < LEAST_DAYS:
        return None, None, len(rows)
    recent = rows.tail(RECENT)
    spread_v = recent["spread_v"].to_numpy(float)
    counts = recent["cell"].value_counts()
    same = counts.iloc[0] >= SAME_SHARE * len(recent)
    low_v, middle_v, high_v = np.percentile(spread_v, [5, 50, 95])
    return (
        Estimate(round(float(middle_v), 3), round(float(low_v), 3), round(float(high_v), 3)),
        int(counts.index[0]) if same else None,
        len(rows),
    )
