from __future__ import annotations

import gzip

import pytest

from logbook.ingest import ImportOptions, archive, read_export
from logbook.ingest.archive import open_source
from logbook.ingest.piece import Pieces

OPTIONS = ImportOptions(time_zone="UTC", positive="charge", cells_in_series=4, rated_ah=100.0)
ABOVE = ["Exported by the monitor of the house battery", ""]
HEADER = "Time,Voltage (V),Current (A)"
ROWS = 4000


@pytest.fixture(autouse=True)
def small_blocks(monkeypatch):
    monkeypatch.setattr(archive, "FIRST_BYTES", 4096)
    monkeypatch.setattr(archive, "BLOCK_BYTES", 8192)


def export(path, *, packed: bool = False, torn: tuple[int, ...] = ()):
    """A row a minute; `torn` are rows, from 0, of which only the beginning stands."""
    rows = [
        f"2025-03-{1 + n // 1440:02} {n // 60 % 24:02}:{n % 60:02}:00,{13.2 + n % 50 / 1000:.3f},{-5.0 + n % 70 / 10:.1f}"
        for n in range(ROWS)
    ]
    for row in torn:
        rows[row] = rows[row][:24]
    text = "\n".join([*ABOVE, HEADER, *rows]) + "\n"
    path.write_bytes(gzip.compress(text.encode()) if packed else text.encode())
    return path


def all_of(path, pieces):
    found = [read_export(path, OPTIONS, pieces=pieces)]
    while not pieces.is_last():
        pieces.go_on()
        found.append(read_export(path, OPTIONS, pieces=pieces))
    return found


@pytest.mark.parametrize("packed", [False, True])
def test_pieces_hold_all_rows_once_and_number_them_as_the_file_does(tmp_path, packed):
    path = export(tmp_path / "trip.csv", packed=packed)
    whole = read_export(path, OPTIONS)

    parts = all_of(path, Pieces(30_000))

    assert len(parts) > 3
    assert [line for part in parts for line in part.lines] == list(whole.lines)
    assert [time for part in parts for time in part.readings.ts_ms] == list(whole.readings.ts_ms)
    assert [volt for part in parts for volt in part.readings.voltage_v] == list(whole.readings.voltage_v)


def test_a_torn_row_of_a_later_piece_is_told_with_its_line_and_text(tmp_path):
    path = export(tmp_path / "trip.csv", torn=(17, 3500))

    parts = all_of(path, Pieces(30_000))

    whole = read_export(path, OPTIONS)
    assert [row for part in parts for row in part.set_aside] == list(whole.set_aside)
    assert {row.line for row in whole.set_aside} == {len(ABOVE) + 1 + 1 + row for row in (17, 3500)}


def test_a_piece_can_be_read_again_before_going_on(tmp_path):
    path, pieces = export(tmp_path / "trip.csv"), Pieces(30_000)
    read_export(path, OPTIONS, pieces=pieces)
    pieces.go_on()

    first = read_export(path, OPTIONS, pieces=pieces)
    again = read_export(path, OPTIONS, pieces=pieces)

    assert list(first.lines) == list(again.lines)
    assert first.receipt == again.receipt


def test_a_short_file_is_one_piece(tmp_path):
    pieces = Pieces()

    recording = read_export(export(tmp_path / "trip.csv"), OPTIONS, pieces=pieces)

    assert pieces.is_last()
    assert len(recording.readings) == ROWS
    with pytest.raises(ValueError, match="no other piece"):
        pieces.go_on()


def test_room_is_made_for_a_piece_not_for_the_whole_text(tmp_path):
    path = export(tmp_path / "trip.csv")
    source = open_source(path, OPTIONS)
    block = path.read_bytes()[:4096]

    whole = Pieces().text(source, lambda share: None).rows_like(block)
    piece = Pieces(8192).text(source, lambda share: None).rows_like(block)

    assert whole == pytest.approx(ROWS, rel=0.05)
    assert piece < ROWS / 5
