from __future__ import annotations

from dataclasses import replace
from functools import partial

import numpy as np
import pytest

from logbook.errors import Unanswered
from logbook.ingest import ImportOptions, archive
from logbook.ingest.piece import Pieces
from logbook.jobs import piecewise
from logbook.jobs.import_files import import_file
from logbook.jobs.taking import read_for_pack
from logbook.jobs.undo import undo
from logbook.store import add_pack, open_store
from tests.ingest.fixtures import ALL
from tests.store.recordings import content

OPTIONS = ImportOptions(time_zone="UTC", cells_in_series=4, rated_ah=100.0)
HEADER = "Time,Voltage (V),Current (A),Temperature (°C),State of charge (%),Consumed (Ah)"
DAYS, STEP_S = 5, 60
ROWS = DAYS * 86_400 // STEP_S


@pytest.fixture(autouse=True)
def short_pieces(monkeypatch):
    monkeypatch.setattr(archive, "FIRST_BYTES", 16_384)
    monkeypatch.setattr(archive, "BLOCK_BYTES", 16_384)
    monkeypatch.setattr(piecewise, "Pieces", partial(Pieces, 120_000))


def rows_of(start: str = "2025-03-01", sign: float = 1.0) -> list[str]:
    """Days of use: loads in the evening, sun by day, full at noon."""
    seconds = np.arange(ROWS) * STEP_S
    hour = seconds / 3600 % 24
    current = (
        -1.5 - 6.0 * ((hour > 18) & (hour < 22)) - 4.0 * (seconds // 1200 % 3 == 0) + 14.0 * ((hour > 8) & (hour < 15))
    )
    charge = 70.0 + np.cumsum(current) * STEP_S / 3600
    charge -= np.maximum.accumulate(np.maximum(charge - 100.0, 0.0))
    volt = 13.0 + 0.003 * charge + 0.012 * current
    times = np.datetime64(start) + seconds.astype("timedelta64[s]")
    return [
        f"{str(time).replace('T', ' ')},{v:.3f},{sign * a:.2f},{8 - 6 * np.cos(h / 12 * np.pi):.1f},{c:.1f},{c - 100:.2f}"
        for time, v, a, h, c in zip(times, volt, current, hour, charge, strict=True)
    ]


def written(path, rows, header: str = HEADER):
    path.write_text("\n".join([header, *rows]) + "\n")
    return path


def held(store):
    """All that is stored but for the moment of the import, its receipt and what is worked out later."""
    return content(store, without=("import", "hour", "finding", "stale"))


def by_ah(stretch) -> float:
    return stretch.ah


def pieces_of(receipt) -> int:
    told = [entry.answer for entry in receipt.inferences if entry.question == "length"]
    return int(told[0].split()[4]) if told else 1


def test_a_long_file_gives_what_it_gives_as_a_whole(store, pack, tmp_path, monkeypatch):
    rows = rows_of()
    rows[40], rows[6000] = rows[40][:22], rows[6000][:22]
    path = written(tmp_path / "long.csv", rows)

    receipt = import_file(store, path, pack, OPTIONS)

    assert pieces_of(receipt) > 2
    with open_store(str(tmp_path / "whole.sqlite3")) as other:
        same = add_pack(other, name=pack.name, rated_ah=pack.rated_ah, cells_in_series=4)
        monkeypatch.setattr(piecewise, "Pieces", Pieces)
        whole = import_file(other, path, same, OPTIONS)
        assert pieces_of(whole) == 1
        assert held(store) == held(other)
    for name in ("rows_read", "rows_stored", "rows_set_aside", "first_ms", "last_ms", "interval_s", "gaps", "repairs"):
        assert getattr(receipt, name) == getattr(whole, name), name
    assert receipt.set_aside_first == whole.set_aside_first
    assert receipt.columns == whole.columns
    (told,) = [entry.shown for entry in receipt.inferences if entry.shown]
    (of_whole,) = [entry.shown for entry in whole.inferences if entry.shown]
    assert told.places == pytest.approx(of_whole.places, rel=0.02)
    assert told.ah == pytest.approx(of_whole.ah, rel=0.02)
    assert max(told.listed, key=by_ah).ah == pytest.approx(max(of_whole.listed, key=by_ah).ah, rel=0.02)
    assert {(entry.question, entry.answer) for entry in whole.inferences if entry.question == "positive current"} <= {
        (entry.question, entry.answer) for entry in receipt.inferences
    }


def test_undo_takes_all_pieces_back(store, pack, tmp_path):
    before = held(store)
    receipt = import_file(store, written(tmp_path / "long.csv", rows_of()), pack, OPTIONS)

    undo(store, receipt.import_id)

    assert held(store) == before


def test_what_a_long_file_would_do_is_told_without_doing_it(store, pack, tmp_path):
    before = held(store)

    receipt = import_file(store, written(tmp_path / "long.csv", rows_of()), pack, OPTIONS, dry_run=True)

    assert receipt.rows_stored == ROWS
    assert pieces_of(receipt) > 2
    assert held(store) == before


def turned(rows):
    half = len(rows) // 2
    return [*rows[:half], *rows_of(sign=-1.0)[half:]]


def backwards(rows):
    return rows[::-1]


def out_of_order(rows):
    half = len(rows) // 2
    return [*rows[half:], *rows[:half]]


def twice(rows):
    return [*rows, *rows]


def of_another_header(rows):
    half = len(rows) // 2
    moved = [
        ",".join(cells[place] for place in (0, 2, 1, 3, 4, 5)) for cells in (row.split(",") for row in rows[half:])
    ]
    names = HEADER.split(",")
    return [*rows[:half], ",".join(names[place] for place in (0, 2, 1, 3, 4, 5)), *moved]


def last_rows_by_a_clock_of_the_future(rows, _edge):
    """Three rows are few of the file, and all there is of its last piece."""
    return [*rows, *(f"2041{row[4:]}" for row in rows[-3:])]


def cell_away(rows, _edge):
    """The fourth cell shows nothing for a piece and a half; it is one of the file all the same."""
    return [f"{row},3.301,3.302,3.303,{0.0 if 2000 <= n < 5500 else 3.304:.3f}" for n, row in enumerate(rows)]


def frozen_at_the_edge(rows, edge):
    """The logger lost its link in the charge at noon, and the piece begins amid the rows it repeated."""
    held = rows[edge - 30].partition(",")[2]
    return [f"{row[:19]},{held}" if edge - 30 <= n < edge + 90 else row for n, row in enumerate(rows)]


def spike(rows, edge, place: int):
    time, _, others = rows[edge + place].split(",", 2)
    return [*rows[: edge + place], f"{time},19.500,{others}", *rows[edge + place + 1 :]]


def code_at_the_edge(rows, edge):
    """A sensor away for an hour: what stands on both sides of it tells that 85 °C are a code."""
    away = range(edge - 30, edge + 30)
    return [
        ",".join([*row.split(",")[:3], "85.0", *row.split(",")[4:]]) if n in away else row for n, row in enumerate(rows)
    ]


def voltage_away(rows, _edge):
    """The cell is empty, and beside it stand 13 A: few rows of the whole, many of the piece."""
    parts = [row.split(",", 3) for row in rows]
    return [
        f"{time},,13.10,{others}" if 3370 <= n < 3650 else f"{time},{volts},{float(amps) / 2:.2f},{others}"
        for n, (time, volts, amps, others) in enumerate(parts)
    ]


def quiet(rows, edge):
    return [f"{row[:19]},13.200,-0.30,9.0,70.0,-30.00" if n >= edge - 700 else row for n, row in enumerate(rows)]


def without_dates_at_first(rows, edge):
    return [f"0000-00-00{row[10:]}" if n < edge + 50 else row for n, row in enumerate(rows)]


@pytest.mark.parametrize(
    "change",
    [
        last_rows_by_a_clock_of_the_future,
        cell_away,
        frozen_at_the_edge,
        partial(spike, place=-1),
        partial(spike, place=0),
        code_at_the_edge,
        voltage_away,
        quiet,
        without_dates_at_first,
    ],
    ids=["future", "cell", "frozen", "spike before", "spike after", "code", "shifted", "quiet", "no dates"],
)
def test_what_a_piece_would_judge_otherwise_than_the_whole_is_left_to_the_whole(
    store, pack, tmp_path, monkeypatch, change
):
    rows, pieces = rows_of(), Pieces(120_000)
    read_for_pack(store, written(tmp_path / "long.csv", rows), pack, OPTIONS, pieces=pieces)
    changed = change(rows, pieces.next_line - 2)
    header = f"{HEADER},Cell 1 (V),Cell 2 (V),Cell 3 (V),Cell 4 (V)" if change is cell_away else HEADER
    path = written(tmp_path / "long.csv", changed, header)

    by_pieces = outcome(store, path, pack, OPTIONS)

    with open_store(str(tmp_path / "whole.sqlite3")) as other:
        same = add_pack(other, name=pack.name, rated_ah=pack.rated_ah, cells_in_series=4)
        monkeypatch.setattr(piecewise, "Pieces", Pieces)
        assert outcome(other, path, same, OPTIONS) == by_pieces
    assert by_pieces[0] == 1


@pytest.mark.parametrize("change", [turned, backwards, out_of_order, twice, of_another_header])
def test_a_file_whose_pieces_are_not_alike_is_read_as_a_whole(store, pack, tmp_path, monkeypatch, change):
    path = written(tmp_path / "long.csv", change(rows_of()))

    receipt = import_file(store, path, pack, OPTIONS)

    assert pieces_of(receipt) == 1
    assert receipt.rows_stored == ROWS
    with open_store(str(tmp_path / "whole.sqlite3")) as other:
        same = add_pack(other, name=pack.name, rated_ah=pack.rated_ah, cells_in_series=4)
        monkeypatch.setattr(piecewise, "Pieces", Pieces)
        whole = import_file(other, path, same, OPTIONS)
        assert held(store) == held(other)
    assert replace(receipt, changes=None) == replace(whole, changes=None)


def test_a_question_of_the_beginning_alone_is_left_to_the_whole(store, pack, tmp_path):
    """Parked first, with nothing that shows the sign; used later."""
    parked = [
        f"{time.replace('T', ' ')},13.3,-0.20,10.0,,"
        for time in np.datetime_as_string(
            np.datetime64("2025-02-20") + (np.arange(4000) * STEP_S).astype("timedelta64[s]"), unit="s"
        )
    ]
    path = written(tmp_path / "long.csv", [*parked, *rows_of()])

    receipt = import_file(store, path, pack, OPTIONS)

    assert receipt.rows_stored == len(parked) + ROWS
    assert pieces_of(receipt) == 1


def test_a_question_that_the_whole_does_not_answer_stops_it(store, pack, tmp_path):
    before = held(store)
    times = np.datetime_as_string(
        np.datetime64("2025-02-20") + (np.arange(9000) * STEP_S).astype("timedelta64[s]"), unit="s"
    )
    path = written(tmp_path / "long.csv", [f"{time.replace('T', ' ')},13.3,-0.20,10.0,," for time in times])

    with pytest.raises(Unanswered, match="positive"):
        import_file(store, path, pack, OPTIONS)

    assert held(store) == before


def outcome(store, path, pack, options):
    """By how many pieces a file came in, what is stored then, and the error, if any."""

    def read(pieces, recalled):
        return read_for_pack(store, path, pack, replace(options, remembered=recalled), pieces=pieces)

    try:
        receipt = piecewise.take_in(store, pack, read, None, dry_run=False)
    except Unanswered as error:
        return 0, held(store), str(error)
    return pieces_of(receipt), held(store), None


@pytest.mark.parametrize(
    "fixture", [fixture for fixture in ALL if fixture.truth is not None], ids=lambda fixture: fixture.name
)
def test_whatever_an_export_holds_its_pieces_give_what_the_whole_gives(store, pack, tmp_path, monkeypatch, fixture):
    """Pieces of fifty rows: where they say too little by themselves, the file is read as a whole."""
    monkeypatch.setattr(archive, "FIRST_BYTES", 2048)
    monkeypatch.setattr(archive, "BLOCK_BYTES", 2048)
    monkeypatch.setattr(piecewise, "Pieces", partial(Pieces, 2048))
    path = tmp_path / f"{fixture.name}{fixture.suffix}"
    path.write_bytes(fixture.content)
    options = ImportOptions(**{"cells_in_series": 4, "rated_ah": 100.0, **fixture.options})

    by_pieces = outcome(store, path, pack, options)

    with open_store(str(tmp_path / "whole.sqlite3")) as other:
        same = add_pack(other, name=pack.name, rated_ah=pack.rated_ah, cells_in_series=4)
        monkeypatch.setattr(piecewise, "Pieces", Pieces)
        assert outcome(other, path, same, options)[1:] == by_pieces[1:]
    assert by_pieces[0] > 1 or fixture.name not in {"plain", "decimal-comma", "torn-first-row"}
