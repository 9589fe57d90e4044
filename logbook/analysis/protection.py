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


def protection(openings: pd.DataFrame, blocked: pd.DataFrame, sights: pd.DataFrame) -> Protection:
    """One event an opening with what was seen before it; the end is None where the log ends or pauses before it."""
    before = {int(at_ms): _seen(rows) for at_ms, rows in sights.groupby("start_ms")} if len(sights) else {}
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


def _seen(rows: pd.DataFrame) -> tuple[Sight, ...]:
    names = ("voltage_v", "current_a", "temperature_c", "soc_percent", "lowest_cell_v")
    return tuple(
        Sight(
            round(row["start_ms"] - row["ago_s"] * MS_PER_S),
            *(None if np.isnan(row[name]) else round(float(row[name]), 3) for name in names),
        )
        for row in rows.sort_values("ago_s", ascending=False).to_dict("records")
    )
