"""Files that are damaged or made to harm: each is refused in plain words or read, never met with a fault of ours."""

from __future__ import annotations

import io
import os
import zipfile
from dataclasses import replace
from typing import TYPE_CHECKING

import numpy as np
import pytest

from logbook.errors import BadData, LogbookError
from logbook.ingest import ImportOptions, parse_mapping, read_export
from logbook.ingest.ledger import LONGEST_TEXT, Ledger
from tests.ingest.fixtures import utf8
from tests.ingest.trip import lines, trip

if TYPE_CHECKING:
    from pathlib import Path

LIMIT = 131_072
"""Longest cell that Python's csv module reads unless told otherwise (its documentation, field_size_limit)."""
OPTIONS = ImportOptions(cells_in_series=4, rated_ah=100.0, time_zone="UTC", positive="charge")


def read(path: Path, content: bytes):
    path.write_bytes(content)
    return read_export(path, OPTIONS)


def zipped(name: str, packing: int) -> bytearray:
    packed = io.BytesIO()
    with zipfile.ZipFile(packed, "w", packing) as archive:
        archive.writestr(zipfile.ZipInfo(name), utf8(lines(trip())), packing)
    return bytearray(packed.getvalue())


@pytest.mark.parametrize("place", [0, 5, None], ids=["first line", "among the rows", "last line"])
def test_a_line_without_end_is_one_odd_row(place: int | None, tmp_path: Path):
    rows = lines(trip())
    rows.insert(len(rows) if place is None else place, "x" * (LIMIT + 1))

    recording = read(tmp_path / "long.csv", utf8(rows))

    np.testing.assert_array_equal(recording.readings.ts_ms, trip().ts_ms)
    assert all(len(row.text) <= LONGEST_TEXT for row in recording.set_aside)


def test_a_line_of_tens_of_megabytes_is_refused_before_it_is_held_whole(tmp_path: Path):
    rows = utf8(lines(trip()))
    (tmp_path / "huge.csv").write_bytes(rows + b"x" * (80 << 20))

    with pytest.raises(BadData, match="a line of more than 64 MB"):
        read_export(tmp_path / "huge.csv", OPTIONS)


def test_a_table_of_very_many_columns_is_refused(tmp_path: Path):
    with pytest.raises(BadData, match="20000 columns"):
        read(tmp_path / "wide.csv", (",".join(["1"] * 20_000) + "\n").encode() * 3)


def test_a_damaged_archive_is_told_as_such(tmp_path: Path):
    content = zipped("a.csv", zipfile.ZIP_DEFLATED)
    for place in range(50, 90):
        content[place] ^= 0x5A

    with pytest.raises(BadData, match="damaged"):
        read(tmp_path / "torn.zip", bytes(content))


@pytest.mark.parametrize("packing", [zipfile.ZIP_BZIP2, zipfile.ZIP_LZMA])
def test_what_unpacks_at_one_stroke_is_refused_unread(packing: int, tmp_path: Path):
    with pytest.raises(BadData, match="not understood"):
        read(tmp_path / "bomb.zip", bytes(zipped("a.csv", packing)))


def test_an_archive_with_one_wrong_byte_is_refused_or_read_right(tmp_path: Path):
    content = zipped("a.csv", zipfile.ZIP_DEFLATED)
    refused = 0
    for offset in [*range(40), *range(len(content) - 75, len(content))]:
        wrong = content.copy()
        wrong[offset] ^= 0xFF
        try:
            recording = read(tmp_path / "odd.zip", bytes(wrong))
        except BadData:
            refused += 1
        else:
            np.testing.assert_array_equal(recording.readings.ts_ms, trip().ts_ms)

    assert refused > 0


def test_an_archive_may_hold_a_member_without_a_name(tmp_path: Path):
    recording = read(tmp_path / "dot.zip", bytes(zipped(".", zipfile.ZIP_STORED)))

    np.testing.assert_array_equal(recording.readings.ts_ms, trip().ts_ms)


def test_a_member_whose_name_is_empty_is_passed_over(tmp_path: Path):
    content = bytes(zipped("d/", zipfile.ZIP_STORED)).replace(b"d/", b"\x00/")

    with pytest.raises(BadData, match="no tables: it is empty"):
        read(tmp_path / "nameless.zip", content)


def test_a_file_name_that_is_no_text_is_written_with_its_bytes(tmp_path: Path):
    path = tmp_path / os.fsdecode(b"trip\xff.csv")

    recording = read(path, utf8(lines(trip())))

    assert recording.receipt.file_name == "trip\\udcff.csv"


def test_a_date_of_thousands_of_digits_is_no_date(tmp_path: Path):
    rows = lines(trip())
    rows[5] = f"1.2.{'9' * 6000} 10:00:00Z{rows[5][rows[5].index(',') :]}"

    recording = read(tmp_path / "digits.csv", utf8(rows))

    assert len(recording.readings) == len(trip()) - 1
    assert recording.receipt.rows_set_aside == 1


def test_a_current_no_pack_can_show_is_left_empty_also_where_it_is_the_difference_of_two_columns(tmp_path: Path):
    rows = [f"2024-03-15T21:{minute:02}:00Z,13.{minute % 7},1710536400000,5.8" for minute in range(20)]
    recording = read(tmp_path / "two.csv", utf8(["time,voltage,charge current (A),discharge current (A)", *rows]))

    assert np.isnan(recording.readings.current_a).all()
    assert {repair.kind: repair.count for repair in recording.receipt.repairs} == {"no value (current_a)": 20}


def test_a_file_most_of_whose_rows_are_none_is_refused_after_a_while(tmp_path: Path, monkeypatch):
    monkeypatch.setattr("logbook.ingest.table.MOST_ODD", 400)
    rows = lines(trip())

    with pytest.raises(BadData, match=r"500 of its first 800 rows are no readings"):
        read(tmp_path / "mostly.csv", utf8([*rows, *["2024-03-16,13.1"] * 500]))
    assert len(read(tmp_path / "some.csv", utf8([*rows, *["2024-03-16,13.1"] * 250])).readings) == len(trip())


def test_of_rows_that_are_none_only_the_beginning_is_held():
    ledger = Ledger()
    ledger.set_aside([1], "torn", "x" * 10_000_000)

    assert len(ledger.set_aside_rows({})[0].text) == LONGEST_TEXT
    assert all(len(text) <= LONGEST_TEXT for _, text in ledger._set_aside.values())


@pytest.mark.parametrize("line", ["", ",,,,"])
def test_a_tail_of_nothing_but_empty_lines_is_refused_before_each_is_looked_at(line: str, tmp_path: Path, monkeypatch):
    monkeypatch.setattr("logbook.ingest.table.MOST_ODD", 400)
    rows = lines(trip())

    with pytest.raises(BadData, match=r"lines in a row hold no readings"):
        read(tmp_path / "tail.csv", utf8([*rows, *[line] * 20_000]))
    assert len(read(tmp_path / "spaced.csv", utf8([part for row in rows for part in (row, line)])).readings) == len(
        trip()
    )


@pytest.mark.filterwarnings("ignore:Duplicate name")
def test_an_archive_of_two_files_of_one_name_is_refused_since_one_could_not_be_read(tmp_path: Path):
    packed = io.BytesIO()
    with zipfile.ZipFile(packed, "w") as archive:
        for part in (lines(trip())[:150], lines(trip())[150:]):
            archive.writestr(zipfile.ZipInfo("a.csv"), utf8(part))

    with pytest.raises(BadData, match=r'two files of the name "a.csv"'):
        read(tmp_path / "twice.zip", packed.getvalue())


def test_a_file_name_that_ends_lines_speaks_to_a_terminal_or_writes_backwards_is_shown_without(tmp_path: Path):
    path = tmp_path / "trip\n\x1b[31m\u202egpj\u2066.csv"

    assert read(path, utf8(lines(trip()))).receipt.file_name == "trip\ufffd\ufffd[31m\ufffdgpj\ufffd.csv"


@pytest.mark.timeout(60)
def test_a_row_that_names_columns_by_one_delimiter_and_holds_readings_by_another_is_met_once(tmp_path: Path):
    """These rows were once taken for a header and for none of it in turn, without end."""
    elapsed = [f"{s}|5 mA|-5.8|64,{s}|13.11|-5.8|13.8|64|5 mA" for s in (300, 360, 420, 480)]
    timed = [
        f"2024-03-15T21:0{m}:00Z|5 mA|-5.8|{soc},2024-03-15T21:0{m}:00Z|13.11|-5.8|1e308|{soc}|5 mA"
        for m, soc in ((4, 64), (5, 64), (9, 63), (1, 0.3), (2, 0.3))
    ]

    with pytest.raises(LogbookError):
        read(tmp_path / "turns.csv", utf8([*elapsed, *timed]))


@pytest.mark.parametrize("cell", ["1e20", "99999999999999", "-1e20", "1e308"])
def test_a_spreadsheet_day_beyond_all_time_is_set_aside_without_a_warning(tmp_path: Path, cell):
    days = [f"{45_000 + row / 1440:.6f},13.2,-5.0" for row in range(60)]
    days[20] = f"{cell},13.2,-5.0"
    path = tmp_path / "days.csv"
    path.write_text("\n".join(["time,voltage_v,current_a", *days]) + "\n")

    recording = read_export(path, replace(OPTIONS, mapping=parse_mapping('[time]\nformat = "spreadsheet"')))

    assert len(recording.readings) == 59
    assert [entry.line for entry in recording.set_aside] == [22]


def test_a_file_whose_columns_change_without_end_is_refused(tmp_path: Path, monkeypatch):
    monkeypatch.setattr("logbook.ingest.table.MOST_SECTIONS", 3)
    rows = lines(trip(rows=20))
    other = lines(
        trip(rows=20, start="2024-03-16T21:00:00"), header="timestamp,voltage_v,current_a,soc_percent,temperature_c"
    )
    turning = [line for _ in range(3) for part in (rows, other) for line in part]

    with pytest.raises(BadData, match="columns change more than 3 times"):
        read(tmp_path / "turning.csv", utf8(turning))


def test_a_file_whose_columns_change_every_other_row_is_refused_early(tmp_path: Path, monkeypatch):
    monkeypatch.setattr("logbook.ingest.table.SHORT_SECTIONS", 30)
    rows = lines(trip(rows=60))
    other = lines(
        trip(rows=60, start="2024-03-16T21:00:00"), header="timestamp,voltage_v,current_a,soc_percent,temperature_c"
    )
    turning = [line for row in range(1, 60, 2) for part in (other, rows) for line in (part[0], *part[row : row + 2])]

    with pytest.raises(BadData, match="columns change more than 30 times, up to line 149"):
        read(tmp_path / "turning.csv", utf8([*rows, *turning]))
