"""What the logbook holds already is stored once, in both orders of arrival, and nothing is lost or lasting."""

from __future__ import annotations

from dataclasses import replace

import numpy as np
import pytest

from logbook.errors import Unanswered
from logbook.jobs.import_files import import_file
from logbook.store import read_readings, set_aside_rows, undo_import
from tests.ingest.test_overlap import cycling
from tests.ingest.trip import lines, plain_cells, text, trip
from tests.jobs.test_import_files import OPTIONS
from tests.store.recordings import content

FINE = trip(600, interval_s=5.0)
MINUTE = trip(300)


def export(folder, name: str, readings, cells=None):
    path = folder / name
    path.write_text(text(lines(readings, cells)))
    return path


def means(fine, rows: int):
    """Means of so many rows each, at the time of the last of them, rounded as a monitor would."""
    parts = range(len(fine) // rows)
    columns = {
        name: np.array([np.mean(getattr(fine, name)[part * rows : (part + 1) * rows]) for part in parts]).round(1)
        for name in ("voltage_v", "current_a", "temperature_c", "soc_percent")
    }
    return fine.take(slice(rows - 1, None, rows)).with_(
        ts_ms=fine.ts_ms[rows - 1 :: rows][: len(parts)] + 1000, **columns
    )


def other_device(readings):
    """A second monitor 20 s later, with its own noise and rounding."""
    noise = np.random.default_rng(5).normal(0, 0.15, len(readings))
    return readings.with_(
        ts_ms=readings.ts_ms + 20_000,
        voltage_v=np.round(readings.voltage_v + 0.04, 1),
        current_a=np.round(readings.current_a + noise, 1),
    )


def stored_times(store, pack):
    return read_readings(store, pack.id).ts_ms


@pytest.mark.parametrize("hours", [1.0, -1.0, 5.5, -2.0])
def test_the_same_readings_at_another_hour_are_stored_once(hours: float, store, pack, tmp_path):
    import_file(store, export(tmp_path, "first.csv", MINUTE), pack, OPTIONS)

    receipt = import_file(store, export(tmp_path, "later.csv", MINUTE, plain_cells(offset_h=hours)), pack, OPTIONS)

    assert (receipt.rows_stored, receipt.rows_set_aside) == (0, 300)
    (reason,) = receipt.set_aside_reasons
    assert f"{abs(hours):g} h {'earlier' if hours > 0 else 'later'}" in reason
    rows = set_aside_rows(store, receipt.import_id)
    assert rows["line"].tolist() == list(range(2, 302))
    assert rows["text"][0].startswith("2024-03-")
    np.testing.assert_array_equal(stored_times(store, pack), MINUTE.ts_ms)


def test_new_readings_beside_copies_at_another_hour_are_stored_where_the_file_says_its_zone(store, pack, tmp_path):
    import_file(store, export(tmp_path, "first.csv", MINUTE.take(slice(0, 200))), pack, OPTIONS)

    receipt = import_file(store, export(tmp_path, "later.csv", MINUTE, plain_cells(offset_h=1.0)), pack, OPTIONS)

    assert (receipt.rows_stored, receipt.rows_set_aside) == (100, 200)
    assert receipt.first_ms == MINUTE.ts_ms[200] + 3_600_000


def test_another_day_at_the_same_hours_is_no_copy(store, pack, tmp_path):
    import_file(store, export(tmp_path, "first.csv", MINUTE), pack, OPTIONS)

    later = MINUTE.with_(ts_ms=MINUTE.ts_ms + 86_400_000)
    receipt = import_file(store, export(tmp_path, "later.csv", later), pack, OPTIONS)

    assert (receipt.rows_stored, receipt.rows_set_aside) == (300, 0)


def test_the_next_hours_of_a_pack_at_rest_are_no_copy(store, pack, tmp_path):
    rest = MINUTE.with_(
        voltage_v=np.full(300, 13.3),
        current_a=np.zeros(300),
        temperature_c=np.full(300, 8.0),
        soc_percent=np.full(300, 80.0),
    )
    import_file(store, export(tmp_path, "first.csv", rest), pack, OPTIONS)

    later = rest.with_(ts_ms=rest.ts_ms + 300 * 60_000)
    receipt = import_file(store, export(tmp_path, "later.csv", later), pack, OPTIONS)

    assert (receipt.rows_stored, receipt.rows_set_aside) == (300, 0)


def test_means_of_readings_that_are_there_are_set_aside(store, pack, tmp_path):
    import_file(store, export(tmp_path, "fine.csv", FINE), pack, OPTIONS)

    receipt = import_file(store, export(tmp_path, "means.csv", means(FINE, 60)), pack, OPTIONS)

    assert receipt.rows_set_aside >= 9
    assert "coarser copy" in next(iter(receipt.set_aside_reasons))
    assert receipt.rows_stored == 10 - receipt.rows_set_aside


def test_finer_readings_take_the_place_of_their_means_and_give_it_back(store, pack, tmp_path):
    coarse = means(FINE, 60)
    import_file(store, export(tmp_path, "means.csv", coarse), pack, OPTIONS)
    before = content(store)

    receipt = import_file(store, export(tmp_path, "fine.csv", FINE), pack, OPTIONS)

    times = stored_times(store, pack)
    assert receipt.rows_stored == 600
    assert np.isin(FINE.ts_ms, times).all()
    assert np.setdiff1d(times, FINE.ts_ms).tolist() == [coarse.ts_ms[-1]]  # it stands after the last of the fine ones
    assert any("coarser copy" in warning for warning in receipt.warnings)
    undo_import(store, receipt.import_id)
    assert {name: rows for name, rows in content(store).items() if name in {"reading", "shared_reading", "rollup"}} == {
        name: rows for name, rows in before.items() if name in {"reading", "shared_reading", "rollup"}
    }


def test_a_dry_run_of_finer_readings_changes_nothing(store, pack, tmp_path):
    import_file(store, export(tmp_path, "means.csv", means(FINE, 60)), pack, OPTIONS)
    before = content(store)

    receipt = import_file(store, export(tmp_path, "fine.csv", FINE), pack, OPTIONS, dry_run=True)

    assert receipt.rows_stored == 600
    assert content(store) == before


def test_undo_of_the_coarser_import_leaves_the_finer_readings(store, pack, tmp_path):
    first = import_file(store, export(tmp_path, "means.csv", means(FINE, 60)), pack, OPTIONS)
    second = import_file(store, export(tmp_path, "fine.csv", FINE), pack, OPTIONS)

    undo_import(store, first.import_id)

    np.testing.assert_array_equal(stored_times(store, pack), FINE.ts_ms)
    undo_import(store, second.import_id)
    assert content(store)["reading"] == content(store)["shared_reading"] == content(store)["rollup"] == []


def test_a_second_device_is_set_aside_and_told(store, pack, tmp_path):
    import_file(store, export(tmp_path, "shunt.csv", MINUTE), pack, OPTIONS)

    receipt = import_file(store, export(tmp_path, "board.csv", other_device(MINUTE)), pack, OPTIONS)

    assert receipt.rows_set_aside == 299
    assert "second device" in next(iter(receipt.set_aside_reasons))
    assert any("kept as the record" in warning for warning in receipt.warnings)
    np.testing.assert_array_equal(stored_times(store, pack)[:300], MINUTE.ts_ms)


def test_a_gap_of_the_first_device_is_filled_by_the_second(store, pack, tmp_path):
    import_file(store, export(tmp_path, "shunt.csv", MINUTE.take(np.r_[0:100, 200:300])), pack, OPTIONS)

    receipt = import_file(store, export(tmp_path, "board.csv", other_device(MINUTE)), pack, OPTIONS)

    assert receipt.rows_stored == 300 - receipt.rows_set_aside
    assert 100 <= receipt.rows_stored <= 103


def test_quantities_from_two_files_complete_each_other(store, pack, tmp_path):
    nothing = np.full(300, np.nan)
    probe = MINUTE.with_(voltage_v=nothing, current_a=nothing, soc_percent=nothing, ts_ms=MINUTE.ts_ms + 20_000)
    import_file(store, export(tmp_path, "shunt.csv", MINUTE.with_(temperature_c=nothing)), pack, OPTIONS)

    receipt = import_file(store, export(tmp_path, "probe.csv", probe), pack, OPTIONS)

    assert (receipt.rows_stored, receipt.rows_set_aside) == (300, 0)


def test_a_file_again_is_still_a_no_op(store, pack, tmp_path):
    import_file(store, export(tmp_path, "first.csv", MINUTE), pack, OPTIONS)
    path = export(tmp_path, "later.csv", MINUTE, plain_cells(offset_h=1.0))
    import_file(store, path, pack, OPTIONS)
    before = content(store)

    again = import_file(store, path, pack, replace(OPTIONS, positive=None))

    assert again.already_imported
    assert content(store) == before


def still(rows: int, *, last: float = 13.3):
    """A parked pack of which hardly anything moves; the voltage may step at row 200."""
    parked = trip(rows)
    return parked.with_(
        voltage_v=np.where(np.arange(rows) < 200, 13.3, last),
        current_a=np.zeros(rows),
        temperature_c=np.full(rows, 8.0),
        soc_percent=np.full(rows, 80.0),
    )


LOCAL = "%Y-%m-%d %H:%M:%S"
SUPPOSED = replace(OPTIONS, time_zone=None, default_time_zone="Europe/Berlin")
SAID = replace(OPTIONS, time_zone="Europe/Berlin")


def by_local_clock(hours: float):
    """The times of Berlin in winter, by a clock that is so many hours ahead of it."""
    return plain_cells(LOCAL, offset_h=1.0 + hours)


def test_a_still_stretch_at_another_hour_is_set_aside_with_the_option_that_says_otherwise(store, pack, tmp_path):
    import_file(store, export(tmp_path, "first.csv", still(240)), pack, OPTIONS)

    path = export(tmp_path, "later.csv", still(240), by_local_clock(1.0))
    receipt = import_file(store, path, pack, SUPPOSED)

    assert (receipt.rows_stored, receipt.rows_set_aside, receipt.rows_already_known) == (0, 240, 0)
    (reason,) = receipt.set_aside_reasons
    assert "1 h earlier" in reason
    assert any("--timezone" in warning for warning in receipt.warnings)
    undo_import(store, receipt.import_id)
    said = import_file(store, path, pack, SAID)
    assert (said.rows_stored, said.rows_set_aside, said.rows_already_known) == (60, 0, 180)


def test_a_still_stretch_that_may_be_a_copy_and_goes_on_is_asked_about(store, pack, tmp_path):
    import_file(store, export(tmp_path, "first.csv", still(190)), pack, OPTIONS)
    longer = still(400, last=13.2)
    path = export(tmp_path, "later.csv", longer, by_local_clock(1.0))

    with pytest.raises(Unanswered, match="hardly anything in them moves") as refused:
        import_file(store, path, pack, SUPPOSED)

    assert "--timezone" in (refused.value.mend or "")
    said = import_file(store, path, pack, SAID)
    assert said.rows_stored + said.rows_already_known == 400
    assert not any("hardly anything moves" in warning for warning in said.warnings), "the zone was said"


def test_rest_that_goes_on_is_stored_without_a_question(store, pack, tmp_path):
    whole = still(400, last=13.2)
    import_file(store, export(tmp_path, "first.csv", whole.take(slice(0, 190))), pack, OPTIONS)

    path = export(tmp_path, "later.csv", whole.take(slice(101, None)), by_local_clock(0.0))
    receipt = import_file(store, path, pack, SUPPOSED)

    assert (receipt.rows_stored, receipt.rows_already_known, receipt.rows_set_aside) == (210, 89, 0)
    assert not receipt.warnings


@pytest.mark.parametrize("begins", [154, 160, 171])
def test_what_comes_again_every_hour_is_no_copy_by_another_clock(begins: int, store, pack, tmp_path):
    t = cycling(300)
    import_file(store, export(tmp_path, "first.csv", t.take(slice(0, 160)), by_local_clock(0.0)), pack, SUPPOSED)

    later = export(tmp_path, "later.csv", t.take(slice(begins, None)), by_local_clock(0.0))
    receipt = import_file(store, later, pack, SUPPOSED)

    assert (receipt.rows_set_aside, receipt.rows_already_known) == (0, max(160 - begins, 0))
    np.testing.assert_array_equal(stored_times(store, pack), np.delete(t.ts_ms, np.arange(160, max(begins, 160))))


def test_what_comes_again_every_hour_but_for_a_day_is_a_copy_by_another_clock(store, pack, tmp_path):
    """A kettle now and then tells which hour it was."""
    t = cycling(300)
    kettle = np.isin(np.arange(300), [120, 131, 137, 149, 152, 158])
    t = t.with_(current_a=np.where(kettle, -60.0, t.current_a), voltage_v=np.where(kettle, 12.9, t.voltage_v))
    import_file(store, export(tmp_path, "first.csv", t.take(slice(0, 160)), by_local_clock(0.0)), pack, SUPPOSED)
    later = export(tmp_path, "later.csv", t.take(slice(118, None)), by_local_clock(1.0))

    with pytest.raises(Unanswered, match="42 of its 182 readings are in the logbook 1 h earlier"):
        import_file(store, later, pack, SUPPOSED)


def constant(rows: int):
    """A full pack of which nothing moves for hours, at ten minutes a row, and then a load."""
    full = trip(rows, interval_s=600.0)
    load = np.arange(rows) >= 200
    return full.with_(
        voltage_v=np.where(load, 13.1, 14.0),
        current_a=np.where(load, -8.0, 0.0),
        temperature_c=np.full(rows, 9.0),
        soc_percent=np.full(rows, 100.0),
    )


@pytest.mark.parametrize("hours", [1.0, 5.5])
def test_what_may_be_a_copy_though_nothing_tells_is_warned_of_with_its_lines(hours: float, store, pack, tmp_path):
    """The log before ends, and the export by another clock begins, where nothing moves."""
    t = constant(300)
    import_file(store, export(tmp_path, "first.csv", t.take(slice(0, 150)), by_local_clock(0.0)), pack, SUPPOSED)
    path = export(tmp_path, "later.csv", t.take(slice(125, None)), by_local_clock(hours))

    receipt = import_file(store, path, pack, SUPPOSED)

    (told,) = receipt.warnings
    assert receipt.rows_set_aside == 0
    assert told.startswith("Lines 2 to ")
    assert "nothing tells whether they are a copy by another clock" in told
    assert "--timezone" in told
    undo_import(store, receipt.import_id)
    assert not import_file(store, path, pack, SAID).warnings


@pytest.mark.parametrize("begins", [149, 150])
def test_rest_that_goes_on_where_the_last_export_ended_is_not_warned_of(begins: int, store, pack, tmp_path):
    t = constant(300)
    import_file(store, export(tmp_path, "first.csv", t.take(slice(0, 150)), by_local_clock(0.0)), pack, SUPPOSED)

    later = export(tmp_path, "later.csv", t.take(slice(begins, None)), by_local_clock(0.0))
    receipt = import_file(store, later, pack, SUPPOSED)

    assert receipt.warnings == ()


def test_times_that_wander_by_seconds_tell_a_copy_in_which_nothing_moves(store, pack, tmp_path):
    """No log comes again to the second hours later."""
    t = constant(300)
    wander = np.random.default_rng(3).integers(-20, 21, 300) * 1000
    t = t.with_(ts_ms=t.ts_ms + wander)
    import_file(store, export(tmp_path, "first.csv", t.take(slice(0, 150)), by_local_clock(0.0)), pack, SUPPOSED)
    later = export(tmp_path, "later.csv", t.take(slice(110, None)), by_local_clock(5.5))

    with pytest.raises(Unanswered, match=r"40 of its 190 readings are in the logbook 5\.5 h earlier"):
        import_file(store, later, pack, SUPPOSED)


@pytest.mark.parametrize("rows", [510, 1300])
def test_still_parts_of_a_moved_copy_are_copies_as_the_rest_of_it_is(rows: int, store, pack, tmp_path):
    """The last ten rows tell nothing by themselves, nor do hours in which nothing moves."""
    t = trip(rows)
    held = np.where((np.arange(rows) >= rows - 350) & (np.arange(rows) < rows - 10), rows - 350, np.arange(rows))
    t = t.with_(**{name: getattr(t, name)[held] for name in ("voltage_v", "current_a", "temperature_c", "soc_percent")})
    import_file(store, export(tmp_path, "first.csv", t), pack, OPTIONS)

    receipt = import_file(store, export(tmp_path, "later.csv", t, plain_cells(offset_h=1.0)), pack, OPTIONS)

    assert (receipt.rows_stored, receipt.rows_set_aside) == (0, rows)


def test_the_rows_between_those_of_a_thinned_export_are_no_second_device(store, pack, tmp_path):
    import_file(store, export(tmp_path, "thinned.csv", MINUTE.take(slice(0, None, 2))), pack, OPTIONS)

    receipt = import_file(store, export(tmp_path, "whole.csv", MINUTE), pack, OPTIONS)

    assert (receipt.rows_stored, receipt.rows_already_known, receipt.rows_set_aside) == (150, 150, 0)
    np.testing.assert_array_equal(stored_times(store, pack), MINUTE.ts_ms)


@pytest.mark.parametrize("mirrored", [True, False])
def test_an_overlap_that_is_there_with_the_other_sign_is_told(mirrored: bool, store, pack, tmp_path):
    """A monitor set anew between two exports with the same header, taken to count as last time."""
    import_file(store, export(tmp_path, "first.csv", MINUTE.take(slice(0, 200))), pack, OPTIONS)
    later = MINUTE.take(slice(100, 300))
    later = later.with_(current_a=(-later.current_a if mirrored else later.current_a) + 0.0)

    receipt = import_file(store, export(tmp_path, "later.csv", later), pack, OPTIONS)

    told = [warning for warning in receipt.warnings if "with a current of the other sign" in warning]
    assert len(told) == mirrored
    assert all("--positive" in warning for warning in told)


def test_an_overlap_of_the_other_sign_is_asked_about_where_nobody_has_said_how_it_counts(store, pack, tmp_path):
    """Its own readings cannot tell: a steady draw at a steady voltage, whose header was read before."""
    flat = MINUTE.with_(voltage_v=np.full(len(MINUTE), 13.2), soc_percent=np.full(len(MINUTE), np.nan))
    import_file(store, export(tmp_path, "first.csv", flat.take(slice(0, 200))), pack, OPTIONS)
    later = flat.take(slice(100, 300))
    path = export(tmp_path, "later.csv", later.with_(current_a=-later.current_a + 0.0))
    unsaid = replace(OPTIONS, positive=None)

    with pytest.raises(Unanswered, match="in the logbook with a current of the other sign"):
        import_file(store, path, pack, unsaid)
    receipt = import_file(store, path, pack, unsaid, ask=lambda question: {"positive": "discharge"}[question.key])

    assert (receipt.rows_stored, receipt.rows_already_known) == (100, 100)
    assert receipt.warnings == ()
