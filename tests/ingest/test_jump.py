"""A clock that was set while it logged is seen whatever else happens at that moment."""

from __future__ import annotations

import numpy as np
import pytest

from logbook.errors import Unanswered
from tests.ingest.test_sign import read
from tests.ingest.trip import lines, trip


def test_loads_that_begin_at_a_turn_of_the_clock_hide_it_not(tmp_path):
    t = trip()
    loaded = t.with_(current_a=np.where(np.arange(300) >= 120, t.current_a - 60.0, t.current_a))
    loaded = loaded.with_(voltage_v=np.round(t.voltage_v + 0.008 * (loaded.current_a - t.current_a), 2))
    shown = loaded.with_(ts_ms=t.ts_ms - np.where(np.arange(300) >= 120, 3_600_000, 0))

    with pytest.raises(Unanswered, match="set back by 1 h"):
        read(tmp_path, lines(shown))


@pytest.mark.parametrize("pauses", [0, 30])
def test_an_hour_without_rows_stands_out_only_where_the_log_else_goes_on(tmp_path, pauses):
    """A log written on change is silent for minutes to an hour whenever nothing happens."""
    t = trip(rows=900)
    silent = 60_000 * np.where(np.arange(900) == 450, 60, np.where(np.arange(900) % 29 == 28, 7 * (pauses > 0), 0))
    told = read(tmp_path, lines(t.with_(ts_ms=t.ts_ms + np.cumsum(silent)))).receipt.warnings

    assert any("went by without a row" in warning for warning in told) == (not pauses)
