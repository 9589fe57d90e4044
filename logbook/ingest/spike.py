"""Spikes: single samples that no battery can show; surges and zero volts are real and stay."""

from __future__ import annotations

from typing import TYPE_CHECKING

import numpy as np

from logbook.units import MS_PER_HOUR

if TYPE_CHECKING:
    from numpy.typing import NDArray

    from logbook.ingest.frame import Frame
    from logbook.ingest.ledger import Ledger

NEAR_MS = MS_PER_HOUR // 4
VOLTAGE_FACTOR = 1.35
"""One sample a third above both neighbours is above what any charger holds."""
LEAST_LEAP_V = 4.0
SURGE_A = 250.0
LEAST_OHM = 1e-4
"""A real surge of that size moves the voltage by more than 0.1 mΩ times it."""
SOC_STEP = 20.0
SOC_AGREE = 2.0


def without_spikes(frame: Frame, ledger: Ledger) -> Frame:
    """Cells with lone spikes left empty; rows in ascending time."""
    if len(frame) < 3:
        return frame
    for name, leap, test in (
        ("voltage_v", LEAST_LEAP_V, _voltage),
        ("current_a", 0.9 * SURGE_A, _current),
        ("soc_percent", SOC_STEP, _soc),
    ):
        if frame.has(name):
            rows = _leaps(frame.get(name), frame.ts_ms, leap)
            rows = rows[test(frame, rows)]
            if len(rows):
                ledger.repair(
                    f"spike ({name})", "one sample far from both its neighbours, left empty", frame.lines[rows]
                )
                values = frame.get(name).copy()
                values[rows] = np.nan
                frame = frame.with_columns(**{name: values})
    return frame


def _leaps(values: NDArray[np.float64], ts_ms: NDArray[np.int64], least: float) -> NDArray[np.intp]:
    """Rows that lie further than `least` from both their neighbours, which are near in time."""
    far = np.abs(np.diff(values)) > least
    rows = np.flatnonzero(far[1:] & far[:-1]) + 1
    near = (ts_ms[rows + 1] - ts_ms[rows] <= NEAR_MS) & (ts_ms[rows] - ts_ms[rows - 1] <= NEAR_MS)
    return rows[near]


def _voltage(frame: Frame, rows: NDArray[np.intp]) -> NDArray[np.bool_]:
    values = frame.get("voltage_v")
    beside = np.maximum(values[rows - 1], values[rows + 1])
    lowest = np.minimum(values[rows - 1], values[rows + 1])
    return (values[rows] > VOLTAGE_FACTOR * beside) & (lowest > LEAST_LEAP_V)


def _current(frame: Frame, rows: NDArray[np.intp]) -> NDArray[np.bool_]:
    values, voltage = frame.get("current_a"), frame.get("voltage_v")
    size = np.abs(values[rows])
    lone = (size > SURGE_A) & (size > 10 * np.abs(values[rows - 1])) & (size > 10 * np.abs(values[rows + 1]))
    sag = np.maximum(np.abs(voltage[rows] - voltage[rows - 1]), np.abs(voltage[rows] - voltage[rows + 1]))
    return lone & (sag < LEAST_OHM * size)


def _soc(frame: Frame, rows: NDArray[np.intp]) -> NDArray[np.bool_]:
    values = frame.get("soc_percent")
    return np.abs(values[rows - 1] - values[rows + 1]) <= SOC_AGREE
