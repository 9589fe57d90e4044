"""What was settled for one export holds for the next with the same header, unless its readings speak against it."""

from __future__ import annotations

from dataclasses import replace

import numpy as np
import pytest

from logbook.errors import BadConfiguration, BadData, Unanswered
from logbook.ingest import ImportOptions, parse_mapping
from logbook.jobs.import_files import import_file
from logbook.store import add_pack, read_readings, undo_import
from tests.ingest.trip import lines, number, plain_cells, text, trip

NOTHING_SAID = ImportOptions(cells_in_series=4, rated_ah=100.0)
ZONED = replace(NOTHING_SAID, time_zone="UTC")
FIRST = trip(300)
LATER = trip(300, start="2024-04-20T09:00:00")
LOCAL = "%Y-%m-%d %H:%M:%S"


def at_rest(readings):
    flat = np.ones(len(readings))
    return readings.with_(
        voltage_v=13.3 * flat, current_a=0.3 * flat, soc_percent=80 * flat, temperature_c=np.round(21.0 + flat, 1)
    )


def export(folder, name: str, readings, *, header: str = "time,voltage,current,temperature,soc", **cells):
    path = folder / name
    path.write_text(text(lines(readings, plain_cells(cells.pop("shape", LOCAL), **cells), header=header)))
    return path


def answers(receipt) -> dict[str, tuple[str, str]]:
    return {entry.question: (entry.answer, entry.evidence) for entry in receipt.inferences}


def test_zone_and_sign_given_once_are_not_asked_for_again(store, pack, tmp_path):
    given = replace(NOTHING_SAID, time_zone="Europe/Berlin", positive="discharge")
    import_file(store, export(tmp_path, "a.csv", at_rest(FIRST)), pack, given)

    receipt = import_file(store, export(tmp_path, "b.csv", at_rest(LATER), offset_h=2.0), pack, NOTHING_SAID)

    assert answers(receipt)["time zone"] == ("Europe/Berlin", "as last time (import 1)")
    assert answers(receipt)["positive current"] == ("discharge", "as last time (import 1)")
    readings = read_readings(store, pack.id, int(LATER.ts_ms[0]))
    assert readings.ts_ms[0] == LATER.ts_ms[0]
    assert (readings.current_a == -0.3).all()


def test_it_holds_for_the_file_after_the_next_too(store, pack, tmp_path):
    import_file(store, export(tmp_path, "a.csv", at_rest(FIRST)), pack, replace(ZONED, positive="charge"))
    import_file(store, export(tmp_path, "b.csv", at_rest(LATER)), pack, NOTHING_SAID)

    third = export(tmp_path, "c.csv", at_rest(trip(300, start="2024-05-02T09:00:00")))
    receipt = import_file(store, third, pack, NOTHING_SAID)

    assert answers(receipt)["positive current"] == ("charge", "as last time (import 2)")


def test_what_the_readings_showed_last_time_helps_one_that_shows_nothing(store, pack, tmp_path):
    import_file(store, export(tmp_path, "a.csv", FIRST, sign=-1.0), pack, ZONED)

    receipt = import_file(store, export(tmp_path, "b.csv", at_rest(LATER)), pack, NOTHING_SAID)

    assert answers(receipt)["positive current"] == ("discharge", "as last time (import 1)")


def test_an_option_stands_before_what_is_remembered(store, pack, tmp_path):
    import_file(store, export(tmp_path, "a.csv", at_rest(FIRST)), pack, replace(ZONED, positive="discharge"))

    receipt = import_file(store, export(tmp_path, "b.csv", at_rest(LATER)), pack, replace(ZONED, positive="charge"))

    assert answers(receipt)["positive current"][0] == "charge"


def test_readings_that_speak_against_it_stop_the_import(store, pack, tmp_path):
    import_file(store, export(tmp_path, "a.csv", at_rest(FIRST)), pack, replace(ZONED, positive="discharge"))
    path = export(tmp_path, "b.csv", LATER)

    with pytest.raises(Unanswered, match=r"In the last file with this header \(import 1\) it was discharge") as caught:
        import_file(store, path, pack, NOTHING_SAID)

    assert "--positive" in caught.value.mend
    assert import_file(store, path, pack, replace(NOTHING_SAID, positive="charge")).rows_stored == 300


def test_another_header_is_another_kind_of_file(store, pack, tmp_path):
    import_file(store, export(tmp_path, "a.csv", at_rest(FIRST)), pack, replace(ZONED, positive="discharge"))
    path = export(tmp_path, "b.csv", at_rest(LATER), header="Time,Volts,Amps,Temp,SoC")

    with pytest.raises(Unanswered):
        import_file(store, path, pack, ZONED)


def test_another_pack_remembers_nothing_of_it(store, pack, tmp_path):
    import_file(store, export(tmp_path, "a.csv", at_rest(FIRST)), pack, replace(ZONED, positive="discharge"))
    newer = add_pack(store, name="Newer", rated_ah=100.0, cells_in_series=4)

    with pytest.raises(Unanswered):
        import_file(store, export(tmp_path, "b.csv", at_rest(LATER)), newer, ZONED)


def test_an_import_taken_back_is_not_remembered(store, pack, tmp_path):
    first = import_file(store, export(tmp_path, "a.csv", at_rest(FIRST)), pack, replace(ZONED, positive="discharge"))
    undo_import(store, first.import_id)

    with pytest.raises(Unanswered):
        import_file(store, export(tmp_path, "b.csv", at_rest(LATER)), pack, ZONED)


def test_a_mapping_given_once_reads_the_next_file(store, pack, tmp_path):
    header = "a,b,c,d,e"
    mapping = parse_mapping(
        '[time]\ncolumns = ["a"]\nzone = "UTC"\n[current]\npositive = "discharge"\n'
        '[columns]\nvoltage_v = "b"\ncurrent_a = "c"\ntemperature_c = { column = "d", unit = "°C" }\nsoc_percent = "e"\n'
    )
    first = export(tmp_path, "a.csv", FIRST, header=header, sign=-1.0)
    with pytest.raises((BadData, Unanswered)):
        import_file(store, first, pack, ZONED)
    import_file(store, first, pack, replace(NOTHING_SAID, mapping=mapping))

    receipt = import_file(store, export(tmp_path, "b.csv", LATER, header=header, sign=-1.0), pack, NOTHING_SAID)

    assert answers(receipt)["mapping"][0] == "as last time (import 1)"
    np.testing.assert_allclose(read_readings(store, pack.id, int(LATER.ts_ms[0])).current_a, LATER.current_a)


def test_readings_against_a_remembered_mapping_stop_the_import(store, pack, tmp_path):
    header = "a,b,c,d,e"
    mapping = parse_mapping(
        '[time]\ncolumns = ["a"]\nzone = "UTC"\n[current]\npositive = "discharge"\n'
        '[columns]\nvoltage_v = "b"\ncurrent_a = "c"\nsoc_percent = "e"\n'
    )
    import_file(
        store,
        export(tmp_path, "a.csv", FIRST, header=header, sign=-1.0),
        pack,
        replace(NOTHING_SAID, mapping=mapping),
    )

    with pytest.raises(Unanswered, match="In the last file with this header"):
        import_file(store, export(tmp_path, "b.csv", LATER, header=header), pack, NOTHING_SAID)


def test_a_mapping_that_says_how_the_file_is_cut_is_remembered_too(store, pack, tmp_path):
    rows = ["#1 Van 2024", *lines(FIRST, plain_cells(LOCAL), header=None)]
    mapping = parse_mapping(
        '[file]\nfirst_row = 2\n[time]\ncolumns = [1]\nzone = "UTC"\n[current]\npositive = "charge"\n'
        "[columns]\nvoltage_v = 2\ncurrent_a = 3\ntemperature_c = 4\nsoc_percent = 5\n"
    )
    path = tmp_path / "a.csv"
    path.write_text(text(rows))
    import_file(store, path, pack, replace(NOTHING_SAID, mapping=mapping))
    later = tmp_path / "b.csv"
    later.write_text(text(["#2 Van 2024", *lines(at_rest(LATER), plain_cells(LOCAL), header=None)]))

    receipt = import_file(store, later, pack, NOTHING_SAID)

    assert (receipt.rows_stored, answers(receipt)["mapping"][0]) == (300, "as last time (import 1)")


@pytest.mark.parametrize(("start", "stops"), [("2024-04-05T09:00:00", False), ("2024-02-28T09:00:00", True)])
def test_the_order_of_day_and_month_is_remembered_until_the_dates_deny_it(start, stops, store, pack, tmp_path):
    vague = trip(120, start="2024-03-04T08:00:00")
    asked = []

    def ask(question):
        asked.append(question.key)
        return "day-first"

    import_file(store, export(tmp_path, "a.csv", vague, shape="%d/%m/%Y %H:%M:%S"), pack, ZONED, ask=ask)
    later = trip(120, start=start)
    path = export(tmp_path, "b.csv", later, shape="%m/%d/%Y %H:%M:%S" if stops else "%d/%m/%Y %H:%M:%S")

    receipt = import_file(store, path, pack, ZONED)

    assert asked == ["date_order"]
    order, why = answers(receipt)["order of day and month"]
    assert (order, "as last time" in why) == (("month-first", False) if stops else ("day-first", True))
    assert any("in the last file with this header they were day-first" in told for told in receipt.warnings) == stops
    assert read_readings(store, pack.id).ts_ms[-1] == max(later.ts_ms[-1], vague.ts_ms[-1])


def test_milliamperes_of_a_travelling_pack_stay_milliamperes_when_it_is_parked(store, pack, tmp_path):
    def cells(r, row):
        base = plain_cells(LOCAL)(r, row)
        return (base[0], base[1], number(r.current_a[row] * 1000, 0), *base[3:])

    for name, readings in (("a.csv", FIRST), ("b.csv", at_rest(LATER))):
        path = tmp_path / name
        path.write_text(text(lines(readings, cells, header="time,voltage,current,temperature,soc")))
        import_file(store, path, pack, ZONED)

    assert (read_readings(store, pack.id, int(LATER.ts_ms[0])).current_a == 0.3).all()


def test_degrees_that_can_be_either_are_those_of_last_time(store, pack, tmp_path):
    vague = trip(300, coldest_c=36.0, warmest_c=44.0)
    first = export(tmp_path, "a.csv", vague)
    import_file(store, first, pack, ZONED, ask=lambda question: "°F")

    later = export(tmp_path, "b.csv", trip(300, start="2024-04-20T09:00:00", coldest_c=36.0, warmest_c=44.0))
    receipt = import_file(store, later, pack, ZONED)

    assert answers(receipt)["temperature unit"] == ("°F", "as last time (import 1)")


def test_a_mapping_of_a_column_that_is_gone_is_no_trap(store, pack, tmp_path):
    mapping = parse_mapping('[columns]\nvoltage_v = "voltage"\n')
    import_file(store, export(tmp_path, "a.csv", FIRST), pack, replace(ZONED, mapping=mapping))
    path = export(tmp_path, "b.csv", LATER, header="time,volts,current,temperature,soc")

    assert import_file(store, path, pack, ZONED).rows_stored == 300
    with pytest.raises(BadConfiguration):
        import_file(
            store,
            export(tmp_path, "c.csv", LATER, header="time,v2,current,temp,soc"),
            pack,
            replace(ZONED, mapping=mapping),
        )


def scaled(folder, name: str, readings, volts: float = 1.0, amps: float = 1.0, percent: float = 1.0, places=(2, 1, 0)):
    """The export with its columns in other units, and nothing in the header that says so."""

    def cells(r, row):
        columns = (r.voltage_v[row] * volts, r.current_a[row] * amps, r.soc_percent[row] * percent)
        v, i, soc = (number(value + 0.0, place) for value, place in zip(columns, places, strict=True))
        return (plain_cells(LOCAL)(r, row)[0], v, i, plain_cells(LOCAL)(r, row)[3], soc)

    path = folder / name
    path.write_text(text(lines(readings, cells, header="time,voltage,current,temperature °C,soc")))
    return path


MILLI = {"volts": 1000.0, "amps": 1000.0, "places": (0, 0, 0)}
AMPS_IN_MILLI = {"amps": 1000.0, "places": (2, 0, 0)}
TENTHS = {"percent": 10.0}
PARTS = {"percent": 0.01, "places": (2, 1, 2)}


@pytest.mark.parametrize(
    ("first", "then", "question"),
    [
        ({}, MILLI, "unit of voltage_v"),
        (MILLI, {}, "unit of voltage_v"),
        (AMPS_IN_MILLI, {}, "current unit"),
        ({}, AMPS_IN_MILLI, "unit of current_a"),
        ({}, TENTHS, "unit of soc_percent"),
        (TENTHS, {}, "percent unit"),
        ({}, PARTS, "percent unit"),
        (PARTS, {}, "unit of soc_percent"),
    ],
)
def test_a_unit_that_changed_is_told_by_what_the_battery_did(first, then, question, store, pack, tmp_path):
    travelled = trip(600, start="2024-04-20T09:00:00")
    import_file(store, scaled(tmp_path, "a.csv", trip(600), **first), pack, ZONED)

    receipt = import_file(store, scaled(tmp_path, "b.csv", travelled, **then), pack, ZONED)

    readings = read_readings(store, pack.id, int(travelled.ts_ms[0]))
    np.testing.assert_allclose(readings.voltage_v, travelled.voltage_v, atol=0.0051)
    np.testing.assert_allclose(readings.current_a, travelled.current_a, atol=0.0051)
    np.testing.assert_allclose(readings.soc_percent, travelled.soc_percent, atol=0.51)
    (strength, evidence) = next(
        (entry.strength, entry.evidence) for entry in receipt.inferences if entry.question == question
    )
    assert (strength, evidence != "") == ("strong", True)
    assert any("in the last file with this header" in told for told in receipt.warnings)


@pytest.mark.parametrize(("first", "answer", "ampere"), [(AMPS_IN_MILLI, "A", 0.3), (AMPS_IN_MILLI, "mA", 0.0)])
def test_a_unit_that_may_have_changed_is_asked_for_where_nothing_moves(first, answer, ampere, store, pack, tmp_path):
    import_file(store, scaled(tmp_path, "a.csv", trip(600), **first), pack, ZONED)
    parked = scaled(tmp_path, "b.csv", at_rest(LATER))

    with pytest.raises(Unanswered, match="as in the last file with this header, in mA"):
        import_file(store, parked, pack, ZONED)
    import_file(store, parked, pack, ZONED, ask=lambda question: answer)

    np.testing.assert_allclose(read_readings(store, pack.id, int(LATER.ts_ms[0])).current_a, ampere)
