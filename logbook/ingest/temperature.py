"""Temperature: values that wrapped at freezing put right, codes of absent sensors left empty.

A register read without its sign shows -0.1 °C as 6553.5 (16 bit, tenths) or -1 °C as 255 (8 bit): such rows are
the record of charging in the cold and are mended, never dropped. Number formats: two's complement and
sign-magnitude, as in any textbook of computer arithmetic.
"""

from __future__ import annotations

from dataclasses import dataclass
from typing import TYPE_CHECKING

import numpy as np

from logbook.ingest.run import Runs, neighbours, runs_of
from logbook.units import MS_PER_HOUR, celsius_from_fahrenheit, fahrenheit_from_celsius

if TYPE_CHECKING:
    from numpy.typing import NDArray

    from logbook.ingest.frame import Frame
    from logbook.ingest.ledger import Ledger

HOTTEST_C, COLDEST_C = 100.0, -50.0
"""Outside of these a value is a code or has wrapped."""
COLDEST_WRAPPED_C = -45.0
NEAR_MS = 6 * MS_PER_HOUR
CODE_NEAR_MS = MS_PER_HOUR // 4
STEP_C = 8.0
"""A pack's temperature does not move so far between two neighbouring samples."""
SPIKE_C, AGREE_C = 15.0, 3.0
CODES_C = (85.0, 127.0, -40.0, 0.0, 25.0, 125.0, -50.0, 80.0)
"""Values sensors and monitors show when there is no measurement; judged by their neighbours only."""
NEVER_MOVES_MS = 72 * MS_PER_HOUR


@dataclass(frozen=True)
class Coding:
    """value -> sign * value + shift, for values between low and high."""

    name: str
    low: float
    high: float
    sign: int
    shift: float

    def true(self, values: NDArray[np.float64]) -> NDArray[np.float64]:
        """The temperatures that were meant."""
        return np.round(self.sign * values + self.shift, 4)


def _unsigned(modulus: float, name: str) -> Coding:
    return Coding(name, modulus + COLDEST_WRAPPED_C, modulus - 1e-9, 1, -modulus)


def _magnitude(half: float, name: str) -> Coding:
    return Coding(name, half, half - COLDEST_WRAPPED_C, -1, half)


CODINGS = (
    _unsigned(6553.6, "16-bit tenths"),
    _unsigned(655.36, "16-bit hundredths"),
    _unsigned(65536.0, "16-bit"),
    _unsigned(4096.0, "16-bit sixteenths"),
    _unsigned(256.0, "8-bit"),
    _unsigned(429496729.6, "32-bit tenths"),
    _unsigned(42949672.96, "32-bit hundredths"),
    _unsigned(4294967.296, "32-bit thousandths"),
    _unsigned(4294967296.0, "32-bit"),
    _magnitude(3276.8, "16-bit sign and magnitude, tenths"),
    _magnitude(327.68, "16-bit sign and magnitude, hundredths"),
    _magnitude(32768.0, "16-bit sign and magnitude"),
    _magnitude(128.0, "8-bit sign and magnitude"),
    Coding("8-bit sign and magnitude, read signed", -128.0, -83.0, -1, -128.0),
    Coding("8-bit sign and magnitude, read signed and one off", -127.0, -82.0, -1, -127.0),
)


def mended_temperature(frame: Frame, ledger: Ledger) -> Frame:
    """Rows in ascending time with wrapped temperatures put right and codes left empty."""
    if not frame.has("temperature_c"):
        return frame
    values = frame.get("temperature_c")
    odd = (values > HOTTEST_C) | (values < COLDEST_C)
    if odd.any():
        values = _unwrapped(values, odd, frame, ledger)
    values = _without_codes(values, frame, ledger)
    values = _without_spikes(values, frame, ledger)
    return frame.with_columns(temperature_c=values)


def _unwrapped(
    values: NDArray[np.float64], odd: NDArray[np.bool_], frame: Frame, ledger: Ledger
) -> NDArray[np.float64]:
    good = ~odd & np.isfinite(values)
    runs = runs_of(odd)
    near = neighbours(runs, values, good, frame.ts_ms, NEAR_MS)
    result = values.copy()
    for coding in CODINGS:
        for fahrenheit in (False, True):
            seen = fahrenheit_register(values) if fahrenheit else values
            inside = odd & (seen >= coding.low) & (seen <= coding.high)
            if not inside.any():
                continue
            meant = coding.true(seen)
            meant = np.round(celsius_of(meant), 4) if fahrenheit else meant
            fits = _fits(runs, near.before, near.after, meant, inside) & _zero_agrees(coding, values, good)
            mask = runs.mask(len(values), fits) & inside & odd
            result[mask] = meant[mask]
            odd = odd & ~mask
            scale = " of °F" if fahrenheit else ""
            ledger.repair(
                f"wrapped temperature ({coding.name}{scale})",
                f"temperatures below {'0 °F' if fahrenheit else 'freezing'} that had lost their sign, put right",
                frame.lines[mask],
            )
    return result


def fahrenheit_register(values_c: NDArray[np.float64]) -> NDArray[np.float64]:
    """What a register in °F held; as the converted value shows it."""
    return np.round(fahrenheit_from_celsius(values_c), 3)  # type: ignore[arg-type]


def celsius_of(values_f: NDArray[np.float64]) -> NDArray[np.float64]:
    """°C of an array of °F."""
    return celsius_from_fahrenheit(values_f)  # type: ignore[arg-type, return-value]


def _fits(
    runs: Runs,
    before: NDArray[np.float64],
    after: NDArray[np.float64],
    meant: NDArray[np.float64],
    inside: NDArray[np.bool_],
) -> NDArray[np.bool_]:
    """Runs whose ends, once mended, join on to what stands beside them; alone they fit when they vary."""
    off_before = np.abs(before - meant[runs.first])
    off_after = np.abs(after - meant[runs.last])
    joins = (off_before <= STEP_C) | (off_after <= STEP_C)
    alone = np.isnan(before) & np.isnan(after)
    whole = inside[runs.first] & inside[runs.last]
    varies = np.array(
        [
            meant[first : last + 1].max() > meant[first : last + 1].min()
            for first, last in zip(runs.first, runs.last, strict=True)
        ]
    )
    return whole & (joins | (alone & varies))


def _zero_agrees(coding: Coding, values: NDArray[np.float64], good: NDArray[np.bool_]) -> bool:
    """Of the two readings of a signed byte, the file's own zeros decide: where 0 is shown as 0, -127 is -1."""
    zeros = bool((values[good] == 0).any())
    if coding.shift == -128.0 and coding.sign < 0:
        return zeros
    return coding.shift != -127.0 or not zeros


def _without_codes(values: NDArray[np.float64], frame: Frame, ledger: Ledger) -> NDArray[np.float64]:
    outside = (values > HOTTEST_C) | (values < COLDEST_C)
    ledger.repair(
        "sensor code",
        "temperatures no battery has, shown when there is no measurement, left empty",
        frame.lines[outside],
    )
    values = np.where(outside, np.nan, values) if outside.any() else values
    held = np.isfinite(values)
    for code in CODES_C:
        same = values == code
        if not same.any():
            continue
        if _never_moves(same, held, frame):
            ledger.infer("temperature", "not measured", "fair", f"it shows {code:g} °C in every row over days")
            ledger.repair("sensor code", f"{code:g} °C in every row over days, left empty", frame.lines[same])
            return np.full(len(values), np.nan)
        runs = runs_of(same)
        near = neighbours(runs, values, ~same & held, frame.ts_ms, CODE_NEAR_MS)
        jumps = (np.abs(near.before - code) > STEP_C) & (np.abs(near.after - code) > STEP_C)
        mask = runs.mask(len(values), jumps & (np.abs(near.before - near.after) <= STEP_C))
        if mask.any():
            ledger.repair("sensor code", f"{code:g} °C between rows far from it, left empty", frame.lines[mask])
            values = np.where(mask, np.nan, values)
    return values


def _never_moves(same: NDArray[np.bool_], held: NDArray[np.bool_], frame: Frame) -> bool:
    return bool(len(frame) > 100 and (same == held).all() and frame.ts_ms[-1] - frame.ts_ms[0] > NEVER_MOVES_MS)


def _without_spikes(values: NDArray[np.float64], frame: Frame, ledger: Ledger) -> NDArray[np.float64]:
    if len(values) < 3:
        return values
    steps = np.diff(values)
    far = np.flatnonzero(np.abs(steps) > SPIKE_C)
    if not len(far):
        return values
    rows = far[(far + 1 < len(values) - 1)] + 1
    close = (frame.ts_ms[rows + 1] - frame.ts_ms[rows - 1]) <= 2 * CODE_NEAR_MS
    lone = (np.abs(values[rows + 1] - values[rows - 1]) <= AGREE_C) & (
        np.abs(values[rows + 1] - values[rows]) > SPIKE_C
    )
    rows = rows[close & lone]
    ledger.repair("temperature spike", "one sample far from both its neighbours, left empty", frame.lines[rows])
    values = values.copy()
    values[rows] = np.nan
    return values
