"""Lines come in blocks that are whole, in order, numbered, and never of so many lines that memory runs out."""

from __future__ import annotations

from hypothesis import given
from hypothesis import strategies as st

from logbook.ingest import ImportOptions
from logbook.ingest import text as reading
from logbook.ingest.archive import open_source
from logbook.ingest.text import Text

PARTS = st.sampled_from([b"\n" * 40, b"2026-01-01 00:00:00,13.2\n" * 30, b"Time,V\n", b"\n", b"word\n" * 9, b"1,2\n"])


@given(st.lists(PARTS, min_size=1, max_size=12), st.integers(1, 20))
def test_a_block_is_cut_into_pieces_of_few_lines_and_nothing_is_lost(parts, most):
    block = b"".join(parts)
    before, reading.MOST_LINES = reading.MOST_LINES, most
    try:
        cut = list(reading._of_few_lines(block))
    finally:
        reading.MOST_LINES = before
    pieces = [piece for piece, _ in cut]

    assert b"".join(pieces) == block
    assert all(piece.endswith(b"\n") for piece in pieces)
    assert [count for _, count in cut] == [len(piece.splitlines()) for piece in pieces]
    # lines that may be a header stay with what follows them, so a piece may be a few lines too long
    assert all(piece.count(b"\n") <= 2 * (most + reading.HEADER_LINES) for piece in pieces)


def test_lines_keep_their_numbers_where_a_block_is_cut(tmp_path, monkeypatch):
    path = tmp_path / "a.csv"
    path.write_bytes(b"Time,V\n" + b"\n" * 5000 + b"2026-01-01 00:00:00,13.2\n" * 100)
    monkeypatch.setattr(reading, "MOST_LINES", 100)
    source = open_source(path, ImportOptions())

    found = [
        (first + place, line)
        for first, block in Text(source).blocks()
        for place, line in enumerate(block.splitlines())
        if line.strip()
    ]

    assert len(list(Text(source).blocks())) > 30
    assert [line for line, _ in found] == [1, *range(5002, 5102)]
