"""A stretch in which nothing moves, exported again by another clock, is told from rest that goes on by its edges."""

from __future__ import annotations

from dataclasses import replace

import numpy as np
import pytest

from logbook.ingest.frame import Frame
from logbook.ingest.still import still_between
from tests.ingest.test_sign import OPTIONS, read
from tests.ingest.trip import lines, trip

HOUR = 3_600_000
MINUTE = 60_000
GIVEN = replace(OPTIONS, positive="charge")


def frame(first: int, rows: int, *changes: int, step_ms: int = MINUTE) -> Frame:
    """Rows from so many steps on; the voltage steps at the places given, counted in steps too."""
    step = np.arange(first, first + rows)
    voltage = 13.3 - 0.01 * (step[:, None] >= np.array(changes, np.int64)).sum(axis=1)
    return Frame(step + 2, step * step_ms, {"voltage_v": voltage, "current_a": np.zeros(rows)})


def again(copied: Frame, hours: float) -> Frame:
    return Frame(copied.lines, copied.ts_ms + round(hours * HOUR), copied.columns)


@pytest.mark.parametrize("hours", [1.0, -1.0, 2.5])
def test_a_whole_stretch_again_by_another_clock_is_told_by_both_its_ends(hours: float):
    stretch = frame(0, 240)

    found = still_between(stretch, again(stretch, hours))

    assert found
    assert (found.shift_ms, found.sure) == (hours * HOUR, True)


def test_one_step_of_a_value_and_an_end_tell_a_part_of_it():
    stretch = frame(0, 240, 200)

    found = still_between(stretch, again(stretch.take(slice(150, 240)), 1.0))

    assert found
    assert (found.shift_ms, found.sure) == (HOUR, True)


def test_rest_that_goes_on_in_an_export_that_overlaps_is_no_copy():
    assert still_between(frame(0, 240, 200), frame(171, 240, 200)) is None
    assert still_between(frame(0, 240), frame(171, 240, 400)) is None


def test_a_wholly_still_export_that_overlaps_may_be_a_copy_of_another_hour():
    """Nothing in it begins, ends or changes where the other has an edge, an hour off no more than as it stands."""
    found = still_between(frame(379, 176, step_ms=MINUTE // 2), frame(116, 271, step_ms=MINUTE // 2))

    assert found
    assert (abs(found.shift_ms), found.sure) == (HOUR, False)


def test_rest_that_goes_on_where_the_other_export_ended_is_no_copy():
    assert still_between(frame(0, 240), frame(240, 240)) is None


def test_a_copy_that_goes_on_is_as_likely_as_rest_that_does():
    found = still_between(frame(0, 240), frame(60, 400, 300))

    assert found
    assert not found.sure


def test_where_the_earlier_rows_were_cut_is_no_edge():
    assert still_between(frame(0, 240), frame(60, 400, 300), open_start=True) is None


def test_quarters_of_an_hour_coincide_by_chance():
    assert still_between(frame(0, 100, step_ms=900_000), frame(24, 200, 190, step_ms=900_000)) is None


def _at_rest(rows: int):
    t = trip(rows)
    return t.with_(
        voltage_v=np.full(rows, 13.3),
        current_a=np.zeros(rows),
        temperature_c=np.full(rows, 8.0),
        soc_percent=np.full(rows, 80.0),
    )


def _without(t, first: int, last: int):
    """A night without a change of anything, within a trip."""
    rows = np.arange(len(t))
    held = np.where((rows >= first) & (rows < last), first, rows)
    return t.with_(
        **{name: getattr(t, name)[held] for name in ("voltage_v", "current_a", "temperature_c", "soc_percent")}
    )


def test_a_still_stretch_between_gaps_is_a_copy_where_the_rest_of_its_export_is(tmp_path):
    t = _without(trip(700), 200, 500)
    t = t.take(np.setdiff1d(np.arange(700), [*range(190, 200), *range(500, 510)]))
    later = t.with_(ts_ms=t.ts_ms + HOUR)

    recording = read(tmp_path, [*lines(t), *lines(later)[1:]])

    np.testing.assert_array_equal(recording.readings.ts_ms, t.ts_ms)
    assert recording.receipt.rows_set_aside == len(t)


def test_a_still_export_again_in_one_file_is_set_aside_with_its_reason(tmp_path):
    t = _at_rest(200)
    later = t.with_(ts_ms=t.ts_ms + HOUR)

    recording = read(tmp_path, [*lines(t), *lines(later)[1:]], GIVEN)

    np.testing.assert_array_equal(recording.readings.ts_ms, t.ts_ms)
    (reason,) = recording.receipt.set_aside_reasons
    assert "by where they begin and end" in reason
    assert any("--timezone" in warning for warning in recording.receipt.warnings)


def test_bursts_of_rest_at_every_hour_are_all_taken(tmp_path):
    t = _at_rest(600)
    t = t.take(np.flatnonzero(np.arange(600) % 60 < 25))

    recording = read(tmp_path, lines(t), GIVEN)

    np.testing.assert_array_equal(recording.readings.ts_ms, t.ts_ms)
