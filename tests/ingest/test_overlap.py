"""The same readings an hour apart in one file are taken once, to the last row beside a gap."""

from __future__ import annotations

import numpy as np

from tests.ingest.test_sign import read
from tests.ingest.trip import lines, trip


def test_a_few_rows_before_a_gap_are_copies_as_those_after_it_are(tmp_path):
    """Exported again from eight rows before an hour's gap, an hour later by its clock: those eight fall into the gap."""
    t = trip(400)
    t = t.take(np.flatnonzero((np.arange(400) < 168) | (np.arange(400) >= 234)))
    again = t.take(slice(160, None))
    again = again.with_(ts_ms=again.ts_ms + 3_600_000)

    recording = read(tmp_path, [*lines(t), *lines(again)[1:]])

    np.testing.assert_array_equal(recording.readings.ts_ms, t.ts_ms)
    assert recording.receipt.set_aside_reasons == {"the same readings stand before, 1 h apart": len(again)}
