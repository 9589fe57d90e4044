"""Recalled units: a unit taken from the last file with the same header, held against what the battery did meanwhile."""

from __future__ import annotations

from typing import TYPE_CHECKING

import numpy as np

from logbook.ingest.ampere import claimed_and_moved
from logbook.ingest.question import Question, settle
from logbook.ingest.run import nearly_all, typical_range
from logbook.ingest.unit import unit_exact

if TYPE_CHECKING:
    from numpy.typing import NDArray

    from logbook.ingest.frame import Frame
    from logbook.ingest.ledger import Ledger
    from logbook.ingest.question import Ask
    from logbook.ingest.scale import Known

CURRENTS = ("current_a", "charge_current_a", "discharge_current_a")
MARK = "because it was so last time"
LEAST_PERCENT = 10.0
"""So much of the pack's charge must have moved before it says anything about a unit (ours)."""
ALIKE = (0.2, 5.0)
"""Charge counted and percentage moved agree within this, whatever the pack's true capacity (ours)."""
LEAST_STEPS = 10
OHM = (2e-4, 0.2)
"""Resistance of any house battery with its leads (from memory: 1 to 20 mΩ)."""


def against_recalled(frame: Frame, known: Known, ledger: Ledger, ask: Ask | None) -> Frame:
    """The frame, with currents and percentages in another unit than last time where the battery shows it.

    Raises Unanswered where the numbers look like another unit, the battery does not tell, and nobody says.
    """
    recalled = {use.quantity: use.unit for use in ledger.columns if MARK in use.evidence}
    current = next((unit for name in CURRENTS if (unit := recalled.get(name))), None)
    if current and current != "A" and frame.has("current_a"):
        frame = _current(frame, current, known, ledger, ask)
    if (unit := recalled.get("soc_percent")) in {"‰", "%"} and unit and frame.has("soc_percent"):
        frame = _percentage(frame, unit, known, ledger, ask)
    return frame


def _current(frame: Frame, last: str, known: Known, ledger: Ledger, ask: Ask | None) -> Frame:
    times = round(1 / unit_exact(last).factor)
    claimed, moved = claimed_and_moved(frame, known)
    ohm = _ohm(frame)
    if moved >= LEAST_PERCENT and claimed > 0:
        shown = (
            f"in {last} it would have moved {claimed:.2g} % of the pack's charge, and its percentage moved {moved:.0f}"
        )
        fits, other = _alike(moved / claimed), _alike(moved / claimed / times)
    elif ohm is not None:
        shown = f"in {last} its voltage would move by {ohm:.2g} V for each A"
        fits, other = OHM[0] <= ohm <= OHM[1], OHM[0] <= ohm / times <= OHM[1]
    else:
        values = frame.get("current_a") * times
        if nearly_all(np.mod(np.round(values[np.isfinite(values)], 6), 1) == 0):
            return frame
        shown = f"it has fractions, as {last} seldom have, and nothing shows how much was moved"
        fits = other = False
    if fits:
        return frame
    answer = "A" if other else _asked("current", ("A", last), shown, known, ledger, ask)
    if other:
        _decided("current unit", answer, last, shown, ledger)
    return frame.with_columns(current_a=frame.get("current_a") * times) if answer == "A" else frame


def _percentage(frame: Frame, last: str, known: Known, ledger: Ledger, ask: Ask | None) -> Frame:
    """From thousandths to hundredths, or from hundredths to a fraction of one."""
    now, times, highest_shown = ("%", 10.0, 10.0) if last == "‰" else ("1", 100.0, 1.0)
    soc = frame.get("soc_percent")
    highest = typical_range(soc)[1]
    if not highest <= highest_shown:
        return frame
    claimed, moved = claimed_and_moved(frame, known)
    shown = f"in {last} it would be at most {highest:.2g} % full"
    other = fits = False
    if claimed >= LEAST_PERCENT:
        shown += f", and it would have moved {moved:.2g} % while the current moved {claimed:.0f} %"
        fits, other = _alike(moved / claimed), _alike(moved * times / claimed)
    if fits and not other:
        return frame
    sure = other and not fits
    answer = now if sure else _asked("soc", (now, last), shown, known, ledger, ask)
    if sure:
        _decided("percent unit", answer, last, shown, ledger)
    return frame.with_columns(soc_percent=soc * times) if answer == now else frame


def _alike(ratio: float) -> bool:
    return ALIKE[0] <= ratio <= ALIKE[1]


def _ohm(frame: Frame) -> float | None:
    """How much the voltage moves with the current, over its larger steps; None where there are too few."""
    step_a, step_v = np.abs(np.diff(frame.get("current_a"))), np.abs(np.diff(frame.get("voltage_v")))
    held: NDArray[np.bool_] = np.isfinite(step_a) & np.isfinite(step_v)
    if np.count_nonzero(held & (step_a > 0)) < LEAST_STEPS:
        return None
    least = 0.3 * float(np.percentile(step_a[held], 99))
    large = held & (step_a >= least) & (step_a > 0)
    if np.count_nonzero(large) < LEAST_STEPS or not float(step_v[large].mean()):
        return None
    return float(step_v[large].mean() / step_a[large].mean())


def _decided(question: str, answer: str, last: str, shown: str, ledger: Ledger) -> None:
    ledger.infer(question, answer, "strong", shown)
    ledger.warn(
        f"Its {question.removesuffix(' unit')} is in {answer}; in the last file with this header it was in {last}."
    )


def _asked(what: str, choices: tuple[str, str], shown: str, known: Known, ledger: Ledger, ask: Ask | None) -> str:
    name, column = ("current", "current_a") if what == "current" else ("state of charge", "soc_percent")
    question = Question(
        f"{what}_unit",
        f"Is its {name} in {choices[0]} or, as in the last file with this header, in {choices[1]}?",
        choices,
        f"{shown[0].upper()}{shown[1:]}.",
        f'--mapping FILE  with  unit = "{choices[0]}"  (or "{choices[1]}") under [columns.{column}]',
    )
    answer = settle(question, ask, known.where)
    ledger.infer("current unit" if what == "current" else "percent unit", answer, "given", "as you said")
    return answer
