"""Protection: the openings of the protection board as the health answer tells them."""

from __future__ import annotations

from typing import TYPE_CHECKING

import numpy as np

from logbook.schema.health import Protection, ProtectionEvent

if TYPE_CHECKING:
    import pandas as pd


def protection(openings: pd.DataFrame) -> Protection:
    """One event an opening; the end is None where the log ends or pauses before it."""
    ordered = openings.sort_values("start_ms")
    return Protection(
        tuple(
            ProtectionEvent(int(row.start_ms), None if np.isnan(row.end_ms) else int(row.end_ms), str(row.kind))
            for row in ordered.itertuples()
        )
    )
