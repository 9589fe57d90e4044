"""A physics simulator's LiFePO4 cell: what it delivers by a capacity test, and what a monitor shows of a pack of it in use.

Simulator: PyBaMM (Sulzer et al. 2021, J. Open Research Software 9:14, doi 10.5334/jors.309), its single particle model
with electrolyte, isothermal at 25 °C; on the uses here its voltages lie within 1 mV of the Doyle–Fuller–Newman model's.
Cell: PyBaMM's set "Prada2013", 2.3 Ah (Prada et al. 2013, J. Electrochem. Soc. 160:A616, doi 10.1149/2.053304jes), in
which the potential of graphite is that of Chen et al. 2020 (J. Electrochem. Soc. 167:080534, doi
10.1149/1945-7111/ab9050) and that of LiFePO4 of Afshar et al. 2017 (arXiv:1709.03970); it has no hysteresis.
Nothing of it is known to the program, whose tables are of other cells.
"""

from __future__ import annotations

import math
from dataclasses import dataclass
from typing import Any

import numpy as np
import pybamm

from logbook.schema.reading import Readings

IN_SERIES, IN_PARALLEL = 4, 46
"""Cells of 2.3 Ah that make a pack of about 100 Ah."""
RATED_AH = 100.0
FULL_CELL_V, END_CELL_V = 3.6, 2.5
TAIL_A, REFERENCE_A = 4.0, 20.0
"""Where a full charge ends, and the 0.2 C that capacity is of; A of the pack, as everywhere here."""
ROOM_TEMPERATURE_K = 298.15
GRAPHITE_FULL = 0.81
"""Share of its sites that the graphite of the set has filled when the cell is full."""
PER_HOUR, STEP_S, RAMP_S = 180, 20.0, 1.0
"""Loads come and go on a grid of 20 s, within a second."""
HOLDS_BACK_AH = 4.0
"""A sun's regulator takes nothing from it into a pack that lacks less than this."""
OPEN_BOARD_V = 0.4


@dataclass(frozen=True)
class Cell:
    """The published cell, or one with a loss or another graphite."""

    lithium_lost: float = 0.0
    """Lithium that went for good, as a share of the sites of the graphite."""
    diffusion: float = 1.0
    """How many times as fast lithium moves in the graphite as in the published set."""

    def capacity_ah(self) -> float:
        """What a pack of it delivers by a capacity test: full charge, an hour's rest, 0.2 C to 2.5 V a cell, at 25 °C."""
        discharge = _current_until(-REFERENCE_A)
        charge = (_current_until(REFERENCE_A), _voltage_until(TAIL_A))
        solution = self._solved([discharge, "Rest for 1 hour", *charge, "Rest for 1 hour", discharge])
        through_ah = solution[-1]["Discharge capacity [A.h]"].entries
        return float(through_ah[-1] - through_ah[0]) * IN_PARALLEL

    def shown(self, use: Use, *, offset_a: float, seed: int) -> Readings:
        """What a monitor shows once a minute, with noise: 10 mV, 0.01 A with an offset, 0.1 °C; [n] from the second step of the use on."""
        solution = self._solved([step for step, _ in use.steps])
        starts = [float(part.t[0]) for part in solution] + [float(solution[-1].t[-1])]
        times_s = np.arange(starts[1], starts[-1], 60.0)
        volts, amps = np.empty(len(times_s)), np.empty(len(times_s))
        for part, (_, kind), start, end in zip(solution, use.steps, starts[:-1], starts[1:], strict=True):
            here = (times_s >= start) & (times_s < end)
            end_v = float(part["Voltage [V]"].entries[-1])
            assert (kind == "run down") == (end_v < END_CELL_V + 0.001), f"a {kind} ends at {end_v} V"
            if here.any():
                inside = np.clip(times_s[here], part.t[0], part.t[-1])
                volts[here] = IN_SERIES * part["Voltage [V]"](t=inside) if kind != "board open" else OPEN_BOARD_V
                amps[here] = -IN_PARALLEL * part["Current [A]"](t=inside)
        rng = np.random.default_rng(seed)
        volts += rng.normal(0.0, 0.003, len(volts))
        amps += offset_a + rng.normal(0.0, 0.02, len(amps))
        return Readings(
            ts_ms=1_709_251_200_000 + np.round((times_s - times_s[0]) * 1000).astype(np.int64),
            voltage_v=np.round(volts, 2),
            current_a=np.round(amps, 2),
            temperature_c=np.round(rng.normal(25.0, 0.3, len(times_s)), 1),
            soc_percent=np.full(len(times_s), np.nan),
        )

    def _solved(self, steps: list[Any]) -> list[Any]:
        """One solution a step; a step that cannot be done as told is an error."""
        values = pybamm.ParameterValues("Prada2013")
        sites = values["Maximum concentration in negative electrode [mol.m-3]"]
        values.update(
            {
                "Initial concentration in negative electrode [mol.m-3]": (GRAPHITE_FULL - self.lithium_lost) * sites,
                "Negative particle diffusivity [m2.s-1]": self.diffusion
                * values["Negative particle diffusivity [m2.s-1]"],
                "Upper voltage cut-off [V]": FULL_CELL_V + 0.1,
                **{f"{name} temperature [K]": ROOM_TEMPERATURE_K for name in ("Ambient", "Initial", "Reference")},
            }
        )
        simulation = pybamm.Simulation(
            pybamm.lithium_ion.SPMe(),
            parameter_values=values,
            experiment=pybamm.Experiment([tuple(steps)]),
            solver=pybamm.IDAKLUSolver(),
        )
        solved = simulation.solve().cycles[0].steps
        assert len(solved) == len(steps)
        assert not [part for part in solved if isinstance(part, pybamm.EmptySolution)]
        return list(solved)


class Use:
    """What happens to a full pack, step after step, by seeded chance; the first step is not logged."""

    def __init__(self, seed: int) -> None:
        self.rng = np.random.default_rng(seed)
        self.steps: list[tuple[Any, str]] = []
        self.lacking_ah = 0.0

    def day(self, hours: int, *, from_hour: int = 0, sun_a: float = 0.0, feed_a: float = 0.0) -> Use:
        """A refrigerator, evenings, an inverter twice a day, and perhaps a sun behind clouds or a steady feed."""
        amps = self._refrigerator(hours)
        clock = (from_hour + np.arange(len(amps)) / PER_HOUR) % 24
        amps[(clock > 18.5) & (clock < 22.5)] -= 4.5
        for at in (7.7, 19.2):
            for begin in np.flatnonzero(np.diff((clock >= at + self.rng.uniform(0.0, 0.2)).astype(int)) == 1).tolist():
                amps[begin : begin + int(self.rng.integers(6, 18))] -= self.rng.uniform(36.0, 60.0)
        clouds = np.repeat(self.rng.uniform(0.3, 1.0, 6 * hours), PER_HOUR // 6)
        height = np.sin(np.pi * np.clip((np.floor(6 * clock) / 6 - 8.0) / 10.0, 0.0, 1.0))
        return self._flow(self._regulated(amps + sun_a * height * clouds + feed_a), "use")

    def charge(self, feed_a: float, *, held_hours: float) -> Use:
        """To full: a steady current, then 3.6 V a cell until it has fallen to the tail, and some time beyond."""
        self.lacking_ah = 0.0
        self.steps += [(_current_until(feed_a), "charge"), (_voltage_until(TAIL_A), "charge")]
        self.steps += [(f"Hold at {FULL_CELL_V} V for {held_hours} hours", "charge")]
        return self

    def run_down(self, load_a: float, *, board_open_hours: float) -> Use:
        """A steady load beside the refrigerator until a cell is at the cut-off; then the board stays open for a while."""
        self.lacking_ah = RATED_AH
        self._flow(self._refrigerator(math.ceil(1.2 * RATED_AH / load_a)) - load_a, "run down")
        self.steps += [(f"Rest for {board_open_hours} hours", "board open")]
        return self

    def _refrigerator(self, hours: int) -> np.ndarray:
        amps = np.full(hours * PER_HOUR, -0.35)
        begin = int(self.rng.integers(0, 60))
        while begin < len(amps):
            on, off = self.rng.integers(20, 46), self.rng.integers(40, 90)
            amps[begin : begin + on] -= self.rng.uniform(4.0, 5.5)
            begin += int(on + off)
        return amps

    def _regulated(self, amps: np.ndarray) -> np.ndarray:
        for place, ampere in enumerate(amps):
            if ampere > 0 and self.lacking_ah < HOLDS_BACK_AH:
                amps[place] = 0.0
            self.lacking_ah -= float(amps[place]) / PER_HOUR
        return amps

    def _flow(self, amps: np.ndarray, kind: str) -> Use:
        """A current that is given all along, but no further than to an empty cell."""
        changes_s = STEP_S * (np.flatnonzero(np.diff(amps)) + 1)
        times_s = np.sort(np.concatenate([[0.0], changes_s, changes_s + RAMP_S, [STEP_S * len(amps)]]))
        held = np.floor((times_s - RAMP_S / 2) / STEP_S).astype(int).clip(0)
        drawn_a = np.column_stack([times_s, -amps[held] / IN_PARALLEL])
        self.steps += [(pybamm.step.current(drawn_a, termination=f"< {END_CELL_V} V"), kind)]
        return self


def _current_until(amps: float) -> str:
    way, end_v = ("Charge", FULL_CELL_V) if amps > 0 else ("Discharge", END_CELL_V)
    return f"{way} at {abs(amps) / IN_PARALLEL} A until {end_v} V"


def _voltage_until(tail_a: float) -> str:
    return f"Hold at {FULL_CELL_V} V until {tail_a / IN_PARALLEL} A"
