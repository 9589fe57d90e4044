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


@pytest.mark.parametrize("header", [True, False])
@pytest.mark.parametrize(("minutes", "rows"), [(10.0, 3), (10.0, 6), (15.0, 2), (15.0, 6), (5.0, 6)])
def test_an_export_that_begins_with_the_last_rows_of_the_one_before_is_no_clock_set_back(
    minutes, rows, header, tmp_path
):
    """The last half hour or so stands twice, at the same times with the same values."""
    t = trip(300, interval_s=60 * minutes)

    recording = read(tmp_path, [*lines(t.take(slice(0, 160))), *lines(t.take(slice(160 - rows, None)))[1 - header :]])

    np.testing.assert_array_equal(recording.readings.ts_ms, t.ts_ms)
    np.testing.assert_array_equal(recording.readings.current_a, t.current_a)
    assert {told.kind: told.count for told in recording.receipt.repairs}["duplicate"] == rows
    assert not recording.receipt.warnings


def test_a_clock_set_back_while_hardly_anything_moves_is_still_asked_about(tmp_path):
    """Rest that goes on looks like the same rows once more."""
    t = trip(300, interval_s=600.0)
    rest = (np.arange(300) >= 150) & (np.arange(300) < 200)
    held = {name: np.where(rest, getattr(t, name)[150], getattr(t, name)) for name in ("voltage_v", "current_a")}
    t = t.with_(**held, temperature_c=np.full(300, 9.0), soc_percent=np.full(300, 60.0))
    shown = t.with_(ts_ms=t.ts_ms - np.where(np.arange(300) >= 180, 3_600_000, 0))

    with pytest.raises(Unanswered, match="set back by 1 h"):
        read(tmp_path, lines(shown))
