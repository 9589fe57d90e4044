"""Bypass: charge that comes or goes past the sensor, by a charger or a load wired to the pack's own poles.

In a charge balance it looks like an offset, but a far larger one than sensors have, or another than the sensor shows
while the board is open and nothing can flow. An offset is there all day and a charger is not, so what the balance says of
it must not be taken for more than it is.
"""

from __future__ import annotations

from typing import TYPE_CHECKING

import numpy as np

if TYPE_CHECKING:
    from collections.abc import Mapping

    import pandas as pd

MOST_OFFSET_A = 0.2
"""No shunt or clamp in order is further off than this (common practice, no source)."""
LEAST_OPEN_S = 300.0
ZERO_SIGMA_A = 0.01
"""Rounding and drift of a sensor's zero seen while no current can flow."""
ALONE_SIGMA_A, SIGMA_OF_MEDIAN = 0.05, 0.6745
"""A zero seen once may have been something that flowed after all (ours); median distance over 1 sd of a normal spread."""
SURELY, CONTRADICTS, LEAST_APART_A = 1.645, 3.0, 0.1


def zero_seen(tables: Mapping[str, pd.DataFrame]) -> tuple[float, float] | None:
    """What the sensor shows while the board is open and nothing can flow, A, with its variance; None where that was never."""
    zeros = tables["openings"]
    zeros = zeros[(zeros["open_s"] >= LEAST_OPEN_S) & zeros["zero_a"].notna()] if len(zeros) else zeros
    if len(zeros) and zeros["zero_a"].median() == 0.0:
        # a dead band swallows the zero: the offset lies within it
        zeros = zeros[zeros["least_a"].notna()]
        zeros = zeros.assign(zero_step_a=2 * zeros["least_a"])
    if not len(zeros):
        return None
    zero_a = float(zeros["zero_a"].median())
    apart_a = float((zeros["zero_a"] - zero_a).abs().median()) / SIGMA_OF_MEDIAN
    alone_a = ALONE_SIGMA_A / len(zeros)
    return zero_a, ZERO_SIGMA_A**2 + apart_a**2 + alone_a**2 + float(zeros["zero_step_a"].median()) ** 2 / 12


def past_sensor_a(offset_a: float, sigma_a: float, seen: tuple[float, float] | None) -> float | None:
    """What flows past the sensor on the average, A out of the pack; None where an offset may be all there is."""
    zero_a, variance = seen or (0.0, 0.0)
    apart_a = offset_a - zero_a
    contradicts_a = max(LEAST_APART_A, CONTRADICTS * float(np.hypot(sigma_a, variance**0.5)))
    contradicted = seen is not None and abs(apart_a) > contradicts_a
    too_large = abs(offset_a) - SURELY * sigma_a > MOST_OFFSET_A and abs(apart_a) > MOST_OFFSET_A / 2
    return apart_a if contradicted or too_large else None
