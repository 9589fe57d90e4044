"""Hold: a charger that keeps the pack at a voltage below that of full, until next to nothing flows.

A float of 13.5 V on four cells, or solar set for a gentle life. Cells held so come to the state of charge at which
they rest at that voltage after a charge: short of full by some percent, and known the worse the lower the voltage,
since the plateau begins at about 3.36 V a cell. Common practice, no source; the states of charge are measured ones.
"""

from __future__ import annotations

from typing import TYPE_CHECKING

import numpy as np

from logbook.units import MS_PER_S

if TYPE_CHECKING:
    from numpy.typing import NDArray

    from logbook.analysis.track import Track
    from logbook.schema.pack import Pack

CELL_V = np.array([3.370, 3.380, 3.390, 3.400])
SOC = np.array([0.978, 0.984, 0.987, 0.989])
SIGMA = np.array([0.035, 0.016, 0.011, 0.009])
"""Voltage after a charge and state of charge: means of four public cells, that of Jahn et al. 2024 (doi
10.1038/s44172-024-00221-4, its branch after a charge) and the three of `ocv` with their half gap; 1 sd for how far they
lie apart and for a voltmeter right to 5 mV a cell, which makes a voltage below these worthless. A pack and its charger stay what they are, so most of it is common
to a pack's holds (see `balance`)."""
HIGHEST_CELL_V = 3.45
SETTLED_S = 1800.0
"""Half an hour at one voltage: what a heavy charge left in the cells has mostly gone (ours)."""
FALLS_CELL_V, SPREAD_CELL_V = 0.003, 0.010
"""A pack whose charger has gone sinks by more; one that a charger holds stays within so much (ours)."""
LEAST_C_RATE = 0.002


def held_soc(cell_v: float) -> tuple[float, float]:
    """State of charge to which a charger that holds the cells at this voltage brings them, and its sigma, 0 to 1."""
    return float(np.interp(cell_v, CELL_V, SOC)), float(np.interp(cell_v, CELL_V, SIGMA))


def holds(track: Track, pack: Pack, rest_cell_v: NDArray[np.float64]) -> NDArray[np.bool_]:
    """Samples [n] at which a little current flows at such a voltage; `rest_cell_v` is without the drop of the current."""
    amps = track.readings.current_a
    with np.errstate(invalid="ignore"):
        small = (amps >= 0) & (amps <= pack.limits.tail_current_a / 2)
        return np.asarray(small & (rest_cell_v >= CELL_V[0]) & (rest_cell_v < HIGHEST_CELL_V))


def is_held(track: Track, pack: Pack, first: int, last: int) -> bool:
    """Whether a charger held the voltage from `first` to `last`, or the pack merely rests after a charge."""
    inside = slice(first, last + 1)
    times_s = (track.readings.ts_ms[inside] - track.readings.ts_ms[first]) / MS_PER_S
    late = times_s >= times_s[-1] - SETTLED_S
    volts, amps = track.readings.voltage_v[inside], track.readings.current_a[inside]
    with np.errstate(invalid="ignore"):
        volts = volts[late & np.isfinite(volts) & (amps >= 0) & (amps <= pack.limits.tail_current_a / 2)]
    if times_s[-1] < SETTLED_S or len(volts) < 3:
        return False
    third = len(volts) // 3
    fell_v = float(np.median(volts[:third]) - np.median(volts[-third:]))
    spread_v = float(np.subtract(*np.percentile(volts, [90, 10])))
    cells = pack.cells_in_series
    flowed = float(np.nanmax(amps)) >= LEAST_C_RATE * pack.rated_ah
    return flowed and fell_v <= FALLS_CELL_V * cells and spread_v <= SPREAD_CELL_V * cells
