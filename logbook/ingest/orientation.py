"""Orientation: the current turned so that positive flows into the pack, by what is said and what physics shows."""

from __future__ import annotations

import itertools
from dataclasses import dataclass, replace
from typing import TYPE_CHECKING

import numpy as np

from logbook.errors import Unanswered
from logbook.ingest.contrary import Untold, heard, untold
from logbook.ingest.counted import by_counter
from logbook.ingest.question import Question, settle
from logbook.ingest.run import more_than_few
from logbook.ingest.shown import say_where_it_shows
from logbook.ingest.sign import TELLING, SignEvidence, gathered_votes, large_steps, merged, sign_evidence
from logbook.ingest.turn import firm, flips
from logbook.ingest.unchecked import SURE, unchecked_ends

if TYPE_CHECKING:
    from collections.abc import Sequence

    from numpy.typing import NDArray

    from logbook.ingest.frame import Frame
    from logbook.ingest.ledger import Ledger
    from logbook.ingest.question import Ask
    from logbook.ingest.scale import Known
    from logbook.ingest.sign import Votes, VotesOfSources
    from logbook.ingest.turn import Flip
    from logbook.ingest.unchecked import End

STRONG = {"strong", "fair"}
UNSIGNED_VOTES = 5
MOST_NAMED = 8
"""So many stretches of lines are named in a sentence."""
ALL_ONE_WAY = " (it is never below zero, so that all of it goes one way)"


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
    steps, votes, evidence = _gathered(frame, known)
    signed = more_than_few(frame.get("current_a") < 0)
    by_rows = bool(said.columns)
    counted = (0, len(frame) - 1)
    if signed:
        cuts = flips(frame, votes, known.cells_in_series)
        if cuts:
            frame, counted = _unflipped(frame, cuts, ledger)
            steps, votes, evidence = _gathered(frame, known)
    elif not by_rows and (directed := by_counter(frame, ledger)) is not None:
        frame, signed, by_rows = directed, True, True
        steps, votes, evidence = _gathered(frame, known)
    elif not by_rows and (speaks := _mixed(evidence)):
        if not said.owner:
            raise _unsigned(speaks, known)
        frame = _as_declared(frame, votes, said.owner, ledger)
    slight = ""
    if not said.columns:
        votes_heard = heard(frame, votes, known.cells_in_series)
        ends = unchecked_ends(frame, votes, known.cells_in_series)
        ends, parts = _in_one(ends, untold(frame, votes_heard, steps), evidence)
        _warn(frame, parts, ledger)
        slight = _slight(frame, parts)
        evidence = _checked_to_its_ends(frame, ends, evidence, ledger)
    where_counted = _where_counted(frame, counted) if signed or said.columns else ALL_ONE_WAY
    positive = _decide(said, evidence, known, ledger, ask, where_counted)
    if not signed and not said.columns:
        _say_that_none_is_signed(frame, positive, slight, ledger)
    elif not by_rows:
        say_where_it_shows(frame, votes_heard, positive, slight, ledger)
    return frame if positive == "charge" else frame.with_columns(current_a=0.0 - frame.get("current_a"))


def _gathered(frame: Frame, known: Known) -> tuple[NDArray[np.intp], VotesOfSources, SignEvidence]:
    """Large steps, every source's votes, and all of them together.

    Steps alone count only where the voltage is flat: a taper's go against the current.
    """
    steps = large_steps(frame)
    soc, step, top, words = gathered_votes(frame, known.cells_in_series, steps)
    if all(len(source.rows) < TELLING for source in (soc, top, words)):
        step = firm(frame, step, known.cells_in_series)
    votes = (soc, step, top, words)
    return steps, votes, sign_evidence(votes, frame.lines)


def _in_one(ends: Sequence[End], parts: Untold, evidence: SignEvidence) -> tuple[list[End], Untold]:
    """Ends that are told anyway, widened by what overlaps them, and the rest of the parts."""
    widened = []
    left = {"contrary": list(parts.contrary), "slight": list(parts.slight)}
    for end in ends:
        if _confirmed(end, evidence):
            widened.append(end)
            continue
        over = [part for kind in left.values() for part in kind if part[0] <= end.last and end.first <= part[1]]
        left = {kind: [part for part in those if part not in over] for kind, those in left.items()}
        first, last = min([end.first, *(part[0] for part in over)]), max([end.last, *(part[1] for part in over)])
        first = max(first - (first == end.first), 0)  # the last vote may be a step across the turn
        widened.append(replace(end, first=first, last=last))
    return widened, Untold(tuple(left["contrary"]), tuple(left["slight"]))


def _confirmed(end: End, evidence: SignEvidence) -> bool:
    """Whether Ohm's law says of an end what the rest says."""
    return (end.lean if evidence.positive == "charge" else -end.lean) >= SURE and not end.contradicted


def _checked_to_its_ends(frame: Frame, ends: Sequence[End], evidence: SignEvidence, ledger: Ledger) -> SignEvidence:
    """The evidence, split where an end of the file speaks against the rest; a long end that says nothing is told."""
    for end in ends:
        lean = end.lean if evidence.positive == "charge" else -end.lean
        if lean <= -SURE and not evidence.split:
            way = f"; but in {_named(frame, [(end.first, end.last)])} voltage and current change the other way, as if the sign turned over there"
            evidence = replace(evidence, split=way)
        elif not _confirmed(end, evidence):
            told = (
                "The current seems to count the other way"
                if end.contradicted
                else "Which way the current counts shows nowhere"
            )
            ledger.warn(
                f"{told} in {_named(frame, [(end.first, end.last)])}; it is taken to be as in the rest. "
                "If the monitor was updated or set anew there, import that part by itself and say  --positive ."
            )
    return evidence


def _warn(frame: Frame, parts: Untold, ledger: Ledger) -> None:
    """Name the lines in which much speaks for the other sign."""
    if parts.contrary:
        ledger.warn(
            f"The current may be of the other sign in {_named(frame, parts.contrary)}: what tells it there goes the other way "
            "than in the rest, or the current turns over while the voltage stands. Look there; if the monitor was "
            "updated or set anew, import that part by itself and say  --positive ."
        )


def _slight(frame: Frame, parts: Untold) -> str:
    """Where a vote or two speak against the rest, in words."""
    return (
        f"a reading or two speak against it, as chance has it, in {_named(frame, parts.slight)}" if parts.slight else ""
    )


def _named(frame: Frame, parts: Sequence[tuple[int, int]]) -> str:
    """Lines of some stretches, those that meet as one."""
    there = [frame.lines[first : last + 1] for first, last in parts]
    lines: list[tuple[int, int]] = []
    for first, last in sorted((int(part.min()), int(part.max())) for part in there):
        if lines and first <= lines[-1][1] + 1:
            lines[-1] = (lines[-1][0], max(last, lines[-1][1]))
        else:
            lines.append((first, last))
    told = [f"lines {first} to {last}" if last > first else f"line {first}" for first, last in lines[:MOST_NAMED]]
    return "; ".join(told) + (f" and {len(lines) - MOST_NAMED} more stretches" if len(lines) > MOST_NAMED else "")


def _say_that_none_is_signed(frame: Frame, positive: str, slight: str, ledger: Ledger) -> None:
    """Note that all of a current without signs is taken to go one way."""
    told = "it is never below zero; if it both charged and discharged there, export a signed current or an Ah counter beside it"
    ledger.infer(
        "sign of the current",
        f"none in {_named(frame, [(0, len(frame) - 1)])}; all of it taken to be {positive}",
        "fair",
        f"{told}; {slight}" if slight else told,
    )


def _where_counted(frame: Frame, part: tuple[int, int]) -> str:
    """Which lines an answer is about, where the rest was turned to be like them."""
    return "" if part == (0, len(frame) - 1) else f" in {_named(frame, [part])}, like which the rest was turned"


def _decide(
    said: Said, evidence: SignEvidence, known: Known, ledger: Ledger, ask: Ask | None, where_counted: str
) -> str:
    if evidence.split:
        ledger.warn(f"The current may be of the other sign in a part of the file{evidence.split}. Look there.")
    if said.owner:
        ledger.infer("positive current", said.owner, "given", f"as you said{where_counted}; {evidence.evidence}")
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
        f"Does a positive current charge or discharge the pack{where_counted}?",
        ("charge", "discharge"),
        f"{doubt}{evidence.evidence}.",
        "--positive charge  or  --positive discharge",
    )
    answer = settle(question, ask, known.where)
    ledger.infer("positive current", answer, "given", f"as you said{where_counted}; {evidence.evidence}")
    return answer


def _unflipped(frame: Frame, cuts: Sequence[Flip], ledger: Ledger) -> tuple[Frame, tuple[int, int]]:
    """Turn the stretches whose sign differs from that of the longest one; what may be of either is left empty.

    Also first and last row of the longest.
    """
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
    if open_parts := [(cut.unsure, cut.sure - 1) for cut in cuts if unsure[cut.unsure : cut.sure].any()]:
        ledger.warn(
            f"The sign turns over somewhere in {_named(frame, open_parts)}, where nothing tells which way the current counts: "
            "left empty there. If you know when the monitor was updated or set anew, split the file at that row and import "
            "both parts with  --positive ."
        )
    current = _turned(frame.get("current_a"), turned)
    current = np.where(unsure, np.nan, current) if unsure.any() else current
    begins, ends = [0, *(cut.sure for cut in cuts)], [*(cut.unsure for cut in cuts), len(frame)]
    return frame.with_columns(current_a=current), (begins[longest], ends[longest] - 1)


def _turned(current: NDArray[np.float64], rows: NDArray[np.bool_]) -> NDArray[np.float64]:
    return np.where(rows, 0.0 - current, current)


def _mixed(evidence: SignEvidence) -> Votes | None:
    """What shows that a current which is never negative both charges and discharges."""
    mixed = [
        vote for vote in evidence.votes if min(vote.charge, vote.discharge) >= UNSIGNED_VOTES and 0.1 < vote.share < 0.9
    ]
    return mixed[0] if mixed else None


def _unsigned(speaks: Votes, known: Known) -> Unanswered:
    return Unanswered(
        "The current has no sign and no column tells charging from discharging: "
        f"{speaks.source} rises {speaks.charge} and falls {speaks.discharge} times with it.",
        where=known.where,
        mend="If all of it is one way, say which with  --positive charge  or  --positive discharge ; else export a signed "
        "current, a signed power or an Ah counter beside it, or name the column that tells with  --mapping FILE  "
        "(direction = { column = ... } under [columns])",
    )


def _as_declared(frame: Frame, votes: VotesOfSources, owner: str, ledger: Ledger) -> Frame:
    """A current without signs that its owner says is all one way; where the readings speak against it, it is left empty."""
    current = frame.get("current_a")
    told = merged(*votes)
    agree = np.concatenate([[True], told.signs == (1.0 if owner == "charge" else -1.0), [True]])
    beside = np.searchsorted(told.rows, np.arange(len(frame)), side="right")
    against = (np.abs(current) > 0) & ~(agree[beside] & agree[beside + 1])
    share = float(against.sum()) / max(int(np.count_nonzero(np.abs(current) > 0)), 1)
    ledger.repair(
        "direction against readings",
        f"currents beside readings that speak against {owner}, left empty",
        frame.lines[against],
    )
    ledger.warn(
        f"The current has no sign. You said that all of it is {owner}, but {share:.0%} of its rows stand beside readings that "
        "speak against that, and are left empty; others may be of the kind too. Export a signed current, or an Ah counter beside it."
    )
    return frame.with_columns(current_a=np.where(against, np.nan, current))
