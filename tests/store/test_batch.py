"""What many rows of a statement insert is what the rows one by one would."""

from __future__ import annotations

import numpy as np
import pyarrow as pa
import pytest
import sqlalchemy as sa

from logbook.store import dialect
from logbook.store.batch import ROWS, WORTH_ROWS, batch_of

thing = sa.Table(
    "thing",
    sa.MetaData(),
    sa.Column("id", sa.Integer, primary_key=True),
    sa.Column("pack", sa.Integer),
    sa.Column("often", sa.Integer),
    sa.Column("share", sa.Double),
)


@pytest.fixture
def engine(tmp_path):
    path = tmp_path / "things.sqlite3"
    dialect.prepare_file(path)
    engine = dialect.create_engine(dialect.parse_url(str(path)))
    with engine.execution_options(begin=dialect.WRITE).begin() as connection:
        thing.metadata.create_all(connection)
    yield engine
    engine.dispose()


def rows_of(count: int, seed: int = 1) -> pa.Table:
    """Rows with a constant, with empty cells and with chunks that begin anywhere."""
    rng = np.random.default_rng(seed)
    ids = pa.chunked_array([np.arange(count // 3), np.arange(count // 3, count)])
    often = pa.array(rng.integers(-(2**62), 2**62, count), mask=rng.random(count) < 0.2)
    share = pa.array(rng.normal(size=count), mask=rng.random(count) < 0.2)
    return pa.table({"often": often, "id": ids, "share": share, "pack": np.full(count, -7)})


@pytest.mark.parametrize("count", [1, WORTH_ROWS - 1, WORTH_ROWS, WORTH_ROWS + 1, 3 * WORTH_ROWS + ROWS - 1])
@pytest.mark.parametrize("first", [0, 5])
def test_what_goes_in_comes_out(engine, count, first):
    rows = rows_of(count + first).slice(first)

    with engine.begin() as connection:
        dialect.bulk_insert(connection, thing, rows)
        statement = sa.select(*(thing.c[name] for name in rows.column_names)).order_by(thing.c.id)
        found = connection.execute(statement).all()

    assert found == list(zip(*(column.to_pylist() for column in rows.columns), strict=True))


def test_a_long_table_is_laid_out_and_its_constant_stands_in_the_statement():
    batch = batch_of("thing", rows_of(WORTH_ROWS + 3))

    assert (batch.parameters.num_rows, batch.parameters.num_columns, batch.rest.num_rows) == (10, 2 * ROWS + 1, 3)
    assert batch.statement.startswith(
        "INSERT INTO thing (often, id, share, pack) VALUES (?1, ?201+0, ?202, -7), (?2, ?201+1, ?203, -7)"
    )


@pytest.mark.parametrize(
    "ids",
    [
        np.arange(3 * WORTH_ROWS) * 1000 + 1_700_000_000_000,
        -7 * np.arange(3 * WORTH_ROWS),
        np.arange(3 * WORTH_ROWS) + np.repeat([0, 5000, 9000], WORTH_ROWS),
        np.arange(3 * WORTH_ROWS) + (np.arange(3 * WORTH_ROWS) > 777),
        np.array([-(2**62), 2**62, *range(3 * WORTH_ROWS - 2)]),
    ],
    ids=["every second", "downwards", "with pauses", "with one pause within a statement", "far apart"],
)
def test_numbers_that_go_up_evenly_are_handed_over_once_a_statement_and_come_out_the_same(engine, ids):
    rows = pa.table({"id": ids, "often": np.arange(len(ids)) % 3})

    with engine.begin() as connection:
        dialect.bulk_insert(connection, thing, rows)
        found = connection.execute(sa.select(thing.c.id, thing.c.often)).all()

    assert sorted(found) == sorted(zip(ids.tolist(), (np.arange(len(ids)) % 3).tolist(), strict=True))


@pytest.mark.parametrize(
    "rows",
    [
        pa.table({"id": np.arange(WORTH_ROWS), "name": pa.repeat("a", WORTH_ROWS)}),
        pa.table({"pack": np.full(WORTH_ROWS, 7)}),
        pa.table({str(number): np.arange(WORTH_ROWS) for number in range(200)}),
    ],
    ids=["words", "nothing but constants", "too many columns"],
)
def test_other_tables_go_in_row_by_row(rows):
    batch = batch_of("thing", rows)

    assert batch.parameters is None
    assert batch.rest is rows


def test_a_broken_rule_far_down_is_told_and_leaves_nothing(engine):
    rows = rows_of(2 * WORTH_ROWS)
    twice = pa.concat_tables([rows, rows.slice(17, WORTH_ROWS)])

    with pytest.raises(dialect.ERRORS, match="UNIQUE"), engine.begin() as connection:
        dialect.bulk_insert(connection, thing, twice)

    with engine.begin() as connection:
        assert connection.execute(sa.select(sa.func.count()).select_from(thing)).scalar() == 0
