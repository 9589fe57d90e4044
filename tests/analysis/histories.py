"""Charge-balance histories with a known truth: digest tables written by hand, an hour a row."""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
import pandas as pd

from logbook.analysis.digest import digest
from logbook.schema.reading import Readings
from tests.analysis.timeline import PACK, START_MS

HOUR_MS = 3_600_000
HOURS_PER_YEAR = 8766.0
HISTORY_YEARS = 2.0


@dataclass
class World:
    """What is true of a pack and its sensor, all in Ah, A and hours."""

    capacity_ah: float = 100.0
    rate_ah_per_year: float = 0.0
    """After two years."""
    bend_ah_per_year2: float = 0.0
    """Half of what the rate gains in a year."""
    offset_a: float = 0.0
    loss_a: float = 0.0
    gain: float = 1.0
    full_soc: float = 0.999
    """What a full charge really reaches on this pack."""
    empty_soc: float = 0.0
    """Where its cut-off really lies."""
    cold_share: float = 0.0
    """How much of the table of what the cold keeps back holds for it."""
    brisk_share: float = 0.0
    """What a discharge that is 1 C faster leaves in it."""
    early_share: float = 0.0
    """How much of what its cells show when the board opens is left in all of them."""


class History:
    """Moves between states of charge, counted by the world's sensor."""

    def __init__(self, world: World, rng: np.random.Generator | None = None, *, scatter: float = 0.0) -> None:
        self.world, self.rng, self.scatter = world, rng, scatter
        self.hours = 0
        self.soc = world.full_soc
        self.rows: list[tuple[int, float, float, float]] = []
        self.marks: list[dict[str, object]] = []

    def capacity_now(self) -> float:
        """Capacity at this hour."""
        years = self.hours / HOURS_PER_YEAR
        bent_ah = self.world.bend_ah_per_year2 * years * (years - 2 * HISTORY_YEARS)
        return self.world.capacity_ah - self.world.rate_ah_per_year * years - bent_ah

    def anchor(
        self, kind: str, *, edge: str, sigma: float, soc: float, temperature_c: float = 20.0,
        cold: float = 0.0, brisk: float = 0.0, early: float = 0.0,
    ) -> History:  # fmt: skip
        """Write down a state of charge the log proves.

        `cold` is what the table says the cold keeps back, `brisk` how many C faster than 0.2 C it was reached.
        """
        self.marks.append(
            {
                "start_ms": START_MS + self.hours * HOUR_MS, "kind": kind, "edge": edge, "soc": soc, "sigma": sigma,
                "voltage_v": 13.4, "current_a": 0.0, "temperature_c": temperature_c,
                "cold": cold, "brisk": brisk, "early": early,
            }
        )  # fmt: skip
        return self

    def full(self) -> History:
        """Proven full, entered and left within an hour; what is called 0.999 is nearly that."""
        truth = self.world.full_soc + (0.0 if self.rng is None else self.rng.normal(0.0, 0.005))
        self.to(truth, hours=max(4, round(abs(truth - self.soc) * 8)))
        self.anchor("full", edge="enter", sigma=0.005, soc=0.999)
        self.to(self.soc, hours=1)
        return self.anchor("full", edge="leave", sigma=0.005, soc=0.999)

    def empty(self, *, cold: float = 0.0, brisk: float = 0.0, early: float = 0.0) -> History:
        """Proven empty; the board opens at a state of charge that is nearly zero, or higher in the cold and in haste."""
        truth = self.world.empty_soc + (0.0 if self.rng is None else self.rng.normal(0.0, 0.004))
        truth += self.world.cold_share * cold + self.world.brisk_share * brisk + self.world.early_share * early
        self.to(truth, hours=max(4, round(abs(truth - self.soc) * 10)))
        self.anchor("empty", edge="enter", sigma=0.004, soc=0.0, cold=cold, brisk=brisk, early=early)
        self.to(self.soc, hours=2)
        return self.anchor("empty", edge="leave", sigma=0.004, soc=0.0, cold=cold, brisk=brisk, early=early)

    def to(self, soc: float, *, hours: int) -> History:
        """Reach a state of charge in whole hours, evenly."""
        moved_ah = (soc - self.soc) * self.capacity_now()
        wobble = 0.0 if self.rng is None else self.rng.normal(0.0, self.scatter * abs(moved_ah))
        flow_a = (moved_ah + wobble) / hours + self.world.loss_a
        shown_a = self.world.gain * flow_a + self.world.offset_a
        self.rows += [(self.hours + place, max(shown_a, 0.0), max(-shown_a, 0.0), 3600.0) for place in range(hours)]
        self.hours += hours
        self.soc = soc
        return self

    def park(self, hours: int) -> History:
        """Nothing flows that the sensor would show; the loss goes on unseen."""
        self.rows += [(self.hours + place, 0.0, 0.0, 0.0) for place in range(hours)]
        self.hours += hours
        self.soc -= self.world.loss_a * hours / self.capacity_now()
        return self

    def counted(self, net_ah: float, *, hours: int, throughput_ah: float | None = None) -> History:
        """What the sensor counted, whatever was true: net, and all in and out together."""
        total = abs(net_ah) if throughput_ah is None else throughput_ah
        each_in, each_out = (total + net_ah) / 2 / hours, (total - net_ah) / 2 / hours
        self.rows += [(self.hours + place, each_in, each_out, 3600.0) for place in range(hours)]
        self.hours += hours
        return self

    def pause(self, hours: int, *, soc: float | None = None) -> History:
        """The log is off; the state of charge may change unseen."""
        self.hours += hours
        self.soc = self.soc if soc is None else soc
        return self

    def tables(self, pack: object = PACK) -> dict[str, pd.DataFrame]:
        """The digest tables of this history; whatever it does not speak of is zero or missing."""
        blank = digest(Readings.empty(), pack)
        place, charge, discharge, live = np.array(self.rows).T
        hours = pd.DataFrame(0.0, index=range(len(place)), columns=blank["hours"].columns).assign(
            start_ms=START_MS + place.astype(np.int64) * HOUR_MS,
            readings=60.0,
            charge_ah=charge,
            discharge_ah=discharge,
            logged_s=3600.0,
            live_s=live,
            sum_low_ah=np.minimum(charge - discharge, 0.0),
            sum_high_ah=np.maximum(charge - discharge, 0.0),
            max_charge_a=charge,
            max_discharge_a=discharge,
            min_voltage_v=13.0,
            max_voltage_v=13.4,
            min_temperature_c=20.0,
            mean_temperature_c=20.0,
            max_temperature_c=20.0,
            first_soc_percent=np.nan,
            last_soc_percent=np.nan,
            interval_s=60.0,
        )
        marks = pd.DataFrame(self.marks, columns=blank["anchors"].columns)
        sums = [name for name in marks.columns if name.startswith(("hour_", "shift"))]
        return blank | {"hours": hours, "anchors": marks.assign(**dict.fromkeys(sums, 0.0))}


def two_years(
    world: World, rng: np.random.Generator | None = None, *, scatter: float = 0.0, loss_ah: float = 0.0
) -> History:
    """A full charge or two a month, three runs to the cut-off a year; `loss_ah` are lost at once after a year."""
    history = History(world, rng, scatter=scatter).full()
    for month in range(24):
        if month == 12:
            world.capacity_ah -= loss_ah
        if month % 4 == 1:
            history.empty()
        else:
            history.to(0.45, hours=10)
        history.to(history.soc, hours=80).full().to(history.soc, hours=80)
        history.full().pause(530, soc=history.soc)
    return history.full()


def drawn_world(rng: np.random.Generator) -> World:
    """Any capacity, fade, zero error and unseen loss; scale and end points off by what is common practice.

    Scale of a shunt 0.5 to 1 %, tail currents of 2 to 5 %, cut-off voltages a little apart.
    """
    return World(
        capacity_ah=rng.uniform(72.0, 106.0),
        rate_ah_per_year=rng.uniform(0.0, 5.0),
        bend_ah_per_year2=rng.normal(0.0, 0.5),
        offset_a=rng.uniform(-0.08, 0.08),
        loss_a=rng.uniform(0.0, 0.025),
        gain=1.0 + rng.normal(0.0, 0.007),
        full_soc=0.999 + rng.normal(0.0, 0.003),
        empty_soc=rng.normal(0.0, 0.003),
    )
