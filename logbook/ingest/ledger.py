"""Ledger: everything that was understood, inferred, repaired or set aside while a file is read."""

from __future__ import annotations

from collections import Counter
from typing import TYPE_CHECKING

import numpy as np

from logbook.ingest.locale import Locale
from logbook.schema.receipt import ColumnUse, Inference, Receipt, Repair, SetAside

if TYPE_CHECKING:
    from collections.abc import Iterable, Mapping, Sequence

    from numpy.typing import NDArray

    from logbook.ingest.memory import Remembered
    from logbook.schema.reading import Readings
    from logbook.schema.shown import Shown

FIRST_LINES = 20
"""How many lines of a repair, and rows set aside, a receipt shows."""
LONGEST_TEXT = 2000
"""Letters of a row set aside that are shown; the kept original has the rest."""
GAP_FACTOR = 3.0
GAP_MINIMUM_MS = 120_000
"""A gap is more than three usual intervals and two minutes; common practice, no source."""


class Ledger:
    """Collects the parts of the draft receipt."""

    def __init__(self) -> None:
        self.columns: list[ColumnUse] = []
        self.inferences: list[Inference] = []
        self.warnings: list[str] = []
        self.rows_read = 0
        self.memory: Remembered | None = None
        """How the last file with the same header was understood."""
        self.locale = Locale()
        """Where and when the file is likely to be from."""
        self.mapping_text: str | None = None
        self._repairs: dict[str, tuple[str, int, list[int]]] = {}
        self._set_aside: dict[int, tuple[str, str | None]] = {}

    def infer(self, question: str, answer: str, strength: str, evidence: str, shown: Shown | None = None) -> None:
        """Note what was decided, how strongly, and why; `shown` where it does not show everywhere."""
        entry = Inference(question, answer, strength, evidence, shown)
        if entry not in self.inferences:
            self.inferences.append(entry)

    def answer(self, question: str) -> str | None:
        """What was decided about a question so far."""
        return next((entry.answer for entry in self.inferences if entry.question == question), None)

    def recalled(self, question: str, choices: Sequence[str] = ()) -> str | None:
        """What was decided about a question last time, if it is one of the choices now; `recall` takes it over."""
        answer = self.memory.answers.get(question) if self.memory else None
        return answer if not choices or answer in choices else None

    def recall(self, question: str, choices: Sequence[str] = ()) -> str | None:
        """Decide a question as last time, and say so."""
        answer = self.recalled(question, choices)
        if answer is not None and self.memory is not None:
            self.infer(question, answer, "given", self.memory.said)
        return answer

    def warn(self, text: str) -> None:
        """Note something the owner should know."""
        if text not in self.warnings:
            self.warnings.append(text)

    def repair(
        self, kind: str, message: str, lines: NDArray[np.int64] | Iterable[int], count: int | None = None
    ) -> None:
        """Note a repair of the rows on these lines; `count` where more rows than lines are given."""
        given = np.asarray(lines if isinstance(lines, np.ndarray) else list(lines), np.int64)
        total = len(given) if count is None else count
        if not total:
            return
        _, before, known = self._repairs.get(kind, ("", 0, []))
        first = sorted({*known, *(int(line) for line in np.sort(given)[:FIRST_LINES])})[:FIRST_LINES]
        self._repairs[kind] = (message, before + total, first)

    def set_aside(self, lines: NDArray[np.int64] | Iterable[int], reason: str, text: str | None = None) -> None:
        """Set rows aside; the first reason of a line stands."""
        for line in lines:
            self._set_aside.setdefault(int(line), (reason, None if text is None else text[:LONGEST_TEXT]))

    def repaired(self, kinds: str) -> int:
        """How many repairs there were of kinds whose names begin so."""
        return sum(count for kind, (_, count, _) in self._repairs.items() if kind.startswith(kinds))

    @property
    def rows_aside(self) -> int:
        """How many rows were set aside so far."""
        return len(self._set_aside)

    def lines_without_text(self) -> list[int]:
        """Lines set aside whose text has still to be fetched, ascending."""
        return sorted(line for line, (_, text) in self._set_aside.items() if text is None)

    def set_aside_rows(self, texts: Mapping[int, str]) -> tuple[SetAside, ...]:
        """Every row set aside, by line."""
        return tuple(
            SetAside(line, reason, (texts.get(line, "") if text is None else text)[:LONGEST_TEXT])
            for line, (reason, text) in sorted(self._set_aside.items())
        )

    def receipt(self, file_name: str, sha256: str, readings: Readings, rows: tuple[SetAside, ...]) -> Receipt:
        """The draft receipt; rows_stored is what the store will be given."""
        interval_ms, gaps = _intervals(readings.ts_ms)
        return Receipt(
            file_name=file_name,
            sha256=sha256,
            rows_read=self.rows_read,
            rows_stored=len(readings),
            rows_already_known=0,
            rows_set_aside=len(rows),
            first_ms=int(readings.ts_ms[0]) if len(readings) else None,
            last_ms=int(readings.ts_ms[-1]) if len(readings) else None,
            interval_s=None if interval_ms is None else interval_ms / 1000,
            gaps=gaps,
            columns=tuple(self.columns),
            inferences=tuple(self.inferences),
            repairs=tuple(
                Repair(kind, message, count, tuple(lines)) for kind, (message, count, lines) in self._repairs.items()
            ),
            set_aside_reasons=dict(Counter(row.reason for row in rows)),
            set_aside_first=rows[:FIRST_LINES],
            warnings=tuple(self.warnings),
            mapping=self.mapping_text,
        )


def _intervals(ts_ms: NDArray[np.int64]) -> tuple[float | None, int]:
    if len(ts_ms) < 2:
        return None, 0
    steps = np.diff(ts_ms)
    usual = float(np.median(steps))
    return usual, int(np.count_nonzero(steps > max(GAP_FACTOR * usual, GAP_MINIMUM_MS)))
