"""Temperature: values that wrapped at freezing put right, codes of absent sensors left empty.

A register read without its sign shows -0.1 °C as 6553.5 (16 bit, tenths) or -1 °C as 255 (8 bit): such rows are
the record of charging in the cold and are mended, never dropped. Number formats: two's complement and
sign-magnitude, as in any textbook of computer arithmetic.
"""

from __future__ import annotations

from dataclasses import dataclass
from typing import TYPE_CHECKING

import numpy as np

from logbook.ingest.run import Runs, few, nearly_all, neighbours, runs_of
from logbook.ingest.sentinel import CODES
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
STEP_AT_ONCE_C, STEP_C_PER_MS = 3.0, 20.0 / MS_PER_HOUR
"""Nor so far from one minute to the next; a whole step only within a quarter of an hour (ours)."""
PASSES = 3
LIKE_A_CODE_C = -2.0
"""254 and 255 in a byte are as likely a code as they are -2 and -1 °C."""
ENOUGH = 5
"""So many values that join on to good ones show how the register wraps."""
SPIKE_C, AGREE_C = 15.0, 3.0
CODES_C = (85.0, 127.0, -40.0, 0.0, 25.0, 125.0, -50.0, 80.0)
"""Values sensors and monitors show when there is no measurement; judged by their neighbours only."""
FAR_C, MOST_BESIDE_GAP = 30.0, 5
"""Beside a gap a code is told by one neighbour, which no battery is so far from within a quarter of an hour; so few rows of it."""
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
    values = _without_codes(values, odd, frame, ledger)
    values = _without_spikes(values, frame, ledger)
    return frame.with_columns(temperature_c=values)


def _unwrapped(
    values: NDArray[np.float64], odd: NDArray[np.bool_], frame: Frame, ledger: Ledger
) -> NDArray[np.float64]:
    good = ~odd & np.isfinite(values)
    result = values.copy()
    for coding in CODINGS:
        for fahrenheit in (False, True):
            rows = np.flatnonzero(odd)
            seen = fahrenheit_register(values[rows]) if fahrenheit else values[rows]
            inside = (seen >= coding.low) & (seen <= coding.high)
            if not inside.any() or not _zero_agrees(coding, values, good, frame.ts_ms):
                continue
            shown = fahrenheit_register(result) if fahrenheit else result
            below = int(np.count_nonzero(good & (shown < 0)))
            if below > max(few(len(values)), int(np.count_nonzero(inside))):
                continue  # it shows such temperatures otherwise
            rows, meant = rows[inside], coding.true(seen[inside])
            meant = np.round(celsius_of(meant), 4) if fahrenheit else meant
            fits = _fits(
                rows,
                meant,
                result,
                good,
                frame.ts_ms,
                whole_file=coding.shift == -256.0 and int(good.sum()) <= few(len(values)),
            )
            result[rows[fits]] = meant[fits]
            good = good.copy()
            good[rows[fits]] = True
            odd = odd.copy()
            odd[rows[fits]] = False
            scale = " of °F" if fahrenheit else ""
            ledger.repair(
                f"wrapped temperature ({coding.name}{scale})",
                f"temperatures below {'0 °F' if fahrenheit else 'freezing'} that had lost their sign, put right",
                frame.lines[rows[fits]],
            )
    return result


def fahrenheit_register(values_c: NDArray[np.float64]) -> NDArray[np.float64]:
    """What a register in °F held; as the converted value shows it."""
    return np.round(fahrenheit_from_celsius(values_c), 3)  # type: ignore[arg-type]


def celsius_of(values_f: NDArray[np.float64]) -> NDArray[np.float64]:
    """°C of an array of °F."""
    return celsius_from_fahrenheit(values_f)  # type: ignore[arg-type, return-value]


def _fits(
    rows: NDArray[np.intp],
    meant: NDArray[np.float64],
    values: NDArray[np.float64],
    good: NDArray[np.bool_],
    ts_ms: NDArray[np.int64],
    *,
    whole_file: bool,
) -> NDArray[np.bool_]:
    """Which of the rows, once mended, belong: they join on to good values or to others that do.

    What stands alone among them, mended or not, is passed over, so that one odd value breaks no stretch. A stretch
    with no good value near fits when it varies, or when enough others of the file fit; where the whole file is of
    such a register (a byte, whose unit its owner settled), also when it does not.
    """
    before = np.zeros(len(values), bool)
    before[rows] = True
    line = np.flatnonzero(before | good)
    shown = values[line].copy()
    mine = before[line]
    shown[mine] = meant
    kept = np.arange(len(line))
    near_ms = max(NEAR_MS, 3 * int(np.median(np.diff(ts_ms[line]))) if len(line) > 1 else 0)
    for _ in range(PASSES):
        stretch = _stretches(shown[kept], ts_ms[line[kept]], near_ms)
        alone = np.bincount(stretch)[stretch] == 1
        if not alone.any() or alone.all():
            break
        kept = kept[~alone]
    stretch = _stretches(shown[kept], ts_ms[line[kept]], near_ms)
    number = int(stretch[-1]) + 1 if len(stretch) else 0
    size = np.bincount(stretch, minlength=number)
    brought = np.bincount(stretch, weights=mine[kept], minlength=number).astype(int)
    joined = brought < size
    low, high = np.full(number, np.inf), np.full(number, -np.inf)
    np.minimum.at(low, stretch, shown[kept])
    np.maximum.at(high, stretch, shown[kept])
    first = np.searchsorted(stretch, np.arange(number))
    last = np.searchsorted(stretch, np.arange(number), side="right") - 1
    alone = ~joined & ~_good_near(line[kept[first]], line[kept[last]], good, ts_ms, near_ms)
    proved = int(brought[joined].sum()) >= ENOUGH
    moves = (high > low) | (whole_file & (high < LIKE_A_CODE_C))
    fits = joined | (alone & moves) | ((size > 1) & proved)
    accepted = np.zeros(len(line), bool)
    accepted[kept] = fits[stretch]
    return accepted[mine]


def _stretches(values: NDArray[np.float64], ts_ms: NDArray[np.int64], near_ms: int) -> NDArray[np.intp]:
    """Number of the stretch each value belongs to; a leap or a long gap begins a new one."""
    step_ms = np.diff(ts_ms)
    most = np.minimum(STEP_C, STEP_AT_ONCE_C + STEP_C_PER_MS * step_ms)
    breaks = (np.abs(np.diff(values)) > most) | (step_ms > near_ms)
    return np.concatenate([[0], np.cumsum(breaks)])[: len(values)]


def _good_near(
    first: NDArray[np.intp], last: NDArray[np.intp], good: NDArray[np.bool_], ts_ms: NDArray[np.int64], near_ms: int
) -> NDArray[np.bool_]:
    """Whether a good value stands near before or after each stretch."""
    near = neighbours(Runs(first, last), ts_ms.astype(float), good, ts_ms, near_ms)
    return np.isfinite(near.before) | np.isfinite(near.after)


def _zero_agrees(
    coding: Coding, values: NDArray[np.float64], good: NDArray[np.bool_], ts_ms: NDArray[np.int64]
) -> bool:
    """Of the two readings of a signed byte, the file's own zeros decide: where 0 is shown as 0, -127 is -1."""
    if coding.sign > 0 or coding.shift not in {-128.0, -127.0}:
        return True
    runs = runs_of(good & (values == 0))
    near = neighbours(runs, values, good & (values != 0), ts_ms, NEAR_MS)
    zeros = bool(((np.abs(near.before) <= AGREE_C) | (np.abs(near.after) <= AGREE_C)).any())
    return zeros == (coding.shift == -128.0)


def _without_codes(
    values: NDArray[np.float64], odd: NDArray[np.bool_], frame: Frame, ledger: Ledger
) -> NDArray[np.float64]:
    outside = (values > HOTTEST_C) | (values < COLDEST_C)
    _warn_of_one_cold_value(values, outside, ledger)
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
        if _never_moves(values, odd, code, frame):
            ledger.infer("temperature", "not measured", "fair", f"it shows {code:g} °C in every row over days")
            ledger.repair("sensor code", f"{code:g} °C in every row over days, left empty", frame.lines[same])
            return np.full(len(values), np.nan)
        runs = runs_of(same)
        near = neighbours(runs, values, ~same & held & ~_lone(~same), frame.ts_ms, CODE_NEAR_MS)
        away = np.abs(near.before - code), np.abs(near.after - code)
        amid = (np.minimum(*away) > STEP_C) & (np.abs(near.before - near.after) <= STEP_C)
        # at an end of the log, or beside a gap, as where a sensor starts
        beside = (np.isnan(away[0]) ^ np.isnan(away[1])) & (np.fmax(*away) > FAR_C)
        mask = runs.mask(len(values), amid | (beside & (runs.last - runs.first < MOST_BESIDE_GAP)))
        if mask.any():
            ledger.repair("sensor code", f"{code:g} °C beside rows far from it, left empty", frame.lines[mask])
            values = np.where(mask, np.nan, values)
    return values


def _warn_of_one_cold_value(values: NDArray[np.float64], outside: NDArray[np.bool_], ledger: Ledger) -> None:
    """Say so where the whole file shows one value that may be a code or frost whose sign was lost."""
    if not nearly_all(outside[np.isfinite(values)]) or values[outside].min() < values[outside].max():
        return
    shown = float(values[outside][0])
    if round(shown, 4) in CODES:  # the end of a register, as of any sensor that is not there
        return
    meant = next((float(code.true(np.array([shown]))[0]) for code in CODINGS if code.low <= shown <= code.high), None)
    if meant is not None and meant < 0:
        ledger.warn(
            f"Its temperature shows {shown:g} in every row: a sensor that is not there, or {meant:g} °C that lost its sign and "
            "never moved. It was left empty, so that cold in it is not seen; an export of more days, in which it moves, tells."
        )


def _lone(mask: NDArray[np.bool_]) -> NDArray[np.bool_]:
    """Rows of a mask that have none beside them: a torn or shifted row says nothing of those around it."""
    padded = np.concatenate([[False], mask, [False]])
    return mask & ~padded[:-2] & ~padded[2:]


def _never_moves(values: NDArray[np.float64], odd: NDArray[np.bool_], code: float, frame: Frame) -> bool:
    """Whether it shows one number over days, but for a few that are far from it or were odd to begin with."""
    others = np.isfinite(values) & (values != code)
    strange = odd[others] | (np.abs(values[others] - code) > STEP_C)
    lone = len(strange) <= few(int(np.isfinite(values).sum())) and bool(strange.all())
    return len(frame) > 100 and lone and bool(frame.ts_ms[-1] - frame.ts_ms[0] > NEVER_MOVES_MS)


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
