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
TIMES_TOO_MUCH = 30.0
"""A percentage that moves thirty times less than the current claims belongs to another unit (ours)."""
LEAST_STEP_A, LEAST_STEPS = 20.0, 10
LEAST_OHM = 2e-4
"""A house battery of any size has more than 0.2 mΩ with its leads (from memory: 1 to 20 mΩ)."""
LONGEST_MS = MS_PER_HOUR // 4
CURRENTS = ("current_a", "charge_current_a", "discharge_current_a")


def in_amperes(frame: Frame, known: Known, ledger: Ledger, ask: Ask | None) -> Frame:
    """The frame, its currents divided by 1000 where they turn out to be milliamperes; ascending time."""
    supposed = any(use.quantity in CURRENTS and "; A because" in use.evidence for use in ledger.columns)
    current = frame.get("current_a")
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


def _against_charge(frame: Frame, known: Known) -> str | None:
    """What the current claims, where the state of charge shows far less."""
    soc, current = frame.get("soc_percent"), frame.get("current_a")
    if not known.rated_ah or not frame.has("soc_percent"):
        return None
    hours = np.minimum(np.diff(frame.ts_ms), LONGEST_MS) / MS_PER_HOUR
    claimed = float(np.nansum(np.abs(current[:-1]) * hours)) / known.rated_ah * 100.0
    seen = soc[np.isfinite(soc)]
    moved = float(np.abs(np.diff(seen)).sum()) + 1.0
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
