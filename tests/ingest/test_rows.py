"""Rows cut straight into numbers and times are those cut into texts and read after, whatever stands in them."""

from __future__ import annotations

from concurrent.futures import ThreadPoolExecutor

import numpy as np
import pytest
from hypothesis import given
from hypothesis import strategies as st

from logbook.errors import LogbookError
from logbook.ingest import ImportOptions, archive, read_export, rows
from logbook.ingest.clock import ClockColumn
from logbook.ingest.dialect import Dialect
from logbook.ingest.number import read_numbers
from logbook.ingest.section import Section
from tests.ingest.fixtures import ALL

BLOCK = 3000
"""Bytes read at once: the first block of a file is always cut into texts."""
CELLS = st.one_of(
    st.sampled_from(["13.2", "-0.5", "", "NA", "--", "1e3", "13.2 V", "word", '"12.1"', " 7", "+3", "nan", "1e400"]),
    st.floats(-1e6, 1e6).map(repr),
)
TIMES = st.one_of(
    st.datetimes().map(lambda moment: moment.replace(microsecond=0).isoformat(" ")),
    st.sampled_from(["2026-01-02T03:04:05.678", "2026-01-02 03:04", "", "word", "2026-13-01 00:00:00"]),
)


def told(path, options):
    """Everything that reading a file gives, or its refusal."""
    try:
        recording = read_export(path, options)
    except LogbookError as error:
        return type(error), str(error)
    columns = {name: value for name, value in vars(recording.readings).items() if isinstance(value, np.ndarray)}
    return columns, recording.receipt.as_json(), recording.set_aside, recording.lines


@pytest.mark.parametrize("fixture", ALL, ids=lambda fixture: fixture.name)
def test_a_file_gives_the_same_however_its_rows_were_cut(fixture, tmp_path, monkeypatch):
    path = tmp_path / f"{fixture.name}{fixture.suffix}"
    path.write_bytes(fixture.content)
    options = ImportOptions(**{"cells_in_series": 4, "rated_ah": 100.0, **fixture.options})
    monkeypatch.setattr(archive, "BLOCK_BYTES", BLOCK)
    straight = told(path, options)
    monkeypatch.setattr(Section, "kinds", lambda _: {})

    by_text = told(path, options)

    np.testing.assert_equal(straight, by_text)


@given(st.lists(st.tuples(TIMES, CELLS), min_size=1, max_size=12), st.sampled_from([".", ","]))
def test_numbers_and_times_are_those_of_the_texts(cells, decimal):
    delimiter = ";"
    block = "".join(f"{time};{cell.replace('.', decimal)}\n" for time, cell in cells).encode()
    dialect = Dialect(delimiter, decimal, 2)
    kinds = {0: ClockColumn.kind_of(zoned=False), 1: rows.NUMBER}

    straight, lines, odd = rows.rows_of(dialect, 1, block, kinds)
    texts, text_lines, text_odd = rows.rows_of(dialect, 1, block)

    assert (lines.tolist(), odd) == (text_lines.tolist(), text_odd)
    clocks = ClockColumn(), ClockColumn()
    for clock, table in zip(clocks, (straight, texts), strict=True):
        if table.num_rows:
            clock.add(table.column(0))
    assert clocks[0].ms.whole.tolist() == clocks[1].ms.whole.tolist()
    assert clocks[0].dates.whole.tolist() == clocks[1].dates.whole.tolist()
    found, by_text = (read_numbers(table.column(1), decimal) for table in (straight, texts))
    np.testing.assert_array_equal(found.values, by_text.values)
    assert (found.bad is None) == (by_text.bad is None)


def test_plain_rows_are_cut_straight():
    block = b"2026-01-02 03:04:05,13.2,a\n2026-01-02 03:04:06,,b\n"
    kinds = {0: ClockColumn.kind_of(zoned=False), 1: rows.NUMBER}

    table, *_ = rows.rows_of(Dialect(",", ".", 3), 1, block, kinds)

    assert [str(kind) for kind in table.schema.types] == ["timestamp[ns]", "double", "string"]


def test_rows_cut_ahead_for_other_columns_are_not_used():
    block = b"2026-01-02 03:04:05,13.2\n"
    dialect = Dialect(",", ".", 2)
    with ThreadPoolExecutor(1) as beside:
        ahead = rows.Ahead(beside, dialect, {1: rows.NUMBER}, (1,), 1, block)

        assert ahead.rows(dialect, block, {1: rows.NUMBER}) is not None
        assert ahead.rows(dialect, block, {0: rows.NUMBER}) is None
        assert ahead.rows(dialect, b"other", {1: rows.NUMBER}) is None
