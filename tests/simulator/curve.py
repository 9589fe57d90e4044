"""Open-circuit curves: a parametrised shape of LiFePO4 against graphite, drawn anew for every seed.

The shape (two plateaus, a step between 60 and 80 %, a bend near 20 %, exponential ends) is common knowledge of
the chemistry; positions and heights are drawn from ranges around it, from memory, on purpose unlike any one table.
"""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np

LOWEST_SOC = -0.25
HIGHEST_SOC = 1.25
POINTS = 24_000
"""Table resolution: 1.5 / 24000 of the charge, below 2 mV a cell in the steepest place."""
SCALE = POINTS / (HIGHEST_SOC - LOWEST_SOC)


@dataclass(frozen=True)
class CurveShape:
    """Volts and fractions of charge that make one cell's rest curve."""

    base_v: float
    slope_v: float
    bend_v: float
    bend_at: float
    bend_width: float
    step_v: float
    step_at: float
    step_width: float
    knee_v: float
    knee_width: float
    top_v: float
    top_width: float

    def voltage(self, soc: np.ndarray) -> np.ndarray:
        """Rest voltage of one cell [V] at a state of charge [1]."""

        def rise(at: float, width: float) -> np.ndarray:
            return 1.0 / (1.0 + np.exp(-(soc - at) / width))

        knee = self.knee_v * np.exp(np.minimum(-soc / self.knee_width, 6.0))
        top = self.top_v * np.exp(np.minimum((soc - 1.0) / self.top_width, 2.0))
        body = self.base_v + self.slope_v * (soc - 0.5)
        body = body + self.bend_v * rise(self.bend_at, self.bend_width)
        body = body + self.step_v * rise(self.step_at, self.step_width)
        return np.maximum(body - knee + top, 0.5)

    def table(self) -> np.ndarray:
        """`voltage` on the even grid from LOWEST_SOC to HIGHEST_SOC."""
        return self.voltage(np.linspace(LOWEST_SOC, HIGHEST_SOC, POINTS + 1))


def draw_curve(rng: np.random.Generator) -> CurveShape:
    """One seed's curve."""
    return CurveShape(
        base_v=rng.uniform(3.203, 3.212),
        slope_v=rng.uniform(0.010, 0.028),
        bend_v=rng.uniform(0.070, 0.085),
        bend_at=rng.uniform(0.19, 0.24),
        bend_width=rng.uniform(0.03, 0.05),
        step_v=rng.uniform(0.020, 0.034),
        step_at=rng.uniform(0.62, 0.79),
        step_width=rng.uniform(0.012, 0.03),
        knee_v=rng.uniform(0.75, 1.15),
        knee_width=rng.uniform(0.018, 0.032),
        top_v=rng.uniform(0.18, 0.27),
        top_width=rng.uniform(0.003, 0.0075),
    )
