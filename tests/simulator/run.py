"""Runs scenarios: one loop over time with arrays over the seeds, then each seed's monitor and truth."""

from __future__ import annotations

from dataclasses import dataclass
from datetime import UTC, datetime
from typing import TYPE_CHECKING

import numpy as np

from logbook.schema.pack import Limits, Pack
from tests.simulator.circuit import CELLS, Circuit, arrhenius
from tests.simulator.curve import draw_curve
from tests.simulator.monitor import Monitor, draw_monitor
from tests.simulator.truth import SuddenLossTruth, Truth, cold_spans, laboratory_test
from tests.simulator.usage import Usage, between, draw_usage

if TYPE_CHECKING:
    from collections.abc import Iterable, Sequence

    from logbook.schema.reading import Readings
    from tests.simulator.scenario import Scenario

BLOCK_S = 120.0
"""Temperature, charger stage, owner and monitor move at this pace."""
HEAT_CAPACITY_J_K_PER_AH = 110.0
"""A pack of 100 Ah weighs about 11 kg at 1000 J/kgK."""
FLOAT_V = 13.5
REBULK_V = 13.2
STATE_S = 600.0
TRIP_HOLD_S = 60.0
COLD_RELEASE_C = 3.0
RETRY_BLOCKS = 12
FIRST_YEAR_MS = round(datetime(2023, 1, 1, tzinfo=UTC).timestamp() * 1000)


@dataclass(frozen=True, eq=False)
class Simulated:
    """What a monitor exported, the pack it belongs to, and the truth behind it."""

    readings: Readings
    pack: Pack
    truth: Truth
    state_ms: np.ndarray
    """[m] int64: times of `state`, every 10 minutes."""
    state: np.ndarray
    """[m] float32: share of the present capacity (as `Truth` defines it) that is still in the pack."""


def simulate(scenario: Scenario, seeds: Iterable[int]) -> list[Simulated]:
    """The scenario once for every seed; the same seed gives the same result in any company."""
    return simulate_many([(scenario, seed) for seed in seeds])


def simulate_many(cases: Sequence[tuple[Scenario, int]]) -> list[Simulated]:
    """Scenarios mixed in one run, grouped by step and length (a batch of 50 costs little more than one)."""
    done: dict[int, Simulated] = {}
    groups: dict[tuple[float, int], list[int]] = {}
    for place, (scenario, _) in enumerate(cases):
        groups.setdefault((scenario.dt_s, scenario.days), []).append(place)
    for places in groups.values():
        batch = Batch([Vehicle(*cases[place]) for place in places])
        batch.run()
        done.update(zip(places, batch.results(), strict=True))
    return [done[place] for place in range(len(cases))]


class Vehicle:
    """Everything one seed draws; nothing is drawn later."""

    def __init__(self, scenario: Scenario, seed: int) -> None:
        rng = np.random.default_rng([seed, *scenario.kind.encode()])
        self.scenario, self.seed = scenario, seed
        self.rated_ah = float(rng.choice(scenario.rated_ah))
        self.first_day = int(rng.integers(0, 365))
        self.start_ms = FIRST_YEAR_MS + self.first_day * 86_400_000
        size = 100.0 / self.rated_ah
        target = between(rng, scenario.capacity)
        self.curve = draw_curve(rng)
        self.cell_ah = self.rated_ah * target * 1.025 * (1.0 + np.abs(rng.normal(0.0, 0.004, CELLS)))
        wear = max(0.0, 1.0 - target)
        ohm = rng.uniform(0.55e-3, 0.95e-3) * size * (1.0 + 1.2 * wear)
        self.cell_ohm = ohm * (1.0 + rng.normal(0.0, 0.04, CELLS))
        self.link_ohm = rng.uniform(0.4e-3, 1.5e-3) * size**0.7
        self.fast_ohm, self.fast_s = ohm * rng.uniform(0.3, 0.7), rng.uniform(12.0, 60.0)
        self.slow_ohm, self.slow_s = ohm * rng.uniform(0.4, 1.0), rng.uniform(700.0, 2400.0)
        self.series_kj, self.slow_kj = rng.uniform(13.0, 22.0), rng.uniform(28.0, 45.0)
        self.starved, self.starved_kj = rng.uniform(0.015, 0.04), rng.uniform(32.0, 48.0)
        self.hysteresis_v, self.hysteresis_rate = rng.uniform(0.006, 0.02), rng.uniform(8.0, 30.0)
        self.efficiency = rng.uniform(0.9985, 1.0)
        self.fade, self.root_share = between(rng, scenario.fade_per_year), rng.random()
        self.age_years = rng.uniform(0.1, 3.0)
        self.ohm_growth = rng.uniform(0.01, 0.08)
        self.lag_h = rng.uniform(1.5, 5.0)
        self.absorption_v = between(rng, scenario.absorption_v)
        self.tail_a = between(rng, scenario.absorption_tail) * self.rated_ah
        self.tail_hold_s = rng.uniform(300.0, 2400.0)
        self.board_a = between(rng, scenario.board_a)
        self.leak_month = between(rng, scenario.self_discharge_month)
        self.leak_kj = rng.uniform(35.0, 55.0)
        self.parked_a = between(rng, scenario.parked_a)
        self.open_v = rng.uniform(0.0, 6.0)
        self.block_below_c = rng.uniform(-1.0, 1.0)
        self.blocked_shows_source = rng.random() < 0.5
        self.block_retries = rng.random() < 0.5
        self.trip_a = self.rated_ah * rng.uniform(0.97, 1.04)
        self.start_soc = rng.uniform(0.7, 1.0)
        self.monitor: Monitor = draw_monitor(scenario, rng)
        self.loss_day, self.loss_share, self.loss_cell, self.loss_ohm = -1, 0.0, 0, 1.0
        if scenario.sudden_loss is not None:
            self.loss_day = int(rng.uniform(0.3, 0.7) * scenario.days)
            self.loss_share = between(rng, scenario.sudden_loss)
            self.loss_cell = int(rng.integers(CELLS))
            self.loss_ohm = rng.uniform(1.2, 2.2)
        self.usage: Usage = draw_usage(scenario, rng, self.rated_ah, self.first_day)

    def remaining(self, day: float) -> float:
        """Share of the starting charge left after gradual fade: part square root, part straight line."""
        years = day / 365.25
        full_year = np.sqrt(self.age_years + 1.0) - np.sqrt(self.age_years)
        root = (np.sqrt(self.age_years + years) - np.sqrt(self.age_years)) / full_year
        return 1.0 - self.fade * (self.root_share * root + (1.0 - self.root_share) * years)


class Batch:
    """State and records of one run."""

    def __init__(self, vehicles: list[Vehicle]) -> None:
        self.vehicles = vehicles
        self.dt_s, self.days = vehicles[0].scenario.dt_s, vehicles[0].scenario.days
        self.day_steps = round(86_400 / self.dt_s)
        self.block = round(BLOCK_S / self.dt_s)
        self.rated = self._row("rated_ah")
        self.circuit = Circuit(
            tables=np.array([vehicle.curve.table() for vehicle in vehicles]),
            cell_ah=np.array([vehicle.cell_ah for vehicle in vehicles]).T.copy(),
            cell_ohm=np.array([vehicle.cell_ohm for vehicle in vehicles]).T.copy(),
            link_ohm=self._row("link_ohm"),
            fast_ohm=self._row("fast_ohm"),
            slow_ohm=self._row("slow_ohm"),
            fast_s=self._row("fast_s"),
            slow_s=self._row("slow_s"),
            series_kj=self._row("series_kj"),
            slow_kj=self._row("slow_kj"),
            starved=self._row("starved"),
            starved_kj=self._row("starved_kj"),
            hysteresis_v=self._row("hysteresis_v"),
            hysteresis_rate=self._row("hysteresis_rate"),
            efficiency=self._row("efficiency"),
            dt_s=self.dt_s,
            soc=np.ones((CELLS, len(vehicles))),
        )
        # Balanced at the top: every cell misses the same charge.
        missing_ah = (1.0 - self._row("start_soc")) * self.circuit.cell_ah.mean(0)
        self.circuit.soc = 1.0 - missing_ah / self.circuit.cell_ah
        self.first_ah = self.circuit.cell_ah.copy()
        self.first_ohm = self.circuit.cell_ohm.copy()
        self.capacity_start, self.full_missing_ah = laboratory_test(self.circuit, self.rated)
        self.resistance_start = self._pack_milliohm()
        steps, batch = self.days * self.day_steps, len(vehicles)
        self.load = np.array([vehicle.usage.load_a for vehicle in vehicles]).T.copy()
        self.source = np.array([vehicle.usage.source_a for vehicle in vehicles]).T.copy()
        self.current = np.zeros((steps, batch), np.float32)
        self.voltage = np.zeros((steps, batch), np.float32)
        blocks = steps // self.block
        self.temperature = np.zeros((blocks, batch), np.float32)
        self.reported = np.zeros((blocks, batch), np.float32)
        self.missing_ah = np.zeros((blocks, batch), np.float32)
        self.cutoffs: list[list[int]] = [[] for _ in vehicles]
        self.trips = np.zeros(batch, int)
        self.lowest = np.ones(batch)
        self.leaked_ah = np.zeros(batch)
        self.losses: dict[int, tuple[float, float]] = {}

    def _row(self, name: str) -> np.ndarray:
        return np.array([getattr(vehicle, name) for vehicle in self.vehicles], float)

    def _pack_milliohm(self) -> np.ndarray:
        return 1000.0 * (self.circuit.cell_ohm.sum(0) + self.circuit.link_ohm)

    def run(self) -> None:
        """The whole time."""
        self._begin()
        ambient = np.array([vehicle.usage.ambient_c for vehicle in self.vehicles])
        floors = np.array([vehicle.usage.floor for vehicle in self.vehicles])
        hour_of_block = np.arange(self.day_steps // self.block) * BLOCK_S / 3600.0
        self.cells_c = ambient[:, 0].copy()
        for day in range(self.days):
            self._age(day)
            for place, hour in enumerate(hour_of_block):
                whole = day * 24 + int(hour)
                outside = ambient[:, whole] + (hour % 1.0) * (ambient[:, whole + 1] - ambient[:, whole])
                self._slow(day * len(hour_of_block) + place, outside, floors[:, day])
        self.capacity_end = laboratory_test(self.circuit, self.rated).delivered_ah

    def _begin(self) -> None:
        batch = len(self.vehicles)
        self.set_v = self._row("absorption_v")
        self.absorption_v = self.set_v.copy()
        self.floating = np.zeros(batch, bool)
        self.tail_s = np.zeros(batch)
        self.open = np.zeros(batch, bool)
        self.asleep_v = self._row("open_v")
        self.trip_left_s = np.zeros(batch)
        self.load_cut = np.zeros(batch, bool)
        self.charge_blocked = np.zeros(batch, bool)
        self.blocks_charge = np.array([vehicle.scenario.charge_block for vehicle in self.vehicles])
        self.shows_source = self._row("blocked_shows_source") > 0
        self.retries = self._row("block_retries") > 0
        self.block_c = self._row("block_below_c")
        self.cut_v = np.array([vehicle.scenario.load_cut_v for vehicle in self.vehicles])
        self.parked = self._row("parked_a")
        self.trip_a = self._row("trip_a")
        self.tail_a, self.hold_s = self._row("tail_a"), self._row("tail_hold_s")
        self.lag_s = self._row("lag_h") * 3600.0
        self.leak = self._row("leak_month") / 720.0
        self.leak_kj, self.board = self._row("leak_kj"), self._row("board_a")
        self.count = np.full(batch, 100.0) * self._row("start_soc")
        self.gain = 1.0 + np.array([vehicle.monitor.gain_error for vehicle in self.vehicles])
        self.offset = np.array([vehicle.monitor.offset_a for vehicle in self.vehicles])
        self.dead = np.array([vehicle.monitor.dead_band_a for vehicle in self.vehicles])
        self.full_v = np.array([vehicle.monitor.full_v for vehicle in self.vehicles])
        self.full_s = np.zeros(batch)
        self.surge_steps = (self.load > 0.8 * self.trip_a).any(1).tolist()
        self.tripping = False

    def _age(self, day: int) -> None:
        left = np.array([vehicle.remaining(day) for vehicle in self.vehicles])
        self.circuit.cell_ah = self.first_ah * left
        self.circuit.cell_ohm = self.first_ohm * (1.0 + self._row("ohm_growth") * day / 365.25)
        for place, vehicle in enumerate(self.vehicles):
            if day == vehicle.loss_day:
                before = laboratory_test(self.circuit, self.rated).delivered_ah[place]
                self.first_ah[vehicle.loss_cell, place] *= 1.0 - vehicle.loss_share
                self.first_ohm[vehicle.loss_cell, place] *= vehicle.loss_ohm
                self.circuit.cell_ah = self.first_ah * left
                self.circuit.cell_ohm = self.first_ohm * (1.0 + self._row("ohm_growth") * day / 365.25)
                after = laboratory_test(self.circuit, self.rated).delivered_ah[place]
                self.losses[place] = (vehicle.start_ms + day * 86_400_000, float(before - after))

    def _slow(self, block: int, outside_c: np.ndarray, floor: np.ndarray) -> None:
        """One block: what moves slowly, then its steps."""
        circuit = self.circuit
        self.temperature[block] = self.cells_c
        circuit.set_temperature(self.cells_c)
        mean_soc = circuit.soc.mean(0)
        self.missing_ah[block] = ((1.0 - circuit.soc) * circuit.cell_ah).mean(0)
        awake = mean_soc > -0.04
        leak_a = (
            self.leak * circuit.cell_ah.mean(0) * np.clip(mean_soc, 0.1, 1.0) / arrhenius(self.leak_kj, self.cells_c)
        )
        unseen = np.where(awake, leak_a + self.board, 0.0)
        self.leaked_ah += unseen * BLOCK_S / 3600.0
        keep = np.where((mean_soc < floor) | self.load_cut, 0.0, 1.0)
        self._block_cold(block)
        self.set_v = np.where(self.floating, FLOAT_V, self.absorption_v)
        low = bool((mean_soc < 0.16).any()) or bool(self.open.any())
        first = block * self.block
        for step in range(first, first + self.block):
            self._fast(step, keep, unseen, low=low)
        span = slice(first, first + self.block)
        current = self.current[span].mean(0)
        pack_v = self.voltage[first + self.block - 1]
        heat_w = (self.current[span] ** 2).mean(0) * circuit.pack_ohm
        warming = heat_w * BLOCK_S / (HEAT_CAPACITY_J_K_PER_AH * self.rated)
        self.cells_c = self.cells_c + (outside_c - self.cells_c) * -np.expm1(-BLOCK_S / self.lag_s) + warming
        self._charger(self.source[span].mean(0), current, pack_v)
        self._counter(block, self._shown_a(self.current[span], slice(None)).mean(0), pack_v)
        self.load_cut = np.where(self.load_cut, pack_v < self.cut_v + 0.9, pack_v < self.cut_v)
        high = pack_v > 13.9
        circuit.soc += np.where(high, 0.004, 0.0) * (mean_soc - circuit.soc)
        self.lowest = np.minimum(self.lowest, mean_soc)

    def _block_cold(self, block: int) -> None:
        below = self.cells_c < self.block_c
        warm = self.cells_c > self.block_c + COLD_RELEASE_C
        blocked = self.blocks_charge & (below | (self.charge_blocked & ~warm))
        self.charge_blocked = blocked
        retry = self.retries & (block % RETRY_BLOCKS == 0)
        self.refused = blocked & ~retry
        self.refusing = bool(self.refused.any())

    def _charger(self, source: np.ndarray, current: np.ndarray, pack_v: np.ndarray) -> None:
        tail = (pack_v > self.absorption_v - 0.06) & (current < self.tail_a) & (source > self.tail_a)
        self.tail_s = np.where(tail, self.tail_s + BLOCK_S, 0.0)
        self.floating |= self.tail_s >= self.hold_s
        self.floating &= ~((source <= 0.0) | (pack_v < REBULK_V))

    def _shown_a(self, current: np.ndarray, places: slice | int) -> np.ndarray:
        """What the monitors of these places take the current for, noise aside."""
        shown = current * self.gain[places] + self.offset[places]
        return np.where(np.abs(shown) < self.dead[places], 0.0, shown)

    def _counter(self, block: int, shown: np.ndarray, pack_v: np.ndarray) -> None:
        """The monitor's own state of charge: a count against the rating, reset at what it takes for full."""
        self.reported[block] = self.count
        self.count = np.clip(self.count + shown * BLOCK_S / 36.0 / self.rated, 0.0, 100.0)
        at_full = (pack_v > self.full_v) & (shown < 0.04 * self.rated)
        self.full_s = np.where(at_full, self.full_s + BLOCK_S, 0.0)
        self.count = np.where(self.full_s >= 2 * BLOCK_S, 100.0, self.count)

    def _percent(self, place: int, current: np.ndarray) -> np.ndarray:
        """What one monitor's count stood at when each step began, [steps]."""
        moved = self._shown_a(current, place).reshape(-1, self.block) * self.dt_s / 36.0 / self.rated[place]
        before = np.cumsum(moved, axis=1) - moved
        return np.clip(self.reported[:, place, None] + before, 0.0, 100.0).ravel()

    def _fast(self, step: int, keep: np.ndarray, unseen: np.ndarray, *, low: bool) -> None:
        circuit = self.circuit
        emf = circuit.emf()
        load = self.load[step] * keep + self.parked
        source = self.source[step]
        current = np.minimum(np.maximum((self.set_v - emf) / circuit.charge_ohm + load, 0.0), source) - load
        shown_v = None
        if self.refusing:
            # The board keeps charge out: a source that could carry the loads does, else the pack does.
            carried = self.refused & (source > load)
            current = np.where(self.refused & (current > 0.0), 0.0, current)
            shown_v = np.where(carried & self.shows_source, self.set_v, np.nan)
        if low:
            current = self._under_voltage(step, current, emf)
        if self.tripping or self.surge_steps[step]:
            current = self._over_current(current)
        pack_v = emf + circuit.pack_ohm * current
        if shown_v is not None:
            pack_v = np.where(np.isfinite(shown_v) & (current == 0.0), shown_v, pack_v)
        if low or self.tripping:
            dark = (self.open | (self.trip_left_s > 0.0)) & (current == 0.0)
            pack_v = np.where(dark, self.asleep_v, pack_v)
        self.voltage[step] = pack_v
        self.current[step] = current
        circuit.advance(current, unseen)

    def _under_voltage(self, step: int, current: np.ndarray, emf: np.ndarray) -> np.ndarray:
        self.open &= ~(current > 0.0)
        low = (self.circuit.lowest_cell_v(current) < 2.5) | (emf + self.circuit.pack_ohm * current < 10.0)
        cut = low & (current < 0.0) & ~self.open
        if cut.any():
            for place in np.flatnonzero(cut):
                self.cutoffs[place].append(step)
            self.open |= cut
        return np.where(self.open & (current < 0.0), 0.0, current)

    def _over_current(self, current: np.ndarray) -> np.ndarray:
        tripped = (current < -self.trip_a) & (self.trip_left_s <= 0.0)
        self.trips += tripped
        waiting = self.trip_left_s > 0.0
        # The owner lets go of the load once the board has opened: it stays open until the load is gone.
        self.trip_left_s = np.where(tripped, TRIP_HOLD_S, np.maximum(self.trip_left_s - self.dt_s, 0.0))
        self.trip_left_s = np.where(waiting & (current < -0.8 * self.trip_a), TRIP_HOLD_S, self.trip_left_s)
        self.tripping = bool(self.trip_left_s.any())
        return np.where((self.trip_left_s > 0.0) & (current < 0.0), 0.0, current)

    def results(self) -> list[Simulated]:
        """One result per vehicle."""
        milliohm = self._pack_milliohm()
        return [self._result(place, float(milliohm[place])) for place in range(len(self.vehicles))]

    def _result(self, place: int, milliohm: float) -> Simulated:
        vehicle = self.vehicles[place]
        current = self.current[:, place].astype(float)
        logged = vehicle.usage.logged
        steps = len(current)
        time_ms = vehicle.start_ms + np.round(np.arange(steps) * self.dt_s * 1000).astype(np.int64)
        stride = round(vehicle.scenario.interval_s / self.dt_s)
        sampled = np.zeros(steps, bool)
        sampled[::stride] = True
        shown = sampled & logged
        blocks = np.arange(steps) // self.block
        cells_c = self.temperature[:, place].astype(float)[blocks]
        pick = np.flatnonzero(shown)
        readings = vehicle.monitor.read(
            time_ms[pick],
            self.voltage[pick, place].astype(float),
            current[pick],
            cells_c[pick],
            self._percent(place, current)[pick],
        )
        rated = vehicle.rated_ah
        loss = self.losses.get(place)
        month = 30.0 / self.days
        truth = Truth(
            kind=vehicle.scenario.kind,
            seed=vehicle.seed,
            capacity_ah_start=float(self.capacity_start[place]),
            capacity_ah_end=float(self.capacity_end[place]),
            current_offset_a=vehicle.monitor.offset_a,
            gain_error=vehicle.monitor.gain_error,
            cold_charging=cold_spans(time_ms, current, cells_c, shown, logged, rated, self.dt_s),
            equivalent_full_cycles_logged=float(np.abs(current[logged]).sum() * self.dt_s / 3600.0 / (2.0 * rated)),
            pack_resistance_milliohm_25c=milliohm,
            pack_resistance_milliohm_25c_start=float(self.resistance_start[place]),
            unseen_loss_percent_per_month=float(100.0 * self.leaked_ah[place] * month / rated),
            parked_load_a=vehicle.parked_a,
            dead_band_a=vehicle.monitor.dead_band_a,
            sudden_loss=None if loss is None else SuddenLossTruth(*loss),
            lowest_soc_percent=float(100.0 * self.lowest[place]),
            under_voltage_cutoffs=len(self.cutoffs[place]),
            over_current_trips=int(self.trips[place]),
            proven_empties_logged=int(logged[self.cutoffs[place]].sum()) if self.cutoffs[place] else 0,
            days=self.days,
        )
        pack = Pack(
            id=place + 1,
            name=f"{vehicle.scenario.kind} {vehicle.seed}",
            chemistry="lfp",
            cells_in_series=CELLS,
            rated_ah=rated,
            limits=Limits.defaults(rated, CELLS),
        )
        every = round(STATE_S / BLOCK_S)
        state_ms = vehicle.start_ms + (np.arange(len(self.missing_ah))[::every] * BLOCK_S * 1000).astype(np.int64)
        days = (state_ms - vehicle.start_ms) / 86_400_000
        gone = self._faded_ah(truth, vehicle, days)
        missing_ah = self.missing_ah[::every, place] - self.full_missing_ah[place]
        state = 1.0 - missing_ah / (truth.capacity_ah_start - gone)
        return Simulated(readings, pack, truth, state_ms, state.astype(np.float32))

    @staticmethod
    def _faded_ah(truth: Truth, vehicle: Vehicle, days: np.ndarray) -> np.ndarray:
        """What the capacity has lost by then: the gradual part as drawn, the sudden part at its day."""
        lost = truth.sudden_loss
        gradual = np.array([1.0 - vehicle.remaining(day) for day in days])
        gone = gradual * truth.capacity_ah_start
        return gone if lost is None else gone + np.where(days >= vehicle.loss_day, lost.ah, 0.0)
