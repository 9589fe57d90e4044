"""Device: which of several monitors or packs in one file is meant, by a column that names them or by columns of each."""

from __future__ import annotations

import itertools
import re
from typing import TYPE_CHECKING

import numpy as np

from logbook.errors import BadData, nearest
from logbook.ingest.question import Question, settle
from logbook.ingest.run import few
from logbook.ingest.unit import unit_named
from logbook.ingest.vocabulary import WORDS
from logbook.ingest.word import tokens

if TYPE_CHECKING:
    from collections.abc import Sequence

    from logbook.ingest.frame import Frame
    from logbook.ingest.ledger import Ledger
    from logbook.ingest.question import Ask

QUESTION = "device"
NOT_A_NAME = frozenset().union(
    *(WORDS[group] for group in ("voltage", "current", "soc", "temperature", "power", "level", "charging", "capacity")),
    ("state", "of", "dc"),
)
"""Words of a column's name that say what is measured, not where."""


def device_named(header: str) -> str:
    """What a column's name says beside its quantity and unit: "Pack 2" of "Pack 2 voltage (V)"; empty where nothing."""
    plain = re.sub(r"[\[(<{][^\])>}]*[\])>}]", " ", header)
    parts = [part for part in re.split(r"[\s_,:/.-]+", re.sub(r"(?<=[A-Za-z])(?=\d)", " ", plain)) if part]
    kept = [
        part for part in parts if not set(tokens(part)) <= NOT_A_NAME and (unit_named(part) is None or part.isdigit())
    ]
    return " ".join(kept)


def chosen_device(
    names: Sequence[str], evidence: str, given: str | None, ledger: Ledger, ask: Ask | None, where: str
) -> str:
    """The device that is meant: given, answered for an earlier table of the file, or asked for."""
    if given:
        found = [name for name in names if name.strip().lower() == given.strip().lower()]
        if not found:
            raise BadData(
                f'It has no readings of a device "{given}".',
                where=where,
                mend=f"{nearest(given, names)} Its devices are {', '.join(names)[:200]}.".strip(),
            )
        ledger.infer(QUESTION, found[0], "given", f"as you said; {evidence}")
        return found[0]
    if (answered := ledger.answer(QUESTION)) in names and answered is not None:
        return answered
    if recalled := ledger.recall(QUESTION, names):
        return recalled
    question = Question(
        QUESTION, "It holds several devices; whose readings are the pack's?", tuple(names), evidence, "--device NAME"
    )
    answer = settle(question, ask, where)
    ledger.infer(QUESTION, answer, "given", f"as you said; {evidence}")
    return answer


def of_one_device(frame: Frame, given: str | None, ledger: Ledger, ask: Ask | None, where: str) -> Frame:
    """Rows of one device, where a column names several that log side by side; the others are counted."""
    if "device" not in frame.words:
        return frame
    codes, words = frame.words["device"]
    counts = np.bincount(codes[codes >= 0], minlength=len(words))
    several = [code for code in range(len(words)) if counts[code] > few(len(codes))]
    if len(several) < 2 or (given is None and not _side_by_side(frame, several)):
        return frame
    names = [words[code] for code in several]
    shown = ", ".join(f'"{words[code]}" {counts[code]} rows' for code in several[:8])
    chosen = chosen_device(names, f"Its column names {shown}.", given, ledger, ask, where)
    keep = (codes == words.index(chosen)) | (codes < 0)
    ledger.repair("another device", "rows of another device, left for an import of their own", frame.lines[~keep])
    return frame.take(keep)


def _side_by_side(frame: Frame, codes: Sequence[int]) -> bool:
    """Whether the times of two of them overlap; one that follows the other is the same monitor under a new name."""
    spans = []
    for code in codes:
        times = frame.ts_ms[frame.words["device"][0] == code]
        spans.append((int(times.min()), int(times.max())))
    spans.sort()
    return any(later[0] < earlier[1] for earlier, later in itertools.pairwise(spans))
