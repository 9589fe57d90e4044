"""Protection: the openings of the protection board as the health answer tells them."""

from __future__ import annotations

from typing import TYPE_CHECKING

import numpy as np

from logbook.schema.health import Protection, ProtectionEvent

if TYPE_CHECKING:
    import pandas as pd


def protection(openings: pd.DataFrame, blocked: pd.DataFrame) -> Protection:
    """One event an opening; the end is None where the log ends or pauses before it."""
    opened = [
        ProtectionEvent(int(row.start_ms), None if np.isnan(row.end_ms) else int(row.end_ms), str(row.kind))
        for row in openings.itertuples()
    ]
    refused = [
        ProtectionEvent(int(row.start_ms), int(row.end_ms), "charge_blocked_cold") for row in blocked.itertuples()
    ]
    return Protection(tuple(sorted([*opened, *refused], key=lambda event: event.start_ms)))
