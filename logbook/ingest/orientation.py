"""Orientation: the current turned so that positive flows into the pack, by what is said and what physics shows."""

from __future__ import annotations

import itertools
from dataclasses import dataclass, replace
from typing import TYPE_CHECKING

import numpy as np

from logbook.errors import Unanswered
from logbook.ingest.question import Question, settle
from logbook.ingest.run import more_than_few
from logbook.ingest.sign import SignEvidence, flips, gathered_votes, sign_evidence
from logbook.ingest.unchecked import SURE, unchecked_ends

if TYPE_CHECKING:
    from collections.abc import Sequence

    from numpy.typing import NDArray

    from logbook.ingest.frame import Frame
    from logbook.ingest.ledger import Ledger
    from logbook.ingest.question import Ask
    from logbook.ingest.scale import Known
    from logbook.ingest.sign import Flip
    from logbook.ingest.unchecked import End

STRONG = {"strong", "fair"}
UNSIGNED_VOTES = 5


@dataclass(frozen=True)
class Said:
    """What is said about the sign: by the owner, by the columns, by a header's words."""

    owner: str | None
    columns: str | None
    header: str | None


def oriented(frame: Frame, said: Said, known: Known, ledger: Ledger, ask: Ask | None) -> Frame:
    """Rows in ascending time with `current_a` positive into the pack."""
    if not frame.has("current_a"):
        return frame
    votes = gathered_votes(frame, known.cells_in_series)
    evidence = sign_evidence(votes, frame.lines)
    if more_than_few(frame.get("current_a") < 0):
        cuts = flips(frame, votes)
        if cuts:
            frame = _unflipped(frame, cuts, ledger)
            votes = gathered_votes(frame, known.cells_in_series)
            evidence = sign_evidence(votes, frame.lines)
    elif not said.columns:
        _refuse_unsigned(evidence, known)
    if not said.columns:
        ends = unchecked_ends(frame, votes, known.cells_in_series)
        evidence = _checked_to_its_ends(frame, ends, evidence, ledger)
    positive = _decide(said, evidence, known, ledger, ask)
    return frame if positive == "charge" else frame.with_columns(current_a=0.0 - frame.get("current_a"))


def _checked_to_its_ends(frame: Frame, ends: Sequence[End], evidence: SignEvidence, ledger: Ledger) -> SignEvidence:
    """The evidence, split where an end of the file speaks against the rest; an end that says nothing is told."""
    for end in ends:
        first, last = int(frame.lines[end.first]), int(frame.lines[end.last])
        lean = end.lean if evidence.positive == "charge" else -end.lean
        if lean <= -SURE and not evidence.split:
            way = f"; but in lines {first} to {last} voltage and current change the other way, as if the sign turned over there"
            evidence = replace(evidence, split=way)
        elif lean < SURE or end.contradicted:
            ledger.infer(
                "sign of the current",
                f"not checked in lines {first} to {last}",
                "thin",
                "no step of a load, no percentage and no charge to the top shows it there; taken to be as in the rest",
            )
            ledger.warn(
                f"Which way the current counts shows nowhere in lines {first} to {last}; it is taken to be as in the rest. "
                "If the monitor was updated or set anew there, import that part by itself and say  --positive ."
            )
    return evidence


def _decide(said: Said, evidence: SignEvidence, known: Known, ledger: Ledger, ask: Ask | None) -> str:
    if evidence.split:
        ledger.warn(f"The current may be of the other sign in a part of the file{evidence.split}. Look there.")
    if said.owner:
        ledger.infer("positive current", said.owner, "given", f"as you said; {evidence.evidence}")
        if evidence.strength == "strong" and evidence.positive != said.owner:
            ledger.warn(
                f"You said that positive is {said.owner}, but the readings speak against it: {evidence.evidence}."
            )
        return said.owner
    word = said.columns or said.header
    recalled = None if said.columns else ledger.recalled("positive current")
    telling = evidence.strength in STRONG
    forgotten = recalled is not None and telling and evidence.positive != recalled
    contradicted = forgotten or (word is not None and telling and evidence.positive != word)
    if word and not contradicted:
        what = "the columns say so" if said.columns else "the header says so"
        ledger.infer("positive current", word, "strong", f"{what}; {evidence.evidence}")
        return word
    if telling and not contradicted:
        ledger.infer("positive current", evidence.positive, evidence.strength, evidence.evidence)
        return evidence.positive
    if not contradicted and (answer := ledger.recall("positive current")):
        return answer
    doubt = f"The header says {word}, but " if contradicted else "The readings do not show it: "
    if forgotten and ledger.memory:
        doubt = f"In the last file with this header (import {ledger.memory.import_id}) it was {recalled}, but "
    question = Question(
        "positive",
        "Does a positive current charge or discharge the pack?",
        ("charge", "discharge"),
        f"{doubt}{evidence.evidence}.",
        "--positive charge  or  --positive discharge",
    )
    answer = settle(question, ask, known.where)
    ledger.infer("positive current", answer, "given", f"as you said; {evidence.evidence}")
    return answer


def _unflipped(frame: Frame, cuts: Sequence[Flip], ledger: Ledger) -> Frame:
    """Turn the stretches whose sign differs from that of the longest one; what may be of either is left empty."""
    edges = [0, *(cut.row for cut in cuts), len(frame)]
    spans = list(itertools.pairwise(edges))
    longest = max(range(len(spans)), key=lambda index: spans[index][1] - spans[index][0])
    turned = np.zeros(len(frame), bool)
    for index, (first, last) in enumerate(spans):
        if (index - longest) % 2:
            turned[first:last] = True
    unsure = np.zeros(len(frame), bool)
    for cut in cuts:
        unsure[cut.unsure : cut.sure] = np.abs(frame.get("current_a")[cut.unsure : cut.sure]) > 0
    lines = ", ".join(str(int(frame.lines[cut.row])) for cut in cuts[:5])
    ledger.infer(
        "sign of the current",
        f"turns over at line {lines}",
        "strong",
        "voltage steps and state of charge go the other way from there",
    )
    ledger.repair("sign turned over", "rows logged with the other sign of current, turned", frame.lines[turned])
    ledger.repair(
        "sign not known",
        "currents where the sign turned over, which may be of either sign, left empty",
        frame.lines[unsure],
    )
    current = _turned(frame.get("current_a"), turned)
    return frame.with_columns(current_a=np.where(unsure, np.nan, current) if unsure.any() else current)


def _turned(current: NDArray[np.float64], rows: NDArray[np.bool_]) -> NDArray[np.float64]:
    return np.where(rows, 0.0 - current, current)


def _refuse_unsigned(evidence: SignEvidence, known: Known) -> None:
    """A current that is never negative while the pack is both charged and discharged says too little."""
    mixed = [
        vote for vote in evidence.votes if min(vote.charge, vote.discharge) >= UNSIGNED_VOTES and 0.1 < vote.share < 0.9
    ]
    if not mixed:
        return
    raise Unanswered(
        "The current has no sign and no column tells charging from discharging: "
        f"{mixed[0].source} rises {mixed[0].charge} and falls {mixed[0].discharge} times with it.",
        where=known.where,
        mend="Export a signed current, or name the column that tells with  --mapping FILE  "
        "(direction = { column = ... } under [columns])",
    )
