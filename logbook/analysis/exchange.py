"""Exchange: another pack behind the same monitor, which nobody told the logbook.

Cells do not grow. Where every run up to some day gave far less than every run after it, the log is of two packs, or of
one whose cells were out of step until then; the answers on capacity are then of the later part alone.
"""

from __future__ import annotations

from dataclasses import dataclass
from typing import TYPE_CHECKING

import numpy as np

from logbook.analysis.capacity import LEAST_SWING
from logbook.units import iso_from_ms

if TYPE_CHECKING:
    from collections.abc import Mapping

    import pandas as pd

    from logbook.analysis.balance import Balance

LEAST_BEFORE, LEAST_AFTER = 3, 2
"""Measurements on either side: a false cut-off or two at the beginning are no other pack (ours)."""
GROWN = 1.2
"""Out of step cells, cold and a drifting zero explain less than a fifth of a pack, mostly (ours)."""
MOSTLY = 0.8


@dataclass(frozen=True)
class Exchange:
    """From `at_ms` on every run gives about `after_ah`, before it gave about `before_ah`."""

    at_ms: int
    before_ah: float
    after_ah: float

    @property
    def reason(self) -> str:
        """For the owner."""
        day = iso_from_ms(self.at_ms)[:10]
        return (
            f"Until about {day} its runs gave about {self.before_ah:.0f} Ah, since then about {self.after_ah:.0f} Ah, and cells do "
            "not grow: this is another pack, or its cells were out of step until then. The capacity is of the time since. "
            "If it is another pack, give each its own (logbook pack swap) and see that the rating is that of the new one."
        )


def exchange(balance: Balance) -> Exchange | None:
    """The day on which the measurements go from one level to one a fifth higher or more; None where they do not."""
    spans = balance.spans
    if spans.empty:
        return None
    spans = spans[spans["soc_change"].abs() >= LEAST_SWING].sort_values("middle_ms", kind="stable")
    ah = (spans["net_ah"] / spans["soc_change"]).to_numpy(float)
    best, place = 0.0, -1
    for after in range(LEAST_BEFORE, len(ah) - LEAST_AFTER + 1):
        earlier, later = np.quantile(ah[:after], MOSTLY), np.quantile(ah[after:], 1.0 - MOSTLY)
        if earlier * GROWN <= later and (score := float(later / earlier) * min(after, len(ah) - after)) > best:
            best, place = score, after
    if place < 0:
        return None
    middle_ms = spans["middle_ms"].to_numpy(np.int64)
    at_ms = int(middle_ms[place - 1] + middle_ms[place]) // 2
    return Exchange(at_ms, float(np.median(ah[:place])), float(np.median(ah[place:])))


def since(tables: Mapping[str, pd.DataFrame], at_ms: int) -> dict[str, pd.DataFrame]:
    """The tables from a moment on."""
    return {name: frame[frame["start_ms"] >= at_ms].reset_index(drop=True) for name, frame in tables.items()}
