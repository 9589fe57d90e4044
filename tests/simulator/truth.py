"""Truth: what was put into a simulated pack, and what a laboratory would measure on it."""

from __future__ import annotations

import copy
from dataclasses import dataclass
from typing import TYPE_CHECKING, NamedTuple

import numpy as np

if TYPE_CHECKING:
    from tests.simulator.circuit import Circuit

FULL_V = 14.4
TAIL_C = 0.04
RATE_C = 0.2
CELL_EMPTY_V = 2.5
PACK_EMPTY_V = 10.0
TEST_DT_S = 10.0
JOIN_S = 1800
COLD_C_RATE = 0.005


@dataclass(frozen=True)
class ColdSpan:
    """Charging below 0 °C: true current above 0.5 % C while the cells are below freezing."""

    start_ms: int
    end_ms: int
    ah: float
    min_temperature_c: float
    logged: bool
    """Whether the export shows at least two such samples."""
    logged_samples: int
    logged_ah: float
    """The part of `ah` that went in while the log was kept."""


@dataclass(frozen=True)
class SuddenLossTruth:
    """When a cell lost charge at once, and by how much the pack's capacity fell."""

    time_ms: int
    ah: float


@dataclass(frozen=True)
class Truth:
    """Everything an answer can be held against."""

    kind: str
    seed: int
    capacity_ah_start: float
    capacity_ah_end: float
    current_offset_a: float
    gain_error: float
    cold_charging: tuple[ColdSpan, ...]
    equivalent_full_cycles_logged: float
    pack_resistance_milliohm_25c: float
    pack_resistance_milliohm_25c_start: float
    unseen_loss_percent_per_month: float
    """Self-discharge (mean over the temperatures met) and board draw, of rated, in 30 days."""
    parked_load_a: float
    dead_band_a: float
    sudden_loss: SuddenLossTruth | None
    lowest_soc_percent: float
    under_voltage_cutoffs: int
    over_current_trips: int
    proven_empties_logged: int
    """Under-voltage cut-offs at a moment that was logged."""
    days: int


class LaboratoryTest(NamedTuple):
    """What the test gave, [batch] each."""

    delivered_ah: np.ndarray
    missing_ah: np.ndarray
    """What its full charge lacks to a state of 1 of every cell, on the mean."""


def laboratory_test(circuit: Circuit, rated_ah: np.ndarray, discharge_c: float = 25.0) -> LaboratoryTest:
    """Ah from 14.4 V with a tail of 0.04 C, at 0.2 C and 25 °C, to 2.5 V of a cell or 10.0 V of the pack.

    The test is run on a copy: charge from 60 %, an hour of rest, discharge (at `discharge_c`, 25 °C unless told).
    """
    bench = copy.deepcopy(circuit)
    batch = len(rated_ah)
    bench.dt_s = TEST_DT_S
    bench.soc = np.full_like(bench.soc, 0.6)
    bench.__post_init__()
    charging = np.ones(batch, bool)
    for _ in range(round(9 * 3600 / TEST_DT_S)):
        room = (FULL_V - bench.emf()) / bench.charge_ohm
        current = np.where(charging, np.clip(room, 0.0, 0.3 * rated_ah), 0.0)
        charging &= ~((current < TAIL_C * rated_ah) & (bench.emf() + bench.pack_ohm * current > FULL_V - 0.05))
        bench.advance(np.where(charging, current, 0.0))
        # Top balancing: every cell reaches full together, as on a pack that was held there.
        bench.soc += 0.02 * (bench.soc.mean(0) - bench.soc)
        if not charging.any():
            break
    missing_ah = ((1.0 - bench.soc) * bench.cell_ah).mean(0)
    for _ in range(round(3600 / TEST_DT_S)):
        bench.emf()
        bench.advance(np.zeros(batch))
    bench.set_temperature(np.full(batch, discharge_c))
    delivered = np.zeros(batch)
    going = np.ones(batch, bool)
    for _ in range(round(8 * 3600 / TEST_DT_S)):
        current = np.where(going, -RATE_C * rated_ah, 0.0)
        pack_v = bench.emf() + bench.pack_ohm * current
        going &= ~((bench.lowest_cell_v(current) < CELL_EMPTY_V) | (pack_v < PACK_EMPTY_V))
        current = np.where(going, current, 0.0)
        delivered -= current * TEST_DT_S / 3600.0
        bench.advance(current)
        if not going.any():
            break
    return LaboratoryTest(delivered, missing_ah)


def cold_spans(
    time_ms: np.ndarray,
    current_a: np.ndarray,
    temperature_c: np.ndarray,
    shown: np.ndarray,
    logged: np.ndarray,
    rated_ah: float,
    dt_s: float,
) -> tuple[ColdSpan, ...]:
    """Spans of cold charging in series of one pack; `shown` marks the steps that were sampled, `logged` the time the log was kept."""
    cold = np.flatnonzero((current_a > COLD_C_RATE * rated_ah) & (temperature_c < 0.0))
    if not cold.size:
        return ()
    cuts = np.flatnonzero(np.diff(time_ms[cold]) > JOIN_S * 1000) + 1
    return tuple(
        ColdSpan(
            start_ms=int(time_ms[part[0]]),
            end_ms=int(time_ms[part[-1]]),
            ah=float(current_a[part].sum() * dt_s / 3600.0),
            min_temperature_c=float(temperature_c[part].min()),
            logged=int(shown[part].sum()) >= 2,
            logged_samples=int(shown[part].sum()),
            logged_ah=float(current_a[part][logged[part]].sum() * dt_s / 3600.0),
        )
        for part in np.split(cold, cuts)
    )
