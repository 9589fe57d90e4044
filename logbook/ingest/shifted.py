"""Shifted rows: a cell is missing or doubled, and every value after it stands in its neighbour's column."""

from __future__ import annotations

from typing import TYPE_CHECKING

import numpy as np

from logbook.ingest.run import thinned

if TYPE_CHECKING:
    from collections.abc import Sequence

    from numpy.typing import NDArray

    from logbook.ingest.frame import Frame
    from logbook.ingest.ledger import Ledger

AROUND = 0.15
"""A value within 15 % of the usual voltage looks like a voltage."""
LEAST_SHARE = 0.2
MOST_ROWS = 0.05
WRONG_COLUMNS = "its values stand in the wrong columns"


def without_shifted(frame: Frame, order: Sequence[str], ledger: Ledger) -> Frame:
    """Rows whose voltage stands in a neighbouring column set aside; `order` is that of the file's columns."""
    names = [name for name in order if name in frame.columns]
    if "voltage_v" not in names or len(names) < 3:
        return frame
    voltage = frame.get("voltage_v")
    held = thinned(voltage)
    held = held[held > 0.5]
    if not len(held):
        return frame
    usual = float(np.median(held))
    place = names.index("voltage_v")
    sides = [names[index] for index in (place - 1, place + 1) if 0 <= index < len(names)]
    impossible = (
        np.isnan(voltage)
        | (voltage < -0.5)
        | (voltage > 1.8 * usual)
        | ((voltage > 0.5) & (voltage < LEAST_SHARE * usual) & _lacks_last(frame, names))
    )
    if not impossible.any():
        return frame
    moved = np.zeros(len(frame), bool)
    for side in sides:
        values = frame.get(side)
        moved |= impossible & (np.abs(values - usual) <= AROUND * usual) & _unlike(frame, side, usual)
    moved |= impossible & ~np.isnan(voltage) & _lacks_last(frame, names)
    if not moved.any() or moved.mean() > MOST_ROWS:
        return frame
    ledger.set_aside(frame.lines[moved], WRONG_COLUMNS)
    return frame.take(~moved)


def _lacks_last(frame: Frame, names: Sequence[str]) -> NDArray[np.bool_]:
    """Rows whose last column is empty though it is usually full."""
    last = np.isnan(frame.get(names[-1]))
    return last if last.mean() < MOST_ROWS else np.zeros(len(frame), bool)


def _unlike(frame: Frame, side: str, usual: float) -> NDArray[np.bool_]:
    """Whether the neighbouring column seldom holds such a value of its own."""
    values = frame.get(side)
    share = float((np.abs(values - usual) <= AROUND * usual).mean())
    return np.full(len(values), share < MOST_ROWS)
