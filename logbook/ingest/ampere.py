"""Amperes: whole numbers taken as amperes because no unit is said, held against what the battery did meanwhile."""

from __future__ import annotations

from typing import TYPE_CHECKING

import numpy as np

from logbook.ingest.question import Question, settle
from logbook.ingest.run import nearly_all
from logbook.units import MS_PER_HOUR

if TYPE_CHECKING:
    from logbook.ingest.frame import Frame
    from logbook.ingest.ledger import Ledger
    from logbook.ingest.question import Ask
    from logbook.ingest.scale import Known

LEAST_CLAIMED_PERCENT = 50.0
LEAST_MOVED_PERCENT = 10.0
TIMES_TOO_MUCH = 30.0
"""A percentage that moves thirty times less than the current claims belongs to another unit (ours)."""
LEAST_STEP_A, LEAST_STEPS = 20.0, 10
LEAST_OHM = 2e-4
"""A house battery of any size has more than 0.2 mΩ with its leads (from memory: 1 to 20 mΩ)."""
LONGEST_MS = MS_PER_HOUR // 4
CURRENTS = ("current_a", "charge_current_a", "discharge_current_a")


def in_amperes(frame: Frame, known: Known, ledger: Ledger, ask: Ask | None) -> Frame:
    """The frame, its currents divided by 1000 where they turn out to be milliamperes; ascending time."""
    if any(use.quantity == "power_w" and "; W because" in use.evidence for use in ledger.columns):
        frame = _in_watts(frame, known, ledger, ask)
    if any(use.quantity in CURRENTS and "; mA because whole" in use.evidence for use in ledger.columns):
        frame = _in_hundredths(frame, known, ledger)
    current = frame.get("current_a")
    supposed = any(use.quantity in CURRENTS and "; A because" in use.evidence for use in ledger.columns)
    held = current[np.isfinite(current)]
    if not supposed or len(held) < LEAST_STEPS or not nearly_all(np.mod(held, 1) == 0):
        return frame
    doubt = _against_charge(frame, known) or _against_voltage(frame)
    if not doubt:
        return frame
    question = Question(
        "current_unit",
        "Is its current in A or mA?",
        ("A", "mA"),
        doubt,
        '--mapping FILE  with  unit = "mA"  (or "A") under [columns.current_a]',
    )
    answer = settle(question, ask, known.where)
    ledger.infer("current unit", answer, "given", f"as you said; {doubt}")
    return frame.with_columns(current_a=current / 1000) if answer == "mA" else frame


def _in_hundredths(frame: Frame, known: Known, ledger: Ledger) -> Frame:
    """Whole numbers too large for amperes may be hundredths of them: the percentage then moves ten times more."""
    claimed, moved = claimed_and_moved(frame, known)
    if moved < LEAST_MOVED_PERCENT or not 5.0 * claimed <= moved <= 20.0 * claimed:
        return frame
    shown = f"in mA it would have moved {claimed:.1f} % of the pack's charge, and its percentage moved {moved:.0f}"
    ledger.infer("current unit", "cA", "fair", shown)
    return frame.with_columns(current_a=frame.get("current_a") * 10)


def _in_watts(frame: Frame, known: Known, ledger: Ledger, ask: Ask | None) -> Frame:
    """Currents from a power without a unit, which may have been in kW."""
    if not any(entry.answer == "power divided by voltage" for entry in ledger.inferences):
        return frame
    claimed, moved = claimed_and_moved(frame, known)
    if moved < LEAST_MOVED_PERCENT or moved < TIMES_TOO_MUCH * claimed:
        return frame
    doubt = f"In W it would have moved {claimed:.1f} % of the pack's charge, and its percentage moved {moved:.0f}."
    option = '--mapping FILE  with  unit = "kW"  (or "W") under [columns.power_w]'
    answer = settle(Question("power_unit", "Is its power in W or kW?", ("W", "kW"), doubt, option), ask, known.where)
    ledger.infer("power unit", answer, "given", f"as you said; {doubt}")
    return frame.with_columns(current_a=frame.get("current_a") * 1000) if answer == "kW" else frame


def claimed_and_moved(frame: Frame, known: Known) -> tuple[float, float]:
    """Percent of the pack's charge that the current moved, and that the reported percentage moved; 0 where unknown."""
    soc, current = frame.get("soc_percent"), frame.get("current_a")
    if not known.rated_ah or not frame.has("soc_percent") or len(frame) < LEAST_STEPS:
        return 0.0, 0.0
    hours = np.minimum(np.diff(frame.ts_ms), LONGEST_MS) / MS_PER_HOUR
    claimed = float(np.nansum(np.abs(current[:-1]) * hours)) / known.rated_ah * 100.0
    return claimed, float(np.abs(np.diff(soc[np.isfinite(soc)])).sum())


def _against_charge(frame: Frame, known: Known) -> str | None:
    """What the current claims, where the state of charge shows far less."""
    claimed, moved = claimed_and_moved(frame, known)
    moved += 1.0
    if claimed < LEAST_CLAIMED_PERCENT or claimed < TIMES_TOO_MUCH * moved:
        return None
    return f"In A they would have moved {claimed:.0f} % of the pack's charge, and its percentage moved {moved - 1:.0f}."


def _against_voltage(frame: Frame) -> str | None:
    """How little the voltage moves with the current."""
    step_a, step_v = np.diff(frame.get("current_a")), np.diff(frame.get("voltage_v"))
    large = (np.abs(step_a) >= LEAST_STEP_A) & np.isfinite(step_v)
    if np.count_nonzero(large) < LEAST_STEPS:
        return None
    ohm = float(np.abs(step_v[large]).mean() / np.abs(step_a[large]).mean())
    if ohm >= LEAST_OHM:
        return None
    return f"In A its voltage would move by only {ohm * 1e3:.2g} mV for each A."
