"""A clock that was set, by hand or at a border, in a night in which summer time begins or ends: no row is off by an hour."""

from __future__ import annotations

from datetime import UTC, datetime, timedelta
from zoneinfo import ZoneInfo

import numpy as np
import pytest

from logbook.errors import Unanswered
from logbook.ingest import ImportOptions, read_export
from tests.ingest.trip import text, trip

HERE, EAST = ZoneInfo("Europe/Berlin"), ZoneInfo("Europe/Helsinki")
SPRING, AUTUMN = "2024-03-30T18:00:00", "2024-10-26T18:00:00"
"""Both nights the clocks of both zones change at 01:00 UTC, seven hours on (IANA time zone database). A clock that is set
in that very minute may show no step at all, which nothing can tell."""


def of_zone(zone):
    return lambda moment: moment.astimezone(zone)


def by_hand(hours):
    """A clock set wrong by so much, and set by hand with summer time."""
    return lambda moment: moment.astimezone(HERE).replace(tzinfo=None) + timedelta(hours=hours)


CLOCKS = {
    "over the border to the east": (of_zone(HERE), of_zone(EAST), "before"),
    "home over the border": (of_zone(EAST), of_zone(HERE), "after"),
    "an hour late until it was set": (by_hand(-1), of_zone(HERE), "after"),
    "two hours ahead until it was set": (by_hand(2), of_zone(HERE), "after"),
}


def read(tmp_path, start: str, set_after_h: float, clocks, *, clock: str | None, interval_s: float = 60.0):
    """The recording of a night, and by how many hours each of its rows is off."""
    t = trip(round(14 * 3600 / interval_s), start=start, interval_s=interval_s)
    rows = []
    for row in range(len(t)):
        moment = datetime.fromtimestamp(t.ts_ms[row] / 1000, UTC)
        shown = clocks[0 if row * interval_s < set_after_h * 3600 else 1](moment)
        rows.append(
            f"{shown:%Y-%m-%d %H:%M:%S},{t.voltage_v[row]},{t.current_a[row]},{t.temperature_c[row]},{t.soc_percent[row]}"
        )
    path = tmp_path / "trip.csv"
    path.write_text(text(["time,voltage,current,temperature (°C),soc", *rows]), "utf-8")
    options = ImportOptions(time_zone="Europe/Berlin", cells_in_series=4, rated_ah=100.0, clock=clock)
    recording = read_export(path, options)
    return recording, (recording.readings.ts_ms - t.ts_ms[recording.lines - 2]) / 3_600_000


@pytest.mark.parametrize("set_after_h", [2, 5, 6, 6.5, 7.5, 8, 9, 11])
@pytest.mark.parametrize("how", list(CLOCKS))
@pytest.mark.parametrize("start", [SPRING, AUTUMN])
def test_no_row_is_off_by_an_hour(tmp_path, start, how, set_after_h):
    *clocks, side = CLOCKS[how]

    recording, off_h = read(tmp_path, start, set_after_h, clocks, clock=side)

    assert len(recording.readings) == 840
    assert not off_h.any()


@pytest.mark.parametrize("interval_s", [10.0, 300.0])
@pytest.mark.parametrize("start", [SPRING, AUTUMN])
def test_nor_where_readings_are_closer_or_wider_apart(tmp_path, start, interval_s):
    *clocks, side = CLOCKS["two hours ahead until it was set"]

    _, off_h = read(tmp_path, start, 6.5, clocks, clock=side, interval_s=interval_s)

    assert not off_h.any()


@pytest.mark.parametrize("start", [SPRING, AUTUMN])
def test_which_side_was_right_is_asked_there_too(tmp_path, start):
    *clocks, _ = CLOCKS["home over the border"]

    with pytest.raises(Unanswered, match=r"by its clock.* it was set back by 1 h"):
        read(tmp_path, start, 5, clocks, clock=None)


@pytest.mark.parametrize("clock", [None, "before"])
@pytest.mark.parametrize("start", [SPRING, AUTUMN])
def test_a_clock_that_only_follows_summer_time_was_not_set(tmp_path, start, clock):
    recording, off_h = read(tmp_path, start, 0, (of_zone(HERE), of_zone(HERE)), clock=clock)

    assert not off_h.any()
    assert "clock set" not in {entry.kind for entry in recording.receipt.repairs}


def test_a_step_on_in_any_other_night_is_taken_for_set_where_the_owner_says_so(tmp_path):
    """Nothing but the owner tells it from a pause of an hour."""
    *clocks, side = CLOCKS["over the border to the east"]

    _, told = read(tmp_path, "2024-02-10T18:00:00", 2, clocks, clock=side)
    recording, taken_for_pause = read(tmp_path, "2024-02-10T18:00:00", 2, clocks, clock=None)

    assert not told.any()
    assert set(np.unique(taken_for_pause)) == {0.0, 1.0}
    assert any("the clock may have been set on there" in warning for warning in recording.receipt.warnings)


@pytest.mark.parametrize("start", [SPRING, AUTUMN])
def test_a_part_exported_again_in_such_a_night_is_no_clock_that_was_set(tmp_path, start):
    """The export begins again before the change, rounded otherwise, so that it is no copy to the letter."""
    t = trip(840, start=start, interval_s=60.0)
    shown = [f"{datetime.fromtimestamp(at / 1000, UTC).astimezone(HERE):%Y-%m-%d %H:%M:%S}" for at in t.ts_ms]
    rows = [f"{shown[k]},{t.voltage_v[k]},{t.current_a[k]},{t.temperature_c[k]},{t.soc_percent[k]}" for k in range(840)]
    again = [
        f"{shown[k]},{t.voltage_v[k]:.1f},{t.current_a[k]:.0f},{t.temperature_c[k]:.0f},{t.soc_percent[k]}"
        for k in range(300, 840)
    ]
    path = tmp_path / "trip.csv"
    path.write_text(text(["time,voltage,current,temperature (°C),soc", *rows, *again]), "utf-8")

    recording = read_export(path, ImportOptions(time_zone="Europe/Berlin", cells_in_series=4, rated_ah=100.0))

    np.testing.assert_array_equal(recording.readings.ts_ms, t.ts_ms)
    np.testing.assert_array_equal(recording.readings.current_a, t.current_a)
