"""Open-circuit voltage of a LiFePO4 cell against its state of charge, with what it cannot tell.

The table is our own rounded mean of three public ones at 25 °C: the US26650 cell (Naumann, thesis
TUM 2018; BSD-3 table of an open TUM simulation tool), the LiFePO4/graphite 18650 set of the BPX
examples, and the C/32 breakpoints of Sunil et al. 2025 (IEEE TIM). Hysteresis half-gap 20 mV
a cell: 17 to 30 mV in the first table; 12 mV in Jahn et al. 2024, doi 10.1038/s44172-024-00221-4.
"""

from __future__ import annotations

from typing import TYPE_CHECKING

import numpy as np

if TYPE_CHECKING:
    from numpy.typing import ArrayLike, NDArray

SOC = np.array(
    [0.0, 0.01, 0.02, 0.05, 0.10, 0.15, 0.20, 0.25, 0.30, 0.40, 0.50, 0.60, 0.70, 0.80, 0.90, 0.95, 0.98, 0.99, 1.0]
)
"""State of charge, 0 to 1."""
CELL_V = np.array(
    [
        2.50,
        2.79,
        2.90,
        3.09,
        3.195,
        3.212,
        3.234,
        3.256,
        3.272,
        3.285,
        3.292,
        3.300,
        3.313,
        3.328,
        3.335,
        3.339,
        3.345,
        3.365,
        3.50,
    ],
)
"""Mean of charge and discharge branch, V a cell; the empty end is where a discharge ends."""
HYSTERESIS_V = 0.020
"""Half the gap between the branches, V a cell."""
TABLE_SIGMA_V = 0.035
"""How far the three tables lie apart at the bottom, 1 sd in V a cell."""


def cell_voltage(soc: ArrayLike) -> NDArray[np.float64]:
    """Open-circuit voltage, V a cell, at a state of charge from 0 to 1."""
    return np.interp(np.asarray(soc, float), SOC, CELL_V)


def soc_discharging(cell_v: ArrayLike) -> NDArray[np.float64]:
    """State of charge, 0 to 1, from an open-circuit voltage on the discharge branch."""
    return np.interp(np.asarray(cell_v) + _hysteresis(cell_v), CELL_V, SOC)


def soc_sigma(cell_v: ArrayLike) -> NDArray[np.float64]:
    """Standard deviation of that state of charge, 0 to 1, from the spread of tables and hysteresis."""
    centre = np.asarray(cell_v) + _hysteresis(cell_v)
    spread = np.interp(centre + TABLE_SIGMA_V, CELL_V, SOC) - np.interp(centre - TABLE_SIGMA_V, CELL_V, SOC)
    return np.maximum(0.003, spread / 2)


def _hysteresis(cell_v: ArrayLike) -> NDArray[np.float64]:
    """Branch offset, fading out below the knee where the curve is steep."""
    return HYSTERESIS_V * np.clip((np.asarray(cell_v) - 2.5) / 0.6, 0.0, 1.0)
