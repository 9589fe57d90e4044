"""Read an export: recognise, map, repair, and write the draft receipt; storing is another's work."""

from __future__ import annotations

from dataclasses import replace
from pathlib import Path
from typing import TYPE_CHECKING

import numpy as np

from logbook.errors import BadData
from logbook.ingest.archive import open_source
from logbook.ingest.columns import ColumnPlan
from logbook.ingest.frame import Frame, joined
from logbook.ingest.ledger import Ledger
from logbook.ingest.moment import NO_MOMENT, Moments, TimeOptions, moments_of
from logbook.ingest.question import Question, settle
from logbook.ingest.quantity import frame_of
from logbook.ingest.scale import Known
from logbook.ingest.sign import sign_evidence
from logbook.ingest.table import Section, read_sections
from logbook.ingest.text import Text
from logbook.ingest.zone import utc_from_local, zone_named
from logbook.schema.reading import QUANTITY_NAMES, Readings
from logbook.schema.recording import COUNTERS, Recording

if TYPE_CHECKING:
    from collections.abc import Callable, Sequence

    from numpy.typing import NDArray

    from logbook.ingest.columns import Layout
    from logbook.ingest.options import ImportOptions
    from logbook.ingest.question import Ask


def _silent(share: float) -> None:
    """Show no progress."""


def read_export(
    path: Path | str, options: ImportOptions, *, ask: Ask | None = None, progress: Callable[[float], None] = _silent
) -> Recording:
    """Read one exported file.

    Raises InputMissing where it cannot be read, BadData where it cannot be understood, Unanswered where the data
    cannot decide and nobody answers, BadConfiguration where the mapping does not fit.
    """
    return _Import(Path(path), options, ask, progress).recording()


class _Import:
    def __init__(self, path: Path, options: ImportOptions, ask: Ask | None, progress: Callable[[float], None]) -> None:
        self.options = options
        self.ask = ask
        self.ledger = Ledger()
        self.source = open_source(path, options)
        self.text = Text(self.source, progress)
        self.where = self.source.name
        self.known = Known(options.cells_in_series, options.rated_ah, self.where)

    def recording(self) -> Recording:
        plan = ColumnPlan(self.options.mapping, self.where)
        found = read_sections(self.text, plan, self.ledger)
        pairs = [(section, layout) for section, layout in zip(found, plan.layouts, strict=True) if len(section)]
        if not pairs:
            raise BadData(
                "It holds no readings.",
                where=self.where,
                mend="Export it again, over a time in which readings were taken.",
            )
        frame = self._frame([section for section, _ in pairs], [layout for _, layout in pairs])
        frame = self._ordered(frame)
        frame = self._signed(frame)
        return self._finished(frame)

    def _frame(self, sections: Sequence[Section], layouts: Sequence[Layout]) -> Frame:
        mapping = self.options.mapping
        times = TimeOptions(
            mapping.time.order if mapping else None, mapping.time.start if mapping else None, self.where
        )
        moments = moments_of(sections, layouts, times, self.ledger, self.ask)
        frames = [
            self._timed(frame_of(section, layout, self.known, self.ledger, self.ask), moment)
            for section, layout, moment in zip(sections, layouts, moments, strict=True)
        ]
        return joined(frames)

    def _timed(self, frame: Frame, moments: Moments) -> Frame:
        known = moments.ms != NO_MOMENT
        if not known.all():
            self.ledger.set_aside(frame.lines[~known], "no such date")
        frame = replace(frame, ts_ms=moments.ms).take(known) if not known.all() else replace(frame, ts_ms=moments.ms)
        steps = np.diff(frame.ts_ms)
        if np.count_nonzero(steps < 0) > 0.9 * max(np.count_nonzero(steps), 1):
            frame = frame.take(slice(None, None, -1))
            self.ledger.infer("order of rows", "newest first", "strong", "the times go down the file")
        return frame if moments.utc else replace(frame, ts_ms=self._utc(frame))

    def _utc(self, frame: Frame) -> NDArray[np.int64]:
        name, strength, evidence = self._zone()
        self.ledger.infer("time zone", name, strength, evidence)
        return utc_from_local(frame.ts_ms, zone_named(name), frame.lines, self.ledger)

    def _zone(self) -> tuple[str, str, str]:
        mapping = self.options.mapping
        if mapping and mapping.time.zone:
            return mapping.time.zone, "given", "the mapping says so"
        if self.options.time_zone:
            return self.options.time_zone, "given", "as you said"
        if self.options.default_time_zone:
            return self.options.default_time_zone, "fair", "the file does not say; it is the zone of the pack"
        question = Question(
            "time_zone",
            "In which time zone does its clock run?",
            (),
            "Its times say no zone.",
            "--timezone ZONE  (such as Europe/Berlin or UTC)",
        )
        return settle(question, self.ask, self.where), "given", "as you said"

    def _ordered(self, frame: Frame) -> Frame:
        order = np.argsort(frame.ts_ms, kind="stable") if (np.diff(frame.ts_ms) < 0).any() else slice(None)
        frame = frame.take(order)
        first = np.diff(frame.ts_ms, prepend=frame.ts_ms[:1] - 1) > 0
        if not first.all():
            self.ledger.set_aside(frame.lines[~first], "another reading of the same time stands before it")
            frame = frame.take(first)
        return frame

    def _signed(self, frame: Frame) -> Frame:
        if not frame.has("current_a"):
            return frame
        mapping = self.options.mapping
        given = (mapping.positive if mapping else None) or self.options.positive
        evidence = sign_evidence(frame, self.known.cells_in_series)
        positive = given
        if given:
            self.ledger.infer("positive current", given, "given", evidence.evidence)
            if evidence.strength == "strong" and evidence.positive != given:
                self.ledger.warn(
                    f"You said a positive current is {given}, but the readings say otherwise: {evidence.evidence}."
                )
        else:
            positive = evidence.positive
            self.ledger.infer("positive current", positive, evidence.strength, evidence.evidence)
        return frame if positive == "charge" else frame.with_columns(current_a=0.0 - frame.get("current_a"))

    def _finished(self, frame: Frame) -> Recording:
        readings = Readings(frame.ts_ms, *(frame.get(name) for name in QUANTITY_NAMES))
        rows = self.ledger.set_aside_rows(self.text.lines(self.ledger.lines_without_text()))
        cells = [name for name in frame.columns if name.startswith("cell_")]
        return Recording(
            readings,
            self.ledger.receipt(self.where, self.source.sha256, readings, rows),
            rows,
            np.column_stack([frame.get(name) for name in cells]) if cells else None,
            {name: frame.get(name) for name in COUNTERS if frame.has(name)},
        )
