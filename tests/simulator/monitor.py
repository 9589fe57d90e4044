"""Monitor: turns true values into what an export shows, with offset, gain error, dead band, noise and rounding."""

from __future__ import annotations

from dataclasses import dataclass
from typing import TYPE_CHECKING

import numpy as np

from logbook.schema.reading import Readings

if TYPE_CHECKING:
    from tests.simulator.scenario import Scenario


@dataclass(frozen=True)
class Monitor:
    """One seed's monitor; steps are what it rounds to."""

    offset_a: float
    gain_error: float
    dead_band_a: float
    full_v: float
    """Above this with a small current it sets its count to 100 %."""
    voltage_step: float
    current_step: float
    temperature_step: float
    soc_step: float
    noise_v: float
    noise_a: float
    noise_c: float
    bias_c: float
    shows_temperature: bool
    shows_percentage: bool
    noise_seed: int

    def read(
        self,
        time_ms: np.ndarray,
        voltage_v: np.ndarray,
        current_a: np.ndarray,
        temperature_c: np.ndarray,
        soc_percent: np.ndarray,
    ) -> Readings:
        """Readings of one pack; all arrays [n]."""
        rng = np.random.default_rng(self.noise_seed)
        n = len(time_ms)
        amps = current_a * (1.0 + self.gain_error) + self.offset_a + rng.normal(0.0, self.noise_a, n)
        amps[np.abs(amps) < self.dead_band_a] = 0.0
        volts = voltage_v + rng.normal(0.0, self.noise_v, n)
        warmth = temperature_c + self.bias_c + rng.normal(0.0, self.noise_c, n)
        return Readings(
            ts_ms=time_ms,
            voltage_v=np.maximum(_rounded(volts, self.voltage_step), 0.0),
            current_a=_rounded(amps, self.current_step),
            temperature_c=_rounded(warmth, self.temperature_step) if self.shows_temperature else np.full(n, np.nan),
            soc_percent=_rounded(soc_percent, self.soc_step) if self.shows_percentage else np.full(n, np.nan),
        )


def _rounded(values: np.ndarray, step: float) -> np.ndarray:
    return np.round(np.round(values / step) * step, 3)


def draw_monitor(scenario: Scenario, rng: np.random.Generator) -> Monitor:
    """One seed's monitor."""
    return Monitor(
        offset_a=round(float(rng.uniform(*scenario.offset_a)), 3),
        gain_error=float(
            np.clip(rng.normal(0.0, scenario.gain_error), -2 * scenario.gain_error, 2 * scenario.gain_error)
        ),
        dead_band_a=round(float(rng.uniform(*scenario.dead_band_a)), 3),
        full_v=min(float(rng.uniform(13.6, 14.0)), scenario.absorption_v[0] - 0.2),
        voltage_step=0.01,
        current_step=float(rng.choice([0.01, 0.01, 0.1])),
        temperature_step=float(rng.choice([1.0, 1.0, 0.1])),
        soc_step=float(rng.choice([1.0, 0.1])),
        noise_v=float(rng.uniform(0.001, 0.005)),
        noise_a=float(rng.uniform(0.0, 0.01)),
        noise_c=float(rng.uniform(0.05, 0.4)),
        bias_c=0.0,
        shows_temperature=scenario.temperature_column,
        shows_percentage=scenario.soc_column,
        noise_seed=int(rng.integers(2**32)),
    )
