"""Era: the stretches of time in which a monitor watched one pack, so that one file can be split between two packs.

A swap is written down as a note on both packs: `pack swapped for "NEW"` on the one that went and
`pack swapped in for "OLD"` on the one that came, both dated at the moment of the swap. From then on an import for
either pack takes only what is of its own time.
"""

from __future__ import annotations

import re
from contextlib import suppress
from dataclasses import dataclass, replace
from typing import TYPE_CHECKING

import numpy as np

from logbook.errors import BadData, UnknownName
from logbook.schema.receipt import Repair
from logbook.store import Note, add_notes, list_imports, list_notes, pack_named
from logbook.units import iso_from_ms

if TYPE_CHECKING:
    from collections.abc import Sequence

    from logbook.schema.pack import Pack
    from logbook.schema.recording import Recording
    from logbook.store import ImportRow, Store

KIND = "other era"
BY_NOTE = "the note of the swap says so"
FIRST_LINES = 20
SWAPPED = re.compile(r'^\s*pack swapped (?P<came>in )?for "(?P<other>.*)"\s*$', re.IGNORECASE)


class OfAnotherTime(BadData):
    """A file holds nothing of the time in which a pack was in use."""


@dataclass(frozen=True)
class Era:
    """From start_ms on, and before end_ms, UTC; None where it has no end."""

    start_ms: int | None = None
    end_ms: int | None = None
    other: str | None = None
    """The pack that was there before or after, where a note says so."""

    def __bool__(self) -> bool:
        return self.start_ms is not None or self.end_ms is not None


@dataclass(frozen=True)
class Swap:
    """One note of a swap, from the side of one pack."""

    ts_ms: int
    came: bool
    """Whether the pack came then; else it went."""
    other: str


def swap_packs(store: Store, old: Pack, new: Pack, at_ms: int) -> list[Note]:
    """Write down that `new` took the place of `old`, on both or on neither; gives what was not written yet.

    Raises
    ------
    BadData
        Where both are the same pack, or the moment lies outside of the time of the old pack.
    """
    if old.id == new.id:
        raise BadData("A pack cannot be swapped for itself.", where=old.name, mend="Name the pack that came second.")
    if not any(_holds(era, at_ms - 1) for era in eras_of(store, old)) and Swap(at_ms, False, new.name) not in swaps_of(
        store, old
    ):
        raise BadData(
            f'By its notes "{old.name}" was not in use before {iso_from_ms(at_ms)}.',
            where=old.name,
            mend="Check the dates of the swaps in the notes of both packs.",
        )
    wanted = ((old, f'pack swapped for "{new.name}"'), (new, f'pack swapped in for "{old.name}"'))
    known = {(note.pack_id, note.ts_ms, note.text) for pack in (old, new) for note in list_notes(store, pack.id)}
    notes = ((pack.id, at_ms, text) for pack, text in wanted)
    return add_notes(store, *(note for note in notes if note not in known))


def swaps_of(store: Store, pack: Pack) -> list[Swap]:
    """The swaps a pack's notes tell of, in order of time."""
    found = ((note.ts_ms, SWAPPED.match(note.text)) for note in list_notes(store, pack.id))
    return [Swap(ts_ms, bool(match["came"]), match["other"]) for ts_ms, match in found if match]


def swapped_with(store: Store, pack: Pack) -> list[Pack]:
    """The other packs that one monitor watched, by the notes of swaps from one to the next."""
    found = [pack]
    for each in found:
        for name in dict.fromkeys(swap.other for swap in swaps_of(store, each)):
            with suppress(UnknownName):
                other = pack_named(store, name)
                found += [other] if all(other.id != known.id for known in found) else []
    return found[1:]


def eras_of(store: Store, pack: Pack) -> tuple[Era, ...]:
    """The stretches in which a pack was in use, by its notes; one without ends where there are none."""
    eras: list[Era] = []
    start: int | None = None
    other: str | None = None
    inside = True
    for swap in swaps_of(store, pack):
        if swap.came:
            if (inside and not eras and start is None) or not inside:
                start = swap.ts_ms
            inside, other = True, swap.other
        elif inside:
            eras.append(Era(start, swap.ts_ms, swap.other))
            inside = False
    return (*eras, Era(start, None, other)) if inside else tuple(eras)


def imports_beyond(store: Store, pack: Pack) -> list[ImportRow]:
    """Imports that brought a pack readings from outside of its eras, as before a swap was written down."""
    eras = eras_of(store, pack)
    return [
        row
        for row in list_imports(store, pack.id)
        if row.first_ms is not None
        and row.last_ms is not None
        and not any(_holds(era, row.first_ms) and _holds(era, row.last_ms) for era in eras)
    ]


def _holds(era: Era, moment_ms: int) -> bool:
    return (era.start_ms is None or era.start_ms <= moment_ms) and (era.end_ms is None or moment_ms < era.end_ms)


def within(recording: Recording, *eras: Era) -> Recording:
    """Keep what belongs to the eras; the rest is counted on the receipt and stays in the kept original.

    Raises
    ------
    BadData
        Where the file holds nothing of them.
    """
    ts_ms = recording.readings.ts_ms
    keep = np.zeros(len(ts_ms), bool)
    for era in eras:
        first = 0 if era.start_ms is None else int(np.searchsorted(ts_ms, era.start_ms))
        last = len(ts_ms) if era.end_ms is None else int(np.searchsorted(ts_ms, era.end_ms))
        keep[first:last] = True
    if keep.all() and len(keep):
        return recording
    if not keep.any():
        raise _nothing(recording.receipt.file_name, eras)
    here = ts_ms[keep]
    receipt = replace(
        recording.receipt,
        rows_stored=len(here),
        first_ms=int(here[0]),
        last_ms=int(here[-1]),
        repairs=(*recording.receipt.repairs, _left_out(recording, ~keep, eras)),
    )
    return replace(recording.taken(keep), receipt=receipt)


def _nothing(file_name: str, eras: Sequence[Era]) -> OfAnotherTime:
    others = sorted({era.other for era in eras if era.other})
    if others:
        names = " or ".join(f'"{name}"' for name in others)
        return OfAnotherTime(
            f"None of its readings is of the time in which this pack was in use; a note says it was swapped with {names}.",
            where=file_name,
            mend=f'Import it for the other pack:  --pack "{others[0]}"',
        )
    return OfAnotherTime(
        "no reading of this file lies in the dates given.",
        where=file_name,
        mend="Check --from and --until against the times in the file.",
    )


def _left_out(recording: Recording, mask: np.ndarray[tuple[int], np.dtype[np.bool_]], eras: Sequence[Era]) -> Repair:
    """What was left for another pack, and for which."""
    lines = () if recording.lines is None else tuple(int(line) for line in np.sort(recording.lines[mask])[:FIRST_LINES])
    times = recording.readings.ts_ms[mask]
    told = [
        f"before {iso_from_ms(era.start_ms)}"
        for era in eras
        if era.start_ms is not None and (times < era.start_ms).any()
    ] + [f"from {iso_from_ms(era.end_ms)} on" for era in eras if era.end_ms is not None and (times >= era.end_ms).any()]
    others = sorted({era.other for era in eras if era.other})
    if not others:
        return Repair(KIND, "readings outside the dates given, left for another pack", len(times), lines)
    names = " and ".join(f'"{name}"' for name in others)
    return Repair(KIND, f"readings {' and '.join(told)}, left for {names}: {BY_NOTE}", len(times), lines)
