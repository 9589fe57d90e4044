"""Resistance: ohmic resistance of the pack from load steps, referred to 25 °C.

R = −ΔV/ΔI over a step (the direct-current method of IEC 61960, from secondary sources), scaled by
R25 = R_T·exp[−Ea/R·(1/T − 1/298.15 K)] with Ea = 17 ± 4 kJ/mol fitted to the US26650 table of
Naumann (thesis TUM 2018). Samples further apart than two seconds see polarisation too, so they
are refused rather than called ohmic.
"""

from __future__ import annotations

from typing import TYPE_CHECKING

import numpy as np

from logbook.analysis.slope import theil_sen
from logbook.schema.estimate import Estimate
from logbook.schema.health import Resistance
from logbook.units import DAYS_PER_YEAR, GAS_CONSTANT_J_PER_MOL_K, MS_PER_DAY, kelvin_from_celsius

if TYPE_CHECKING:
    import pandas as pd
    from numpy.typing import ArrayLike, NDArray

LONGEST_S = 2.0
LEAST_STEPS = 8
WARM_C = (5.0, 40.0)
SOC_PERCENT = (20.0, 95.0)
POLARISATION_SIGMA = 0.06
"""Share by which one or two seconds of polarisation may raise the figure, 1 sd; ours."""
ACTIVATION_J_PER_MOL, ACTIVATION_SIGMA_J_PER_MOL = 17_000.0, 4_000.0
"""Resistance against temperature, 17 ± 4 kJ/mol: fit to the US26650 table of Naumann (thesis TUM 2018)."""
JOINTS_SHARE, JOINTS_SIGMA = 0.15, 0.1
"""Share of the pack's resistance at 25 °C that is lugs, bars and the board's switches, half to one of three to five
milliohms; it does not follow the cells' temperature (common practice, no source)."""
LEAST_TREND_DAYS = 330.0


def temperature_factor(temperature_c: ArrayLike) -> NDArray[np.float64]:
    """Resistance of a cell at a temperature over that at 25 °C, valid from 5 to 40 °C."""
    kelvin = kelvin_from_celsius(np.asarray(temperature_c, float))
    return np.exp(ACTIVATION_J_PER_MOL / GAS_CONSTANT_J_PER_MOL_K * (1 / kelvin - 1 / kelvin_from_celsius(25.0)))


def pack_factor(temperature_c: ArrayLike) -> NDArray[np.float64]:
    """The same of a whole pack, whose joints do not follow the temperature."""
    return np.asarray(JOINTS_SHARE + (1.0 - JOINTS_SHARE) * temperature_factor(temperature_c))


def resistance(steps: pd.DataFrame, interval_s: float | None) -> Resistance:
    """Median of the steps at 25 °C with its interval and trend, or why there is none."""
    if steps.empty or not (steps["gap_s"] <= LONGEST_S).any():
        seen = f"The readings are {interval_s:.0f} s apart" if interval_s else "There are too few readings"
        if interval_s and interval_s <= LONGEST_S:
            seen = "No load step was seen"
        return Resistance(
            None,
            None,
            f"{seen}; a load step shows resistance only with readings a second or two apart. Log at 1 s while a big load starts.",
        )
    soc = steps["soc_percent"]
    chosen = steps[
        (steps["gap_s"] <= LONGEST_S)
        & steps["temperature_c"].between(*WARM_C)
        & (soc.between(*SOC_PERCENT) | soc.isna())
    ]
    if len(chosen) < LEAST_STEPS:
        return Resistance(
            None,
            None,
            f"Only {len(chosen)} load steps at 5 to 40 °C and 20 to 95 % charge were seen; {LEAST_STEPS} are needed.",
        )
    ohm = (chosen["step_v"] / chosen["step_a"]).to_numpy(float) / pack_factor(chosen["temperature_c"])
    milliohm = 1000 * ohm[ohm > 0]
    if len(milliohm) < LEAST_STEPS:
        return Resistance(
            None, None, "Voltage and current do not move together at load steps, so no resistance can be read."
        )
    value = float(np.median(milliohm))
    spread = 1.4826 * float(np.median(np.abs(milliohm - value))) / np.sqrt(len(milliohm)) * 1.25
    away = np.median(1 / kelvin_from_celsius(chosen["temperature_c"].to_numpy(float))) - 1 / kelvin_from_celsius(25.0)
    activation = float(abs(away) * ACTIVATION_SIGMA_J_PER_MOL / GAS_CONSTANT_J_PER_MOL_K * value)
    usual_c = float(chosen["temperature_c"].median())
    joints = abs(float(temperature_factor(usual_c)) - 1.0) / float(pack_factor(usual_c)) * JOINTS_SIGMA * value
    down = float(np.linalg.norm([spread, POLARISATION_SIGMA * value, activation, joints]))
    estimate = Estimate(
        round(value, 3),
        round(value - 1.645 * down, 3),
        round(value + 1.645 * float(np.linalg.norm([spread, 0.03 * value, activation, joints])), 3),
    )
    return Resistance(estimate, *_trend(chosen, ohm, value))


def _trend(chosen: pd.DataFrame, ohm: NDArray[np.float64], value: float) -> tuple[Estimate | None, str | None]:
    years = chosen["start_ms"].to_numpy(float) / (MS_PER_DAY * DAYS_PER_YEAR)
    if np.ptp(years) * DAYS_PER_YEAR < LEAST_TREND_DAYS:
        return None, "A trend of resistance needs load steps over a year: over less, the seasons go into it."
    days = (chosen["start_ms"].to_numpy() // MS_PER_DAY).astype(int)
    unique = np.unique(days)
    daily = np.array([np.median(ohm[days == day]) for day in unique]) * 1000
    trend = theil_sen(unique / DAYS_PER_YEAR, daily).slope_per_year.scaled(100 / value)
    return Estimate(round(trend.value, 2), round(trend.low, 2), round(trend.high, 2)), None
