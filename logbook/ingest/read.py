"""Read an export: recognise, map, repair, and write the draft receipt; storing is another's work."""

from __future__ import annotations

from dataclasses import replace
from pathlib import Path
from time import time
from typing import TYPE_CHECKING

import numpy as np

from logbook.errors import BadData
from logbook.ingest.ampere import in_amperes
from logbook.ingest.archive import open_source
from logbook.ingest.columns import ColumnPlan, MappingRemembered
from logbook.ingest.current import signed_current
from logbook.ingest.device import QUESTION, of_one_device
from logbook.ingest.frame import Frame, joined
from logbook.ingest.frozen import without_frozen
from logbook.ingest.jump import with_steady_clock
from logbook.ingest.ledger import LONGEST_TEXT, Ledger
from logbook.ingest.locale import locale_of
from logbook.ingest.longform import held, is_long, on_change, wide
from logbook.ingest.moment import EARLIEST_MS, LATEST_MS, Moments, TimeOptions, moments_of
from logbook.ingest.orientation import Said, oriented
from logbook.ingest.overlap import sorted_once
from logbook.ingest.quantity import TEXT_IN, frame_of
from logbook.ingest.recalled import against_recalled
from logbook.ingest.reset import with_set_clock
from logbook.ingest.run import few, more_than_few
from logbook.ingest.scale import Known
from logbook.ingest.sentinel import without_cell_codes, without_impossible, without_sentinels
from logbook.ingest.serial import AHEAD_MS, Hints
from logbook.ingest.shifted import without_shifted
from logbook.ingest.spike import without_spikes
from logbook.ingest.tables import lines_in, of_one_series, read_tables
from logbook.ingest.temperature import mended_temperature
from logbook.ingest.wallclock import set_near_summer_time
from logbook.ingest.zone import UNDECIDED, TimeZone, utc_from_local
from logbook.schema.reading import QUANTITY_NAMES, Readings
from logbook.schema.recording import COUNTERS, Recording
from logbook.units import MS_PER_S

if TYPE_CHECKING:
    from collections.abc import Callable, Sequence

    from numpy.typing import NDArray

    from logbook.ingest.memory import Remembered
    from logbook.ingest.options import ImportOptions
    from logbook.ingest.piece import Pieces
    from logbook.ingest.question import Ask
    from logbook.ingest.section import Section
    from logbook.ingest.use import Layout

MOSTLY = 0.9
MUCH_SET_ASIDE = 0.1
FUTURE = "its time lies in the future"


def _silent(share: float) -> None:
    """Show no progress."""


@np.errstate(over="ignore")  # a cell may say 1e308; what no pack can show is left empty later
def read_export(
    path: Path | str,
    options: ImportOptions,
    *,
    ask: Ask | None = None,
    progress: Callable[[float], None] = _silent,
    memory: Remembered | None = None,
    pieces: Pieces | None = None,
) -> Recording:
    """Read one exported file, or the present one of its `pieces`; lines are numbered as in the whole file.

    `memory` is what is known to fit it, else `options.remembered` is looked through.

    Raises InputMissing where it cannot be read, BadData where it cannot be understood, Unanswered where the data
    cannot decide and nobody answers, BadConfiguration where the mapping does not fit, UnknownName for a zone that is none.
    """
    try:
        return _Import(Path(path), options, ask, progress, pieces).recording(memory)
    except MappingRemembered as found:
        return _Import(Path(path), by_memory(options, found.memory), ask, progress, pieces).recording(found.memory)


def by_memory(options: ImportOptions, memory: Remembered) -> ImportOptions:
    """Read by the mapping of last time; what the readings may contradict is recalled, not given."""
    mapping = memory.mapping
    if mapping is None:
        return options
    time = replace(mapping.time, zone=None, order=None)
    return replace(options, mapping=replace(mapping, time=time, positive=None))


def lines_of(path: Path | str, options: ImportOptions, lines: Sequence[int]) -> dict[int, str]:
    """The text of these lines (1-based, ascending) of a file that was read before, shortened as in a receipt."""
    found = lines_in(open_source(Path(path), options), lines)
    return {line: text[:LONGEST_TEXT] for line, text in found.items()}


class _Import:
    """One file on its way; each step takes a frame and gives the next."""

    def __init__(
        self,
        path: Path,
        options: ImportOptions,
        ask: Ask | None,
        progress: Callable[[float], None],
        pieces: Pieces | None,
    ) -> None:
        self.options = options
        self.pieces = pieces
        self.ask = ask
        self.ledger = Ledger()
        self.source = open_source(path, options)
        self.progress = progress
        self.where = self.source.name
        device = (options.mapping.device if options.mapping else None) or options.device
        charging = (options.mapping.charging if options.mapping else None) or options.charging
        self.known = Known(options.cells_in_series, options.rated_ah, self.where, device, charging)

    def recording(self, memory: Remembered | None = None) -> Recording:
        mapping = self.options.mapping
        self.ledger.mapping_text = mapping.text if mapping else None
        self.ledger.memory = memory
        if memory:
            self.ledger.infer("mapping", memory.said, "given", "its header is the same")
        plan = ColumnPlan(mapping, self.known, self.ledger, self.ask, self.options.remembered)
        found = read_tables(self.source, plan, self.ledger, self.progress, self.pieces)
        pairs = [(section, layout) for section, layout in zip(found, plan.layouts, strict=True) if len(section)]
        if not pairs:
            raise BadData("It holds no readings.", where=self.where, mend="Export a time in which readings were taken.")
        layouts = [layout for _, layout in pairs]
        frame = self._frame([section for section, _ in pairs], layouts)
        if self.options.device and not self.ledger.answer(QUESTION):
            raise BadData(
                f'Nothing in it is said to be of a device "{self.options.device}".',
                where=self.where,
                mend="Leave  --device  out where a file holds one device.",
            )
        return self._finished(self._mended(frame, layouts))

    def _frame(self, sections: Sequence[Section], layouts: Sequence[Layout]) -> Frame:
        mapping = self.options.mapping
        given = mapping.time if mapping else None
        zone = (given.zone if given else None) or self.options.time_zone or self.options.default_time_zone
        hints = Hints(zone, self.options.now_ms, self.options.held_ms, self.options.bought_ms)
        times = TimeOptions(given.order if given else None, given.start if given else None, self.where, hints=hints)
        moments = moments_of(sections, layouts, times, self.ledger, self.ask)
        order = self.ledger.answer("order of day and month")
        names = [section.header.names for section in sections]
        self.ledger.locale = locale_of(zone or "", order, names, [moment.ms for moment in moments])
        frames = [
            self._timed(frame_of(section, layout, self.known, self.ledger, self.ask), section, layout, moment)
            for section, layout, moment in zip(sections, layouts, moments, strict=True)
        ]
        by_table: dict[str, list[Frame]] = {}
        for section, frame in zip(sections, frames, strict=True):
            by_table.setdefault(section.table, []).append(frame)
        tables = {name: joined([part for part in parts if len(part)] or parts[:1]) for name, parts in by_table.items()}
        return joined(of_one_series(tables, self.known.device, self.ledger, self.ask, self.where))

    def _timed(self, frame: Frame, section: Section, layout: Layout, moments: Moments) -> Frame:
        known = (moments.ms > EARLIEST_MS) & (moments.ms < LATEST_MS)
        frame = replace(frame, ts_ms=moments.ms)
        if not known.all():
            self.ledger.set_aside(frame.lines[~known], "no such date")
            frame = frame.take(known)
        if _newest_first(frame.ts_ms):
            frame = frame.take(slice(None, None, -1))
            self.ledger.infer("order of rows", "newest first", "strong", "the times go down the file")
        frame = with_set_clock(frame, self.ledger, self.where)
        if not moments.utc:
            said_in = [*section.header.preamble, *layout.time_names]
            frame = replace(frame, ts_ms=self._utc(frame, said_in, moments.start))
            frame = frame.take(frame.ts_ms != UNDECIDED) if (frame.ts_ms == UNDECIDED).any() else frame
        frame = of_one_device(frame, self.known.device, self.ledger, self.ask, self.where)
        if is_long(frame):
            frame = with_steady_clock(frame, self.options.clock, self.known, self.ledger, self.ask)
            frame = wide(frame, self.known, self.ledger, self.ask)
        return frame

    def _utc(self, frame: Frame, preamble: Sequence[str], start: int | None) -> NDArray[np.int64]:
        mapping = self.options.mapping
        given = (mapping.time.zone if mapping else None) or self.options.time_zone
        chooser = TimeZone(given, self.options.default_time_zone, self.where)
        zone = chooser.choose(frame.ts_ms, preamble, self.ledger, self.ask)
        if start is None or not len(frame):
            steady = set_near_summer_time(frame, zone, self.options.clock, self.known, self.ledger, self.ask)
            if steady is not None:
                return steady
            return utc_from_local(frame.ts_ms, zone, frame.lines, self.ledger)
        begun = np.array([start], np.int64)
        return frame.ts_ms + (utc_from_local(begun, zone, frame.lines[:1], self.ledger) - begun)

    def _mended(self, frame: Frame, layouts: Sequence[Layout]) -> Frame:
        frame = self._without_future(frame)
        frame = with_steady_clock(frame, self.options.clock, self.known, self.ledger, self.ask)
        frame = sorted_once(frame, self.ledger)
        if on_change(frame) and self.ledger.repaired(TEXT_IN) <= few(
            len(frame)
        ):  # what was not read is no value that holds
            frame = held(frame, self.ledger)
        frame = _with_voltage_of_cells(without_cell_codes(frame, self.ledger), self.ledger)
        frame = without_shifted(frame, layouts[0].order, self.ledger)
        frame = without_sentinels(frame, self.known, self.ledger)
        frame = mended_temperature(frame, self.ledger)
        frame = without_spikes(frame, self.ledger)
        frame, columns_say = signed_current(frame, self.known, self.ledger, self.ask)
        frame = in_amperes(frame, self.known, self.ledger, self.ask)
        frame = against_recalled(frame, self.known, self.ledger, self.ask)
        mapping = self.options.mapping
        owner = (mapping.positive if mapping else None) or self.options.positive
        said = Said(owner, columns_say, layouts[0].positive)
        frame = oriented(frame, said, self.known, self.ledger, self.ask)
        frame = without_frozen(frame, self.options.rated_ah, self.ledger)
        return self._without_empty(without_impossible(frame, self.ledger))

    def _without_future(self, frame: Frame) -> Frame:
        """Rows that nothing can have logged yet are set aside where they are few, else told."""
        now = round(time() * MS_PER_S) if self.options.now_ms is None else self.options.now_ms
        future = frame.ts_ms > now + AHEAD_MS
        if not future.any():
            return frame
        if more_than_few(future):
            first = int(frame.lines[future][0])
            self.ledger.warn(
                f"{int(future.sum())} rows are dated later than today, from line {first} on: its clock was set wrong, or this one."
            )
            return frame
        self.ledger.set_aside(frame.lines[future], FUTURE)
        return frame.take(~future)

    def _without_empty(self, frame: Frame) -> Frame:
        held_rows = np.zeros(len(frame), bool)
        for values in frame.columns.values():
            held_rows |= np.isfinite(values)
        if held_rows.all():
            return frame
        self.ledger.set_aside(frame.lines[~held_rows], "no value in it")
        return frame.take(held_rows)

    def _finished(self, frame: Frame) -> Recording:
        if not len(frame):
            raise BadData(
                "It holds no readings that can be used.",
                where=self.where,
                mend="See why with  --dry-run  on a shorter export, or describe it with  --mapping FILE",
            )
        readings = Readings(frame.ts_ms, *(frame.get(name) for name in QUANTITY_NAMES))
        rows = self.ledger.set_aside_rows(self._texts(self.ledger.lines_without_text()))
        if len(rows) > MUCH_SET_ASIDE * self.ledger.rows_read:
            self.ledger.warn(
                f"{len(rows)} of {self.ledger.rows_read} rows were set aside: look at the reasons before you rely on it."
            )
        return Recording(
            readings,
            self.ledger.receipt(self.where, self.source.sha256, readings, rows),
            rows,
            _cells(frame),
            {name: frame.get(name) for name in COUNTERS if frame.has(name)},
            _status(frame),
            frame.lines,
        )

    def _texts(self, lines: Sequence[int]) -> dict[int, str]:
        return lines_in(self.source, lines) if lines else {}


def _newest_first(times: NDArray[np.int64]) -> bool:
    steps = np.diff(times)
    return bool(int(np.count_nonzero(steps < 0)) > MOSTLY * max(int(np.count_nonzero(steps)), 1))


def _cell_names(frame: Frame) -> list[str]:
    """Cell columns that hold something; monitors fill those of absent cells with zeros."""
    names = [name for name in frame.columns if name.startswith("cell_") and more_than_few(frame.get(name) > 0)]
    return sorted(names, key=lambda name: int(name.split("_")[1]))


def _cells(frame: Frame) -> NDArray[np.float64] | None:
    names = _cell_names(frame)
    return np.column_stack([frame.get(name) for name in names]) if names else None


def _with_voltage_of_cells(frame: Frame, ledger: Ledger) -> Frame:
    names = _cell_names(frame)
    if frame.has("voltage_v") or not names:
        return frame
    ledger.infer("voltage", f"sum of {len(names)} cells", "strong", "the file has no voltage of the pack")
    return frame.with_columns(voltage_v=np.sum([frame.get(name) for name in names], axis=0))


def _status(frame: Frame) -> NDArray[np.object_] | None:
    if "status" not in frame.words:
        return None
    codes, words = frame.words["status"]
    return np.array([*words, None], object)[codes]
