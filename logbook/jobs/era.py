"""Era: the stretch of time in which a monitor watched one pack, so that one file can be split between two packs."""

from __future__ import annotations

from dataclasses import dataclass, replace
from typing import TYPE_CHECKING

import numpy as np

from logbook.errors import BadData
from logbook.schema.receipt import Repair

if TYPE_CHECKING:
    from logbook.schema.recording import Recording

KIND = "other era"


@dataclass(frozen=True)
class Era:
    """From start_ms on, and before end_ms, UTC; None where it has no end."""

    start_ms: int | None = None
    end_ms: int | None = None

    def __bool__(self) -> bool:
        return self.start_ms is not None or self.end_ms is not None


def within(recording: Recording, era: Era) -> Recording:
    """Keep what belongs to the era; the rest is counted on the receipt and stays in the kept original.

    Raises
    ------
    BadData
        Where the file holds nothing of the era.
    """
    ts_ms = recording.readings.ts_ms
    first = 0 if era.start_ms is None else int(np.searchsorted(ts_ms, era.start_ms))
    last = len(ts_ms) if era.end_ms is None else int(np.searchsorted(ts_ms, era.end_ms))
    if first >= last:
        raise BadData(
            "no reading of this file lies in the dates given.",
            where=recording.receipt.file_name,
            mend="Check --from and --until against the times in the file.",
        )
    here = slice(first, last)
    left_out = len(ts_ms) - (last - first)
    receipt = replace(
        recording.receipt,
        rows_stored=last - first,
        first_ms=int(ts_ms[first]),
        last_ms=int(ts_ms[last - 1]),
        repairs=(*recording.receipt.repairs, *_left_out(left_out)),
    )
    return replace(
        recording,
        readings=recording.readings.taken(here),
        receipt=receipt,
        cells_v=None if recording.cells_v is None else recording.cells_v[here],
        counters={name: values[here] for name, values in recording.counters.items()},
        status=None if recording.status is None else recording.status[here],
    )


def _left_out(count: int) -> tuple[Repair, ...]:
    if not count:
        return ()
    return (Repair(KIND, "readings outside the dates given, left for another pack", count, ()),)
