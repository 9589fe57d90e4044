"""The same readings an hour apart in one file are taken once, to the last row beside a gap."""

from __future__ import annotations

import numpy as np
import pytest

from tests.ingest.test_sign import read
from tests.ingest.trip import Trip, lines, trip


def test_a_few_rows_before_a_gap_are_copies_as_those_after_it_are(tmp_path):
    """Exported again from eight rows before an hour's gap, an hour later by its clock: those eight fall into the gap."""
    t = trip(400)
    t = t.take(np.flatnonzero((np.arange(400) < 168) | (np.arange(400) >= 234)))
    again = t.take(slice(160, None))
    again = again.with_(ts_ms=again.ts_ms + 3_600_000)

    recording = read(tmp_path, [*lines(t), *lines(again)[1:]])

    np.testing.assert_array_equal(recording.readings.ts_ms, t.ts_ms)
    assert recording.receipt.set_aside_reasons == {"the same readings stand before, 1 h apart": len(again)}


def cycling(rows: int) -> Trip:
    """A fridge on a pack that a charger keeps full: every hour is like the one before, at ten minutes a row."""
    t, turn = trip(rows, interval_s=600.0), np.arange(rows) % 6
    return t.with_(
        current_a=np.array([-4.2, -4.1, -0.5, 3.1, 2.0, 0.4])[turn],
        voltage_v=np.array([13.31, 13.28, 13.36, 13.47, 13.44, 13.4])[turn],
        temperature_c=np.full(rows, 9.0),
        soc_percent=np.full(rows, 100.0),
    )


@pytest.mark.parametrize("begins", [150, 160, 171])
def test_what_comes_again_every_hour_is_no_copy_by_another_clock(begins: int, tmp_path):
    """Two exports that overlap, meet, or leave hours between them."""
    t = cycling(300)
    parts = t.take(slice(0, 160)), t.take(slice(begins, None))

    recording = read(tmp_path, [*lines(parts[0]), *lines(parts[1])[1:]])

    np.testing.assert_array_equal(recording.readings.ts_ms, np.union1d(parts[0].ts_ms, parts[1].ts_ms))
    assert recording.receipt.set_aside_reasons == {}
