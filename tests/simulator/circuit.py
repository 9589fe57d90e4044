"""Circuit: four cells in series, each an open-circuit curve behind ohmic resistance, with shared polarisation.

Arrays are [cells, batch] or [batch]: one simulated pack per column, so that one loop over time serves many seeds.
"""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np

from tests.simulator import curve

GAS_CONSTANT = 8.314462618
REFERENCE_K = 298.15
CELLS = 4


def arrhenius(energy_kj_mol: np.ndarray, temperature_c: np.ndarray) -> np.ndarray:
    """Factor on a resistance at a temperature, 1 at 25 °C."""
    inverse = 1.0 / (temperature_c + 273.15) - 1.0 / REFERENCE_K
    return np.exp(energy_kj_mol * 1000.0 / GAS_CONSTANT * inverse)


@dataclass
class Circuit:
    """Parameters and state of a batch of packs; resistances in ohms at 25 °C, capacities in Ah."""

    tables: np.ndarray
    """[batch, points]: rest voltage of a cell."""
    cell_ah: np.ndarray
    """[cells, batch]: charge between state 0 and 1."""
    cell_ohm: np.ndarray
    """[cells, batch]: series resistance that follows Arrhenius."""
    link_ohm: np.ndarray
    """[batch]: bars, board and lugs, which do not."""
    fast_ohm: np.ndarray
    slow_ohm: np.ndarray
    fast_s: np.ndarray
    slow_s: np.ndarray
    series_kj: np.ndarray
    slow_kj: np.ndarray
    starved: np.ndarray
    """[batch]: how far the surface runs ahead of the bulk, hours at 25 °C (state per C-rate)."""
    starved_kj: np.ndarray
    hysteresis_v: np.ndarray
    """[batch]: half the gap of a cell."""
    hysteresis_rate: np.ndarray
    """[batch]: how often the hysteresis state is swept over one full charge."""
    efficiency: np.ndarray
    dt_s: float
    soc: np.ndarray
    """[cells, batch]."""

    def __post_init__(self) -> None:
        batch = self.link_ohm.shape[0]
        self.flat = np.ascontiguousarray(self.tables).ravel()
        self.base = (np.arange(batch) * self.tables.shape[1])[None, :]
        self.fast_a = np.zeros(batch)
        self.slow_a = np.zeros(batch)
        self.swing = np.zeros(batch)
        self.fast_keep = -np.expm1(-self.dt_s / self.fast_s)
        self.slow_keep = -np.expm1(-self.dt_s / self.slow_s)
        self.set_temperature(np.full(batch, 25.0))

    def set_temperature(self, temperature_c: np.ndarray) -> None:
        """Everything that hangs on temperature or present capacity; call it after either changed."""
        series = arrhenius(self.series_kj, temperature_c)
        slow = arrhenius(self.slow_kj, temperature_c)
        self.series_now = self.cell_ohm * series
        self.pack_ohm = self.series_now.sum(0) + self.link_ohm
        self.fast_now = self.fast_ohm * arrhenius(0.5 * (self.series_kj + self.slow_kj), temperature_c)
        self.slow_now = self.slow_ohm * slow
        mean_ah = self.cell_ah.mean(0)
        self.lead = self.starved * arrhenius(self.starved_kj, temperature_c) / mean_ah
        self.per_step = self.dt_s / 3600.0 / self.cell_ah
        self.sweep = self.hysteresis_rate * self.dt_s / 3600.0 / mean_ah
        # What the next step adds to the voltage for each ampere: keeps constant-voltage charging from swinging.
        stiff = CELLS * 120.0 * self.dt_s / 3600.0 / mean_ah
        self.charge_ohm = self.pack_ohm + CELLS * self.fast_now * self.fast_keep + stiff

    def emf(self) -> np.ndarray:
        """Pack voltage [batch] before the ohmic drop of this step's current."""
        place = self.soc + self.lead * self.slow_a
        place -= curve.LOWEST_SOC
        place *= curve.SCALE
        index = place.astype(np.intp)
        index += self.base
        self.rest_v = self.flat.take(index, mode="clip")
        self.over_v = self.hysteresis_v * self.swing + self.fast_now * self.fast_a + self.slow_now * self.slow_a
        return self.rest_v.sum(0) + CELLS * self.over_v

    def lowest_cell_v(self, current_a: np.ndarray) -> np.ndarray:
        """Voltage of the lowest cell [batch] at this step's current; after `emf`."""
        return (self.rest_v + self.series_now * current_a).min(0) + self.over_v

    def highest_cell_v(self, current_a: np.ndarray) -> np.ndarray:
        """Voltage of the highest cell [batch]; after `emf`."""
        return (self.rest_v + self.series_now * current_a).max(0) + self.over_v

    def advance(self, current_a: np.ndarray, unseen_a: np.ndarray | float = 0.0) -> None:
        """One step of dt_s with a current into the pack and what leaves the cells beside it."""
        self.fast_a += self.fast_keep * (current_a - self.fast_a)
        self.slow_a += self.slow_keep * (current_a - self.slow_a)
        self.swing += self.sweep * (current_a - np.abs(current_a) * self.swing)
        stored = current_a - (1.0 - self.efficiency) * np.maximum(current_a, 0.0) - unseen_a
        self.soc += stored * self.per_step
