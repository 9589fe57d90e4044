"""A column grown block by block is its blocks put together."""

from __future__ import annotations

import numpy as np
from hypothesis import given
from hypothesis import strategies as st

from logbook.ingest.growing import Growing


@given(st.lists(st.tuples(st.integers(0, 3000), st.booleans()), max_size=8), st.integers(0, 6000))
def test_what_was_added_and_kept_is_there_in_order(blocks, expected):
    column = Growing(np.int64, expected)
    rng = np.random.default_rng(1)
    parts = [np.empty(0, np.int64)]

    for size, thinned in blocks:
        values = rng.integers(-(2**62), 2**62, size)
        column.add(values)
        if thinned:
            mask = rng.random(size) < 0.5
            column.keep(mask)
            values = values[mask]
        parts.append(values)
        assert (column.last == values).all()

    assert len(column) == sum(map(len, parts))
    assert (column.whole == np.concatenate(parts)).all()


def test_the_whole_can_be_written_to():
    column = Growing(np.float64)
    column.add(np.array([1.0, 2.0]))

    column.whole[0] = np.nan

    assert np.isnan(column.whole[0])
    assert column.whole.flags.writeable
