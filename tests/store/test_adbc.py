"""The driver behaves as SQLAlchemy and the logbook count on."""

from __future__ import annotations

import datetime as dt
import subprocess
import sys

import pyarrow as pa
import pytest
import sqlalchemy as sa

from logbook.store import dialect

metadata = sa.MetaData()
thing = sa.Table(
    "thing",
    metadata,
    sa.Column("id", sa.Integer, primary_key=True),
    sa.Column("name", sa.String, unique=True),
    sa.Column("size", sa.Double),
    sa.Column("body", sa.JSON),
    sa.Column("day", sa.Date),
    sa.Column("good", sa.Boolean),
)


@pytest.fixture
def engine(tmp_path):
    path = tmp_path / "things.sqlite3"
    dialect.prepare_file(path)
    made = dialect.create_engine(dialect.parse_url(str(path))).execution_options(begin=dialect.WRITE)
    with made.begin() as connection:
        metadata.create_all(connection)
    yield made
    made.dispose()


ROWS = [
    {"id": 1, "name": "ä 'quoted'", "size": 1.5, "body": {"a": [1, None]}, "day": dt.date(2024, 2, 29), "good": True},
    {"id": 2, "name": "b", "size": None, "body": [], "day": None, "good": False},
    {"id": 3, "name": None, "size": 2.0, "body": "text", "day": dt.date(1999, 1, 1), "good": None},
]  # fmt: skip


def test_rows_of_every_type_come_back(engine):
    with engine.begin() as connection:
        connection.execute(sa.insert(thing), ROWS)

    with engine.begin() as connection:
        assert [dict(row) for row in connection.execute(sa.select(thing).order_by(thing.c.id)).mappings()] == ROWS


def test_new_keys_and_counts_of_changed_rows_are_told(engine):
    with engine.begin() as connection:
        first = connection.execute(sa.insert(thing).values(name="a")).inserted_primary_key
        second = connection.execute(sa.insert(thing).values(name="b").returning(thing.c.id)).scalar_one()
        changed = connection.execute(sa.update(thing).values(size=1.0)).rowcount
        gone = connection.execute(sa.delete(thing).where(thing.c.name == "nobody")).rowcount

    assert (tuple(first), second, changed, gone) == ((1,), 2, 2, 0)


def test_a_broken_rule_is_an_integrity_error_and_rolls_back(engine):
    def twice() -> None:
        with engine.begin() as connection:
            connection.execute(sa.insert(thing).values(name="a"))
            connection.execute(sa.insert(thing).values(name="a"))

    with pytest.raises(sa.exc.IntegrityError):
        twice()

    with engine.begin() as connection:
        assert connection.execute(sa.select(sa.func.count()).select_from(thing)).scalar() == 0


def test_bulk_rows_belong_to_the_transaction(engine):
    rows = pa.table({"id": pa.array(range(100_000)), "size": pa.array([0.5] * 100_000)})

    with engine.connect() as connection:
        connection.execute(sa.insert(thing).values(id=200_000, name="small"))
        dialect.bulk_insert(connection, thing, rows)
        dialect.bulk_delete(connection, thing, pa.table({"id": [0, 1, 2]}))
        inside = connection.execute(sa.select(sa.func.count()).select_from(thing)).scalar()
        connection.rollback()
        after = connection.execute(sa.select(sa.func.count()).select_from(thing)).scalar()

    assert (inside, after) == (99_998, 0)


def test_rows_can_be_fetched_one_by_one_and_in_part(engine):
    with engine.begin() as connection:
        connection.execute(sa.insert(thing), [{"name": letter} for letter in "abcde"])
        found = connection.execute(sa.select(thing.c.name).order_by(thing.c.name))

        assert found.fetchone() == ("a",)
        assert found.fetchmany(2) == [("b",), ("c",)]
        assert found.fetchall() == [("d",), ("e",)]
        assert found.fetchone() is None


def test_there_is_one_sqlite_and_it_is_recent(engine):
    """3.51.3 mended a fault that could damage a write-ahead log shared by several connections (sqlite.org/wal.html)."""
    with engine.begin() as connection:
        version = connection.exec_driver_sql("SELECT sqlite_version()").scalar()

    assert tuple(map(int, version.split("."))) >= (3, 51, 3)
    assert engine.dialect.dbapi.sqlite_version_info == tuple(map(int, version.split(".")))


@pytest.mark.parametrize(
    "value", ["", "ä 'quoted' 🔋", 0, -(2**63), 2**63 - 1, 1.5, -0.0, 1e308, None, True, b"\x00\xff"], ids=repr
)
def test_a_value_goes_in_and_comes_out_as_it_was(engine, value):
    with engine.begin() as connection:
        raw = connection.connection.driver_connection
        found = raw.fetch_arrow("SELECT ?, typeof(?)", (value, value), inference_rows=1)

    kinds = {str: "text", int: "integer", bool: "integer", float: "real", type(None): "null", bytes: "blob"}
    assert found.column(0)[0].as_py() == value
    assert found.column(1)[0].as_py() == kinds[type(value)]


def test_an_integer_no_database_holds_is_refused(engine):
    with engine.begin() as connection, pytest.raises(Exception, match=r"int|range"):
        connection.exec_driver_sql("SELECT ?", (2**63,))


def test_what_goes_wrong_while_rows_are_read_is_the_drivers_error(engine):
    with engine.begin() as connection, pytest.raises(sa.exc.OperationalError, match="overflow"):
        connection.exec_driver_sql("SELECT abs(-9223372036854775808)")


def test_looking_something_up_does_not_load_pandas(store, pack):
    """Loading it takes longer than all else most commands do."""
    look = (
        "import sys; from logbook.store import open_store, list_packs, known_import\n"
        f"with open_store({str(store.path)!r}) as store:\n"
        "    assert known_import(store, list_packs(store)[0].id, '0' * 64) is None\n"
        "print('pandas' in sys.modules, 'pyarrow' in sys.modules)"
    )

    told = subprocess.run([sys.executable, "-c", look], capture_output=True, text=True, check=True).stdout

    assert told == "False True\n"
