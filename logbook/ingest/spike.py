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
    inner = np.diff(frame.ts_ms)
    near = (inner[1:] <= NEAR_MS) & (inner[:-1] <= NEAR_MS)
    for name, test in (("voltage_v", _voltage), ("current_a", _current), ("soc_percent", _soc)):
        if frame.has(name):
            rows = np.flatnonzero(test(frame) & near) + 1
            if len(rows):
                ledger.repair(
                    f"spike ({name})", "one sample far from both its neighbours, left empty", frame.lines[rows]
                )
                values = frame.get(name).copy()
                values[rows] = np.nan
                frame = frame.with_columns(**{name: values})
    return frame


def _sides(values: NDArray[np.float64]) -> tuple[NDArray[np.float64], NDArray[np.float64], NDArray[np.float64]]:
    return values[:-2], values[1:-1], values[2:]


def _voltage(frame: Frame) -> NDArray[np.bool_]:
    before, here, after = _sides(frame.get("voltage_v"))
    return (
        (here > VOLTAGE_FACTOR * before)
        & (here > VOLTAGE_FACTOR * after)
        & (here - np.maximum(before, after) > LEAST_LEAP_V)
        & (np.minimum(before, after) > LEAST_LEAP_V)
    )


def _current(frame: Frame) -> NDArray[np.bool_]:
    before, here, after = _sides(frame.get("current_a"))
    size = np.abs(here)
    lone = (size > SURGE_A) & (size > 10 * np.abs(before)) & (size > 10 * np.abs(after))
    if not lone.any() or not frame.has("voltage_v"):
        return lone if frame.has("voltage_v") else np.zeros(len(here), bool)
    v_before, v_here, v_after = _sides(frame.get("voltage_v"))
    sag = np.maximum(np.abs(v_here - v_before), np.abs(v_here - v_after))
    return lone & (sag < LEAST_OHM * size)


def _soc(frame: Frame) -> NDArray[np.bool_]:
    before, here, after = _sides(frame.get("soc_percent"))
    return (
        (np.abs(here - before) > SOC_STEP) & (np.abs(here - after) > SOC_STEP) & (np.abs(before - after) <= SOC_AGREE)
    )
