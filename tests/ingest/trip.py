"""Trip: invented readings with a known truth, and the lines an export makes of them.

A 12 V pack of 100 Ah: a fridge that runs in turns, a kettle, then a charger. Open-circuit voltage and resistance
are plausible round numbers of no real cell; they only make voltage and current move together.
"""

from __future__ import annotations

from collections.abc import Callable, Sequence
from dataclasses import dataclass, replace

import numpy as np

RATED_AH = 100.0
OHM = 0.008


@dataclass(frozen=True, eq=False)
class Trip:
    ts_ms: np.ndarray
    voltage_v: np.ndarray
    current_a: np.ndarray
    temperature_c: np.ndarray
    soc_percent: np.ndarray

    def __len__(self) -> int:
        return len(self.ts_ms)

    def take(self, rows) -> Trip:
        return Trip(
            self.ts_ms[rows],
            self.voltage_v[rows],
            self.current_a[rows],
            self.temperature_c[rows],
            self.soc_percent[rows],
        )

    def with_(self, **columns) -> Trip:
        return replace(self, **columns)


def trip(
    rows: int = 300,
    start: str = "2024-03-15T21:00:00",
    interval_s: float = 60.0,
    coldest_c: float = 6.0,
    warmest_c: float = 14.0,
    seed: int = 7,
) -> Trip:
    """Discharge for three fifths, charge for the rest; warmest at both ends and coldest when charging begins."""
    rng = np.random.default_rng(seed)
    row = np.arange(rows)
    ts_ms = np.datetime64(start, "ms").astype(np.int64) + np.round(row * interval_s * 1000).astype(np.int64)
    turn = int(rows * 0.6)
    current = np.where(row < turn, -1.3 - 4.5 * ((row // 7) % 3 == 0), 24.0 - 4.5 * ((row // 5) % 4 == 0))
    current[turn // 2 : turn // 2 + 3] = -95.0
    current *= min(1.0, 18_000.0 / (rows * interval_s))
    current = np.round(current + rng.normal(0, 0.05, rows), 1)
    soc = 64.0 + np.concatenate([[0.0], np.cumsum(current[:-1])]) * interval_s / 3600.0 / RATED_AH * 100.0
    voltage = np.round(13.1 + (soc - 50.0) * 0.004 + OHM * current + rng.normal(0, 0.004, rows), 2)
    depth = np.abs(row - turn) / max(turn, rows - turn)
    temperature = np.round(coldest_c + (warmest_c - coldest_c) * depth + rng.normal(0, 0.04, rows), 1)
    return Trip(ts_ms, voltage, current, temperature, np.round(soc))


def local(ts_ms: int, shape: str, offset_h: float = 0.0) -> str:
    """A time as text, in strftime's words, moved by `offset_h` hours from UTC."""
    moment = np.datetime64(int(ts_ms + offset_h * 3_600_000), "ms").item()
    return moment.strftime(shape)


Cells = Callable[[Trip, int], Sequence[str]]


def number(value: float, decimals: int, decimal: str = ".") -> str:
    return "" if np.isnan(value) else f"{value:.{decimals}f}".replace(".", decimal)


def plain_cells(
    shape: str = "%Y-%m-%dT%H:%M:%SZ", *, decimal: str = ".", offset_h: float = 0.0, sign: float = 1.0
) -> Cells:
    def cells(readings: Trip, row: int) -> Sequence[str]:
        return (
            local(readings.ts_ms[row], shape, offset_h),
            number(readings.voltage_v[row], 2, decimal),
            number(sign * readings.current_a[row] + 0.0, 1, decimal),
            number(readings.temperature_c[row], 1, decimal),
            number(readings.soc_percent[row], 0, decimal),
        )

    return cells


HEADER = "timestamp,voltage_v,current_a,temperature_c,soc_percent"


def lines(
    readings: Trip, cells: Cells | None = None, *, header: str | None = HEADER, delimiter: str = ","
) -> list[str]:
    """Header and rows of an export."""
    cells = cells or plain_cells()
    body = [delimiter.join(cells(readings, row)) for row in range(len(readings))]
    return [*([header] if header is not None else []), *body]


def text(rows: Sequence[str], end: str = "\n") -> str:
    return end.join(rows) + end
