"""Sentinels: numbers that mean "no value", and rows of zeros; a zero voltage alone is an event and stays."""

from __future__ import annotations

from dataclasses import dataclass
from typing import TYPE_CHECKING

import numpy as np

from logbook.errors import BadData
from logbook.ingest.run import neighbours, runs_of, thinned, typical_range
from logbook.schema.reading import QUANTITIES
from logbook.schema.recording import COUNTERS
from logbook.units import MS_PER_HOUR

if TYPE_CHECKING:
    from numpy.typing import NDArray

    from logbook.ingest.frame import Frame
    from logbook.ingest.ledger import Ledger
    from logbook.ingest.scale import Known

REGISTER_ENDS = (
    65535.0,
    32767.0,
    -32768.0,
    32768.0,
    4294967295.0,
    2147483647.0,
    -2147483648.0,
    9999.0,
    99999.0,
    999.0,
    -9999.0,
    -999.0,
)
"""Ends of 16- and 32-bit registers and rows of nines."""
SCALES = (1.0, 1e-1, 1e-2, 1e-3)
LEAST_CODE = 15.0
CODES = tuple(
    sorted({round(end * scale, 4) for end in REGISTER_ENDS for scale in SCALES if abs(end * scale) > LEAST_CODE})
)
HIGHEST_CELL_V = 5.5
"""A 12 V system's charger may show 16 V on an open board; 22 V it does not."""
LOWEST_USUAL_CELL_V = 2.0
"""Cells that stand below it most of the time are dead or fewer than said (common practice, no source)."""
LEAST_VOLTAGES = 20
"""So many voltages at least before the file is taken for one of another pack; ours."""
LARGEST_C_RATE = 30.0
COUNTER_ROOM = 10.0
"""So many times the span of its other values beyond them a counter's value is a code."""
NEAR_MS = MS_PER_HOUR // 4
SOC_APART = 5.0


@dataclass(frozen=True)
class Window:
    """What this pack can show."""

    low: float
    high: float


def _windows(frame: Frame, known: Known) -> dict[str, Window]:
    windows = {quantity.name: Window(quantity.lowest, quantity.highest) for quantity in QUANTITIES}
    voltage = frame.get("voltage_v")
    sample = thinned(voltage)
    held = sample[sample > 0.5]
    usual = float(np.median(held)) if len(held) else 12.8
    whole = windows["voltage_v"]
    highest = HIGHEST_CELL_V * known.cells_in_series if known.cells_in_series else min(1.8 * usual, whole.high)
    windows["voltage_v"] = Window(whole.low, highest)
    return windows


def without_sentinels(frame: Frame, known: Known, ledger: Ledger) -> Frame:
    """Cells that hold a code or an impossible number left empty; rows of zeros set aside. Ascending time."""
    frame = _without_zero_rows(frame, ledger)
    windows = _windows(frame, known)
    for name in ("voltage_v", "current_a", "soc_percent"):
        if frame.has(name):
            values = frame.get(name)
            window = windows[name]
            if name == "voltage_v":
                _refuse_another_pack(values, window.high, known, ledger)
            wrong = (values < window.low) | (values > window.high) | _coded(values, name, known)
            if name == "soc_percent":
                wrong |= _minus_one(values, frame.ts_ms)
            if wrong.any():
                ledger.repair(
                    f"no value ({name})",
                    "numbers that mean no value or that no such pack can show, left empty",
                    frame.lines[wrong],
                )
                frame = frame.with_columns(**{name: np.where(wrong, np.nan, values)})
    return frame


def without_impossible(frame: Frame, ledger: Ledger) -> Frame:
    """What no pack can show left empty, also where it came of two columns or of a power."""
    for quantity in QUANTITIES:
        values = frame.get(quantity.name)
        wrong = (values < quantity.lowest) | (values > quantity.highest)
        if wrong.any():
            ledger.repair(
                f"no value ({quantity.name})",
                "numbers that mean no value or that no such pack can show, left empty",
                frame.lines[wrong],
            )
            frame = frame.with_columns(**{quantity.name: np.where(wrong, np.nan, values)})
    return frame


def without_cell_codes(frame: Frame, ledger: Ledger) -> Frame:
    """Cell voltages no cell can show, and leaps of a counter that come back at once, left empty."""
    for name in list(frame.columns):
        values = frame.columns[name]
        if name.startswith("cell_"):
            wrong = (values > HIGHEST_CELL_V) | (values < -0.5)
            kind = "no value (cell voltages)"
        elif name in COUNTERS:
            wrong = _leaps_and_returns(values)
            kind = f"no value ({name})"
        else:
            continue
        if wrong.any():
            ledger.repair(
                kind, "numbers that mean no value or that no such pack can show, left empty", frame.lines[wrong]
            )
            frame = frame.with_columns(**{name: np.where(wrong, np.nan, values)})
    return frame


def _leaps_and_returns(values: NDArray[np.float64]) -> NDArray[np.bool_]:
    """Single values far outside of what the others span, between two that are alike."""
    wrong = np.zeros(len(values), bool)
    if len(values) < 3:
        return wrong
    low, high = typical_range(values)
    room = COUNTER_ROOM * max(high - low, 1.0)
    leaps = np.abs(np.diff(values)) > room
    wrong[1:-1] = leaps[1:] & leaps[:-1] & (np.abs(values[2:] - values[:-2]) < 0.1 * room)
    return wrong


def _refuse_another_pack(values: NDArray[np.float64], highest_v: float, known: Known, ledger: Ledger) -> None:
    """Most voltages above what so many cells can show: the file is of another pack, or the pack is described wrongly."""
    cells = known.cells_in_series
    if not cells:
        return
    held = thinned(values)
    held = held[held > 0.5]
    rows = np.flatnonzero(held > LEAST_CODE)
    if len(rows):
        held = np.delete(held, rows[np.isin(np.round(held[rows], 4), CODES)])
    if len(held) < LEAST_VOLTAGES:
        return
    usual = float(np.median(held))
    if usual > highest_v:
        raise BadData(
            f"Its usual voltage is {usual:.1f} V, more than {cells} {'cell' if cells == 1 else 'cells'} in series can show.",
            where=known.where,
            mend="Choose the pack it is of, or put right how many cells this one has:  "
            "logbook pack edit NAME --cells N",
        )
    if usual < LOWEST_USUAL_CELL_V * cells:
        ledger.warn(
            f"Its usual voltage is {usual:.1f} V, very low for {cells} cells in series. "
            "If it is of another pack, undo this import; if not, put right how many cells this pack has."
        )


def _coded(values: NDArray[np.float64], name: str, known: Known) -> NDArray[np.bool_]:
    """Register ends among values that are otherwise far smaller."""
    if name != "current_a":
        return np.zeros(len(values), bool)
    size = np.abs(values)
    usual = float(np.nan_to_num(typical_range(size)[1]))
    limit = max(LARGEST_C_RATE * known.rated_ah if known.rated_ah else 300.0, 3 * usual)
    large = size > min(limit, max(300.0, 3 * usual))
    rows = np.flatnonzero(large)
    large[rows] = np.isin(np.round(values[rows], 4), CODES) | (size[rows] > limit)
    return large


def _minus_one(values: NDArray[np.float64], ts_ms: NDArray[np.int64]) -> NDArray[np.bool_]:
    """-1 % and 255 % between ordinary values."""
    odd = values == -1.0
    if not odd.any():
        return odd
    runs = runs_of(odd)
    near = neighbours(runs, values, ~odd & np.isfinite(values), ts_ms, NEAR_MS)
    return runs.mask(len(values), (near.before > SOC_APART) | (near.after > SOC_APART))


def _without_zero_rows(frame: Frame, ledger: Ledger) -> Frame:
    """All quantities zero at once, between rows that are far from zero: the monitor had nothing to say."""
    names = [name for name in ("voltage_v", "current_a", "temperature_c", "soc_percent") if frame.has(name)]
    if len(names) < 3 or "voltage_v" not in names:
        return frame
    zero = frame.get("voltage_v") == 0
    for name in names if zero.any() else ():
        zero &= frame.get(name) == 0
    if not zero.any():
        return frame
    runs = runs_of(zero)
    far = np.zeros(len(runs), bool)
    for name in ("temperature_c", "soc_percent"):
        if name in names:
            near = neighbours(runs, frame.get(name), ~zero, frame.ts_ms, NEAR_MS)
            far |= (np.abs(near.before) > SOC_APART) & ~(np.abs(near.after) <= SOC_APART)
            far |= (np.abs(near.after) > SOC_APART) & ~(np.abs(near.before) <= SOC_APART)
    wrong = runs.mask(len(frame), far)
    if not wrong.any():
        return frame
    ledger.set_aside(frame.lines[wrong], "every value is zero: the monitor had none")
    return frame.take(~wrong)
