"""Taking: a file read as this pack's, with what the logbook already knows of it."""

from __future__ import annotations

from contextlib import suppress
from dataclasses import replace
from datetime import UTC, datetime
from typing import TYPE_CHECKING, Any

from logbook.errors import BadData, LogbookError, Unanswered
from logbook.ingest import Question, lines_of, read_export
from logbook.ingest.question import settle
from logbook.ingest.read import by_memory
from logbook.jobs.copies import copies_in, far, without_copies
from logbook.jobs.era import Era, eras_of, within
from logbook.jobs.progress import silent
from logbook.jobs.remembered import remembered
from logbook.store import reading_span
from logbook.units import ms_from_datetime

if TYPE_CHECKING:
    from pathlib import Path

    from logbook.ingest import Ask, ImportOptions
    from logbook.ingest.piece import Pieces
    from logbook.jobs.copies import Copies
    from logbook.jobs.progress import Progress
    from logbook.schema.pack import Pack
    from logbook.schema.recording import Recording
    from logbook.store import Store

DOUBTFUL = {"fair", "thin"}
ALL_BUT_FEW = 0.98


def read_for_pack(  # noqa: PLR0913 - each says something else about the file
    store: Store,
    path: Path,
    pack: Pack,
    options: ImportOptions,
    *,
    ask: Ask | None = None,
    progress: Progress = silent,
    era: Era | None = None,
    pieces: Pieces | None = None,
) -> Recording:
    """Read a file, keep what is of the pack's time and set aside what the logbook holds at another hour or step.

    Of a file read piece by piece that is done for the present one. Its time is the `era` given, else what the notes of swaps say.

    Raises what `read_export` raises; Unanswered also where the file's clock stands hours from that of the same
    readings in the logbook and nobody says which zone it runs in.
    """
    options = replace(
        options, remembered=(*options.remembered, *remembered(store, pack.id)), **_known_times(store, pack)
    )
    eras = (era,) if era else eras_of(store, pack)
    recording = within(_read(path, options, ask, progress, pieces), *eras)
    copies = copies_in(store, pack.id, recording.readings, trusted=_zone_said(options))
    if question := _clock_question(recording, copies):
        options = replace(options, time_zone=settle(question, ask, path.name))
        recording = within(_read(path, options, ask, silent, pieces), *eras)
        copies = copies_in(store, pack.id, recording.readings, trusted=True)
    if question := _sign_question(recording, copies, options):
        said = settle(question, ask, path.name)
        options = replace(options, positive="charge" if said == "charge" else "discharge")
        recording = within(_read(path, options, ask, silent, pieces), *eras)
        copies = copies_in(store, pack.id, recording.readings, trusted=_zone_said(options))
    if not _zone_supposed(recording):
        copies = replace(copies, untold={})
    return without_copies(recording, copies, lambda lines: lines_of(path, options, lines))


def _known_times(store: Store, pack: Pack) -> dict[str, Any]:
    """When the pack was read and bought, by which dates that could be two are told apart."""
    _count, first, last = reading_span(store, pack.id)
    bought = pack.purchased and ms_from_datetime(datetime.combine(pack.purchased, datetime.min.time(), UTC))
    return {"held_ms": None if first is None or last is None else (first, last), "bought_ms": bought}


def _read(path: Path, options: ImportOptions, ask: Ask | None, progress: Progress, pieces: Pieces | None) -> Recording:
    """Read a file; one that is not understood is tried by the mappings that say how earlier files were cut."""
    try:
        return read_export(path, options, ask=ask, progress=progress, pieces=pieces)
    except (BadData, Unanswered):
        for memory in options.remembered:
            mapping = memory.mapping
            if options.mapping or not mapping or not (mapping.delimiter or mapping.decimal or mapping.first_row):
                continue
            with suppress(LogbookError):
                recalled = by_memory(options, memory)
                recording = read_export(path, recalled, ask=ask, progress=progress, memory=memory, pieces=pieces)
                if memory.fits([column.header for column in recording.receipt.columns]):
                    return recording
        raise


def _zone_said(options: ImportOptions) -> bool:
    return bool(options.time_zone or (options.mapping and options.mapping.time.zone))


def _zone_supposed(recording: Recording) -> str | None:
    """The zone in which its clock was read, where nobody and nothing said so."""
    zones = [entry for entry in recording.receipt.inferences if entry.question == "time zone"]
    return zones[0].answer if zones and zones[0].strength in DOUBTFUL else None


def _sign_question(recording: Recording, copies: Copies, options: ImportOptions) -> Question | None:
    """Asked where readings are in the logbook with the other sign, unless the owner has said how this file counts."""
    if not copies.mirrored or options.positive or (options.mapping and options.mapping.positive):
        return None
    return Question(
        "positive",
        "Does a positive current charge or discharge the pack?",
        ("charge", "discharge"),
        f"{copies.mirrored} of its {len(recording.readings)} readings are in the logbook with a current of the other sign.",
        "--positive charge  or  --positive discharge",
    )


def _clock_question(recording: Recording, copies: Copies) -> Question | None:
    """Asked where a clock whose zone was only supposed brings copies at another hour, and new readings beside them."""
    zone = _zone_supposed(recording)
    if zone is None:
        return None
    number = len(recording.readings)
    told = copies.unsure or {**copies.shifted, **copies.still}
    copied = {shift: int(mask.sum()) for shift, mask in told.items()}
    if not copied or (not copies.unsure and sum(copied.values()) >= ALL_BUT_FEW * number):
        return None
    shift = max(copied, key=lambda entry: copied[entry])
    doubt = "; hardly anything in them moves, so they may be its rest that went on" if copies.unsure else ""
    return Question(
        "time_zone",
        "In which time zone does its clock run?",
        (),
        f"Read in {zone}, {copied[shift]} of its {number} readings are in the logbook {far(shift)}{doubt}.",
        "--timezone ZONE  (such as Europe/Berlin or UTC)",
    )
