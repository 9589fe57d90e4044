"""A hand-made pack: currents in, readings with a known truth out; everything in plain arithmetic."""

from __future__ import annotations

from datetime import UTC, datetime

import numpy as np

from logbook.schema.pack import Limits, Pack
from logbook.schema.reading import Readings

PACK = Pack(id=1, name="House", chemistry="lfp", cells_in_series=4, rated_ah=100.0, limits=Limits.defaults(100.0, 4))
START_MS = round(datetime(2024, 3, 1, tzinfo=UTC).timestamp() * 1000)

JAHN2024_SOC = np.array([0.0, 0.01, 0.02, 0.03, 0.05, 0.08, 0.10, 0.15, 0.20, 0.25, 0.30, 0.40, 0.50, 0.60, 0.70, 0.75, 0.80, 0.90, 0.95, 0.98, 0.99, 1.0])  # fmt: skip
JAHN2024_CELL_V = np.array([2.664, 2.842, 2.937, 3.003, 3.097, 3.187, 3.210, 3.226, 3.249, 3.266, 3.279, 3.302, 3.306, 3.308, 3.313, 3.327, 3.343, 3.349, 3.357, 3.379, 3.403, 3.437])  # fmt: skip
"""Mean of the charge and discharge branch of an A123 cell: Jahn et al. 2024, Commun. Eng. 3:74,
doi 10.1038/s44172-024-00221-4, data doi 10.5281/zenodo.10852930 (CC BY 4.0), rounded to 1 mV.
One measured cell, so another curve than the estimator's table."""
CELL_OHM_AH = 0.15
"""1.5 mΩ for a cell of 100 Ah: in the range of prismatic cells, from memory."""
ABSORPTION_CELL_V = 3.6
TAPER_HOURS = 0.2


def pack_of(rated_ah: float, **limits: float) -> Pack:
    """A four-cell pack of another rating."""
    values = Limits.defaults(rated_ah, 4).as_dict() | limits
    return Pack(id=1, name="House", chemistry="lfp", cells_in_series=4, rated_ah=rated_ah, limits=Limits(**values))


class Timeline:
    """Writes down what a monitor would show while a pack of `capacity_ah` is used as told."""

    def __init__(
        self,
        pack: Pack = PACK,
        *,
        capacity_ah: float | None = None,
        soc: float = 1.0,
        interval_s: float = 60.0,
        offset_a: float = 0.0,
        loss_a: float = 0.0,
        typed_ah: float | None = None,
        start_ms: int = START_MS,
        temperature_c: float = 20.0,
    ) -> None:
        self.pack, self.soc, self.interval_s = pack, soc, interval_s
        self.capacity_ah = capacity_ah or pack.rated_ah
        self.offset_a, self.loss_a = offset_a, loss_a
        self.typed_ah = typed_ah or pack.rated_ah
        self.temperature_c = temperature_c
        self.now_ms = start_ms
        self.reported = 100.0 * soc
        self.pieces: list[np.ndarray] = []

    def flow(self, amps: float | np.ndarray, hours: float, *, volts: float | None = None) -> Timeline:
        """Current held or given for each sample; the voltage follows the cell unless it is given."""
        count = round(hours * 3600 / self.interval_s)
        current = np.broadcast_to(np.asarray(amps, float), (count,)).copy()
        step_h = self.interval_s / 3600
        moved = np.append(0.0, np.cumsum((current - self.loss_a) * step_h / self.capacity_ah))
        soc = self.soc + moved[:-1]
        cell_v = np.interp(soc, JAHN2024_SOC, JAHN2024_CELL_V) + current * CELL_OHM_AH / self.capacity_ah
        voltage = self.pack.cells_in_series * cell_v if volts is None else np.full(count, float(volts))
        self._write(voltage, current)
        self.soc += moved[-1]
        return self

    def rest(self, hours: float) -> Timeline:
        """Nothing flows, the log goes on."""
        return self.flow(0.0, hours)

    def pause(self, hours: float, amps: float = 0.0) -> Timeline:
        """The log is off; `amps` flow, which the monitor counts although nobody writes it down."""
        self.now_ms += round(hours * 3_600_000)
        counted = 100.0 * (amps + self.offset_a) * hours / self.typed_ah
        self.reported = float(np.clip(self.reported + counted, 0.0, 100.0))
        self.soc += (amps - self.loss_a) * hours / self.capacity_ah
        return self

    def charge_full(self, amps: float = 20.0, *, held_hours: float = 0.5) -> Timeline:
        """Constant current, then constant voltage tapering to 1 % of C, held; a proven full."""
        tail = 0.01 * self.pack.rated_ah
        step_h = self.interval_s / 3600
        top_v = ABSORPTION_CELL_V * self.pack.cells_in_series
        lacking_ah = (1.0 - self.soc) * self.capacity_ah
        held_a = min(tail / 4, lacking_ah / held_hours)
        lacking_ah -= held_a * held_hours
        taper = amps * np.exp(-np.arange(0, TAPER_HOURS * np.log(amps / tail), step_h) / TAPER_HOURS)
        taper = taper[np.cumsum(taper[::-1])[::-1] * step_h <= lacking_ah]
        bulk_ah = lacking_ah - taper.sum() * step_h
        count = int(np.ceil(bulk_ah / (amps * step_h) - 1e-9))
        if count:
            self.flow(bulk_ah / (count * step_h), count * step_h)
        self.flow(taper, len(taper) * step_h, volts=top_v)
        self.flow(held_a, held_hours, volts=top_v)
        self.soc, self.reported = 1.0, 100.0
        return self

    def run_empty(self, amps: float = 20.0, *, asleep_hours: float = 1.0, left_soc: float = 0.0) -> Timeline:
        """Discharge until a cell is low and the board opens, between two samples; a cold pack keeps some back."""
        out_h = (self.soc - left_soc) * self.capacity_ah / (amps + self.loss_a)
        count = int(np.ceil(out_h * 3600 / self.interval_s))
        self.flow(-amps, count * self.interval_s / 3600)
        if left_soc:
            ending = slice(max(0, count - 10), count)
            self.pieces[-1][1, ending] = np.linspace(12.0, 10.1, 10)[-count:]
        self.soc = left_soc
        return self.board_open(asleep_hours)

    def board_open(self, hours: float, *, volts: float = 0.3) -> Timeline:
        """The board is open: no current, and the terminals do not show the cells."""
        kept, loss_a = self.soc, self.loss_a
        self.loss_a = 0.0
        self.flow(0.0, hours, volts=volts)
        self.soc, self.loss_a = kept, loss_a
        return self

    def at(self, temperature_c: float) -> Timeline:
        """From now on the thermometer shows this."""
        self.temperature_c = temperature_c
        return self

    def _write(self, voltage: np.ndarray, current: np.ndarray) -> None:
        count = len(current)
        shown = current + self.offset_a
        times = self.now_ms + np.round(np.arange(count) * self.interval_s * 1000)
        moved = np.cumsum(shown * self.interval_s / 36 / self.typed_ah)
        reported = np.clip(self.reported + np.append(0.0, moved)[:-1], 0.0, 100.0)
        if count:
            self.reported = float(np.clip(self.reported + moved[-1], 0.0, 100.0))
        warmth = np.full(count, self.temperature_c)
        self.pieces.append(np.array([times, voltage, shown, warmth, reported]))
        self.now_ms += round(count * self.interval_s * 1000)

    def readings(self, *, decimals: int = 4) -> Readings:
        """Everything shown so far, in arrays that refuse to be written to."""
        rows = np.concatenate(self.pieces, axis=1)
        columns = [np.round(row, decimals) for row in rows[1:]]
        return frozen(Readings(rows[0].astype(np.int64), *columns))


def frozen(readings: Readings) -> Readings:
    """The same readings, read-only."""
    for column in readings.columns().values():
        column.flags.writeable = False
    return readings


def readings_of(
    current_a: object,
    *,
    interval_s: float = 60.0,
    voltage_v: object = 13.2,
    temperature_c: object = 20.0,
    soc_percent: object = np.nan,
    ts_ms: object = None,
    start_ms: int = START_MS,
) -> Readings:
    """Readings from short lists; single values hold throughout."""
    current = np.atleast_1d(np.asarray(current_a, float)).copy()
    times = start_ms + np.round(np.arange(len(current)) * interval_s * 1000) if ts_ms is None else np.asarray(ts_ms)
    others = [
        np.broadcast_to(np.asarray(values, float), current.shape).copy()
        for values in (voltage_v, current, temperature_c, soc_percent)
    ]
    return frozen(Readings(times.astype(np.int64), *others))


def with_changes(readings: Readings, **columns: object) -> Readings:
    """The same readings with some columns replaced."""
    values = {name: column.copy() for name, column in readings.columns().items()}
    for name, column in columns.items():
        values[name] = np.broadcast_to(np.asarray(column), values[name].shape).astype(values[name].dtype)
    return frozen(Readings(**values))


def year_of_use(**settings: float) -> Timeline:
    """A year in miniature: twelve months of four days with full charges; every third is run to the cut-off."""
    log = Timeline(**settings)
    for month in range(12):
        for week in range(4):
            log.charge_full(20.0)
            if month % 3 == 0 and week == 0:
                log.run_empty(10.0)
            else:
                log.flow(-8.0, 5)
            log.rest(24)
        log.pause(24 * 24)
    return log.charge_full(20.0)


def slow_runs(runs: int = 4, **settings: float) -> Timeline:
    """Nine days of a small draw from full, then on to the cut-off; between runs full charges a few days apart."""
    log = Timeline(interval_s=120.0, **settings)
    for _ in range(runs):
        log.charge_full().flow(-0.35, 9 * 24).run_empty(10.0)
        log.charge_full().flow(-0.5, 60).charge_full()
    return log
