"""Shown: at how many places the readings show which way the current counts, and the stretches that rest on those beside them.

Between two places at which something tells, and before the first and after the last, the sign is taken to be the same.
That is no finding, so it is always said, and the stretches are listed.
"""

from __future__ import annotations

from dataclasses import dataclass
from typing import TYPE_CHECKING

import numpy as np

from logbook.ingest.sign import MOST_STEP_MS
from logbook.schema.shown import LEAST_TOLD_A, MOST_LISTED, Shown, Stretch, answer_of, evidence_of, listed
from logbook.units import MS_PER_HOUR, MS_PER_S

if TYPE_CHECKING:
    from collections.abc import Sequence

    from numpy.typing import NDArray

    from logbook.ingest.frame import Frame
    from logbook.ingest.ledger import Ledger
    from logbook.ingest.sign import VotesOfSources

QUESTION = "where the sign shows"
LEAST_ROWS = 3
"""A stretch with so many rows in which a current flows that says something is listed; shorter ones are counted (ours)."""
LONG_GAP, SAMPLED = 3.0, 100_000
"""What flows in a gap of more usual intervals, and of more than a quarter of an hour, is not known."""
BLOCK = 1 << 16


@dataclass(frozen=True, eq=False)
class _Stretches:
    """Rows between the places, [k] each."""

    begins: NDArray[np.intp]
    """First row."""
    ends: NDArray[np.intp]
    """The row after the last."""
    rows: NDArray[np.int64]
    """Rows in which `LEAST_TOLD_A` or more flows and which do not show it themselves."""
    ah: NDArray[np.float64]
    """What flows in these, whichever way."""


def say_where_it_shows(frame: Frame, found: VotesOfSources, positive: str, beside: str, ledger: Ledger) -> None:
    """Note at how many places the sign is shown and which rows rest on them; `beside` is added to the evidence.

    Rows in ascending time, current still signed as in the file, `positive` what a positive one was taken to do.
    """
    sign = 1.0 if positive == "charge" else -1.0
    agreeing = [votes.rows[votes.signs == sign] for votes in found]
    places, by_themselves = _marked(len(frame), agreeing), _marked(len(frame), agreeing[1:])
    stretches = _between(frame, places, by_themselves)
    large = np.flatnonzero(stretches.rows >= LEAST_ROWS)
    large = large[np.argsort(-stretches.ah[large], kind="stable")][:MOST_LISTED]
    shown = Shown(
        int(np.count_nonzero(places)),
        int(np.count_nonzero(stretches.rows)),
        round(float(stretches.ah.sum()), 3),
        listed([_stretch(frame, stretches, int(at)) for at in large]),
        beside,
    )
    ledger.infer(QUESTION, answer_of(shown), "fair", evidence_of(shown), shown)


def _stretch(frame: Frame, stretches: _Stretches, at: int) -> Stretch:
    rows = slice(stretches.begins[at], stretches.ends[at])
    lines, times = frame.lines[rows], frame.ts_ms[rows]
    lasts_s = float(times[-1] - times[0]) / MS_PER_S
    return Stretch(int(lines.min()), int(lines.max()), lasts_s, round(float(stretches.ah[at]), 3))


def _marked(length: int, rows: Sequence[NDArray[np.intp]]) -> NDArray[np.bool_]:
    mask = np.zeros(length, bool)
    for some in rows:
        mask[some] = True
    return mask


def _between(frame: Frame, places: NDArray[np.bool_], by_themselves: NDArray[np.bool_]) -> _Stretches:
    """The stretches before, between and after rows at which the sign shows, with what flows in them; block by block.

    A percentage shows what flowed in sum up to its row, the others which way the current of the row itself counts.
    """
    length = len(frame)
    edges = np.flatnonzero(places)
    if not places[0]:
        edges = np.concatenate([np.zeros(1, np.intp), edges])
    rows, ah = np.zeros(len(edges), np.int64), np.zeros(len(edges))
    current, times = frame.get("current_a"), frame.ts_ms
    longest = max(LONG_GAP * float(np.median(np.diff(times[:SAMPLED]))) if length > 1 else 0.0, MOST_STEP_MS)
    for start in range(0, length, BLOCK):
        stop = min(start + BLOCK, length)
        first, last = int(np.searchsorted(edges, start, side="right")) - 1, int(np.searchsorted(edges, stop))
        begins = np.maximum(edges[first:last], start) - start
        size = np.abs(current[start:stop])
        flows = (size >= LEAST_TOLD_A) & ~by_themselves[start:stop]
        rows[first:last] += np.add.reduceat(flows, begins, dtype=np.int64)
        spent = np.diff(times[start : stop + 1]).astype(np.float64)
        spent[spent > longest] = 0.0
        charge = size[: len(spent)] * spent
        charge[~flows[: len(spent)]] = 0.0
        if len(spent) < stop - start:  # how long the last row held is not known
            charge = np.append(charge, 0.0)
        ah[first:last] += np.add.reduceat(charge, begins)
    return _Stretches(edges + by_themselves[edges], np.append(edges[1:], length), rows, ah / MS_PER_HOUR)
