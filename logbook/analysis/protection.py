"""Protection: the openings of the protection board as the health answer tells them."""

from __future__ import annotations

from dataclasses import replace
from typing import TYPE_CHECKING

import numpy as np

from logbook.analysis.openings import CONTINUED
from logbook.schema.health import Protection, ProtectionEvent, Sight
from logbook.units import MS_PER_S

if TYPE_CHECKING:
    import pandas as pd


SEEN = ("voltage_v", "current_a", "temperature_c", "soc_percent", "lowest_cell_v")


def protection(openings: pd.DataFrame, blocked: pd.DataFrame, sights: pd.DataFrame) -> Protection:
    """One event an opening with what was seen before it; the end is None where the log ends or pauses before it."""
    before = _seen(sights)
    opened: list[ProtectionEvent] = []
    for row in openings.sort_values("start_ms").itertuples():
        end_ms = None if np.isnan(row.end_ms) else int(row.end_ms)
        if row.kind == CONTINUED and opened and opened[-1].end_ms == row.start_ms:
            opened[-1] = replace(opened[-1], end_ms=end_ms)
            continue
        kind = "asleep" if row.kind == CONTINUED else str(row.kind)
        opened.append(ProtectionEvent(int(row.start_ms), end_ms, kind, before.get(int(row.start_ms), ())))
    refused = [
        ProtectionEvent(int(row.start_ms), int(row.end_ms), "charge_blocked_cold", before.get(int(row.start_ms), ()))
        for row in blocked.itertuples()
    ]
    return Protection(tuple(sorted([*opened, *refused], key=lambda event: event.start_ms)))


def _seen(sights: pd.DataFrame) -> dict[int, tuple[Sight, ...]]:
    """The last minutes before each event by its time, in order."""
    ordered = sights.sort_values(["start_ms", "ago_s"], ascending=[True, False])
    seen: dict[int, list[Sight]] = {}
    for at_ms, ago_s, *values in zip(*(ordered[name].tolist() for name in ("start_ms", "ago_s", *SEEN)), strict=True):
        known = (None if np.isnan(value) else round(value, 3) for value in values)
        seen.setdefault(int(at_ms), []).append(Sight(round(at_ms - ago_s * MS_PER_S), *known))
    return {at_ms: tuple(some) for at_ms, some in seen.items()}
