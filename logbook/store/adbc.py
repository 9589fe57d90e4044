"""A SQLAlchemy driver over ADBC's SQLite: rows and Arrow tables on one connection, in one transaction.

Two copies of SQLite in one process break each other's file locks
(sqlite.org/howtocorrupt.html, section 2.2.1), so everything goes through this one.
Registered as `sqlite+adbc`; transactions are begun by the statement that `dialect` sends.

This is ADBC's own low-level interface: its DBAPI module loads pandas, which most commands do without.
"""

from __future__ import annotations

from contextlib import contextmanager
from struct import pack
from types import ModuleType
from typing import TYPE_CHECKING, Any, ClassVar

import adbc_driver_manager as manager
import adbc_driver_sqlite
import pyarrow as pa
from sqlalchemy.dialects import registry
from sqlalchemy.dialects.sqlite.base import SQLiteDialect
from sqlalchemy.pool import QueuePool

if TYPE_CHECKING:
    from collections.abc import Iterator, Sequence

    from sqlalchemy.engine.interfaces import ConnectArgsType
    from sqlalchemy.engine.url import URL

    from logbook.store.batch import Batch

INFERENCE_ROWS = 1 << 20
"""Rows the driver looks at before it fixes a column's type: a column empty that long must hold integers."""
INTEGER_ROWS = 1 << 16
"""The same where all columns hold integers anyhow."""

ERRORS = (
    "Error",
    "Warning",
    "InterfaceError",
    "DatabaseError",
    "DataError",
    "IntegrityError",
    "InternalError",
    "NotSupportedError",
    "OperationalError",
    "ProgrammingError",
)
"""The errors every Python database driver has (PEP 249)."""


class Cursor:
    """A cursor that reads its whole result at once, so that no statement stays open."""

    arraysize = 1

    def __init__(self, connection: Connection) -> None:
        self._connection = connection
        self._rows: list[tuple[Any, ...]] = []
        self.description: list[tuple[Any, ...]] | None = None
        self.rowcount = -1
        self.lastrowid: int | None = None

    def execute(self, statement: str, parameters: Sequence[Any] = ()) -> None:
        """Run one statement and keep its rows."""
        table = self._connection.fetch_arrow(statement, parameters, inference_rows=INFERENCE_ROWS)
        names = table.column_names
        self.description = [(name, None, None, None, None, None, None) for name in names] or None
        columns = [column.to_pylist() for column in table.columns]
        self._rows = list(zip(*columns, strict=True))
        self.rowcount = -1 if names else self._connection.changes()

    def executemany(self, statement: str, parameters: Sequence[Sequence[Any]]) -> None:
        """Run one statement for each row of parameters."""
        columns = [pa.array(column) for column in zip(*parameters, strict=True)]
        self.rowcount = self._connection.execute_many(statement, pa.record_batch(columns, names=_names(len(columns))))
        self.description, self._rows = None, []

    def fetchone(self) -> tuple[Any, ...] | None:
        """Give the next row."""
        return self._rows.pop(0) if self._rows else None

    def fetchmany(self, size: int | None = None) -> list[tuple[Any, ...]]:
        """Give the next rows."""
        size = self.arraysize if size is None else size
        taken, self._rows = self._rows[:size], self._rows[size:]
        return taken

    def fetchall(self) -> list[tuple[Any, ...]]:
        """Give the rows that are left."""
        taken, self._rows = self._rows, []
        return taken

    def close(self) -> None:
        """Forget the rows."""
        self._rows = []


class Connection:
    """A connection in the driver's autocommit mode, with transactions begun and ended in SQL."""

    def __init__(self, database: str) -> None:
        self._database = adbc_driver_sqlite.connect(database)
        self._driver = manager.AdbcConnection(self._database)

    def cursor(self) -> Cursor:
        """Open a cursor."""
        return Cursor(self)

    def fetch_arrow(
        self, statement: str, parameters: Sequence[Any] = (), *, inference_rows: int = INTEGER_ROWS
    ) -> pa.Table:
        """Rows of one statement as an Arrow table."""
        with self._statement() as prepared, _told():
            prepared.set_options(**{adbc_driver_sqlite.StatementOptions.BATCH_ROWS.value: inference_rows})
            prepared.set_sql_query(statement)
            if parameters:
                prepared.prepare()
                prepared.bind(pa.record_batch([_column_of(value) for value in parameters], _names(len(parameters))))
            stream, _ = prepared.execute_query()
            return pa.RecordBatchReader.from_stream(stream).read_all()

    def ingest(self, table_name: str, batch: Batch) -> None:
        """Append rows laid out for this table to it, by column name."""
        if batch.parameters is not None:
            self.execute_many(batch.statement, batch.parameters)
        if not batch.rest.num_rows:
            return
        with self._statement() as prepared:
            append = {
                manager.INGEST_OPTION_TARGET_TABLE: table_name,
                manager.INGEST_OPTION_MODE: manager.INGEST_OPTION_MODE_APPEND,
            }
            prepared.set_options(**append)
            prepared.bind_stream(batch.rest)
            prepared.execute_update()

    def execute_many(self, statement: str, parameters: pa.Table | pa.RecordBatch) -> int:
        """Run one statement for each row of an Arrow table; gives how many rows it changed, -1 if that is not known."""
        with self._statement() as prepared:
            prepared.set_sql_query(statement)
            prepared.prepare()
            prepared.bind_stream(parameters)
            return int(prepared.execute_update())

    def changes(self) -> int:
        """Rows the last statement changed."""
        return int(self.fetch_arrow("SELECT changes()").column(0)[0].as_py())

    def commit(self) -> None:
        """End the transaction, if there is one."""
        self._end("COMMIT")

    def rollback(self) -> None:
        """Undo the transaction, if SQLite has not done so itself."""
        self._end("ROLLBACK")

    def _end(self, statement: str) -> None:
        try:
            self.fetch_arrow(statement)
        except manager.Error as error:
            if "no transaction is active" not in str(error):
                raise

    @contextmanager
    def _statement(self) -> Iterator[manager.AdbcStatement]:
        prepared = manager.AdbcStatement(self._driver)
        try:
            yield prepared
        finally:
            prepared.close()

    def close(self) -> None:
        """Let go of the file."""
        self._driver.close()
        self._database.close()


def _column_of(value: Any) -> pa.Array:
    """One value as a column; built from its bytes, since Arrow's own conversion loads pandas to ask whether it is one."""
    if isinstance(value, str):
        text = value.encode()
        return pa.Array.from_buffers(pa.string(), 1, [None, *map(pa.py_buffer, (pack("ii", 0, len(text)), text))])
    if isinstance(value, int):
        return pa.Array.from_buffers(pa.int64(), 1, [None, pa.py_buffer(pack("q", value))])
    if isinstance(value, float):
        return pa.Array.from_buffers(pa.float64(), 1, [None, pa.py_buffer(pack("d", value))])
    return pa.array([value])


def _names(count: int) -> list[str]:
    return [str(number) for number in range(count)]


@contextmanager
def _told() -> Iterator[None]:
    """Give what goes wrong while rows are read as the driver's errors, as it gives all else."""
    try:
        yield
    except (pa.ArrowException, OSError) as error:
        kind = manager.IntegrityError if "constraint failed" in str(error) else manager.OperationalError
        raise kind(str(error), status_code=manager.AdbcStatusCode.UNKNOWN) from error


class AdbcSqlite(SQLiteDialect):
    """SQLite's SQL, spoken through ADBC."""

    driver = "adbc"
    supports_statement_cache = True
    default_paramstyle = "qmark"
    supports_sane_rowcount = True
    supports_sane_multi_rowcount = False
    favor_returning_over_lastrowid = True
    update_returning: ClassVar[bool] = True  # type: ignore[misc]
    delete_returning: ClassVar[bool] = True  # type: ignore[misc]
    insert_returning: ClassVar[bool] = True  # type: ignore[misc]

    @classmethod
    def import_dbapi(cls) -> ModuleType:
        """Give the module whose errors SQLAlchemy translates, with the version of SQLite it holds."""
        facade = ModuleType("logbook_adbc_sqlite")
        vars(facade).update({name: getattr(manager, name) for name in ERRORS})
        memory = Connection(":memory:")
        version = memory.fetch_arrow("SELECT sqlite_version()").column(0)[0].as_py()
        memory.close()
        vars(facade).update(paramstyle="qmark", sqlite_version_info=tuple(map(int, version.split("."))))
        return facade

    @classmethod
    def get_pool_class(cls, url: URL) -> type[QueuePool]:  # noqa: ARG003
        """Keep a few connections open."""
        return QueuePool

    def create_connect_args(self, url: URL) -> ConnectArgsType:
        """Give the arguments of `connect`: the database's name, which may be a `file:` URI."""
        return ((url.database or ":memory:",), {})

    def connect(self, *cargs: Any, **_cparams: Any) -> Any:
        """Open the file."""
        return Connection(cargs[0])

    def _get_server_version_info(self, connection: Any) -> tuple[int, ...]:  # noqa: ARG002
        version: tuple[int, ...] = self.dbapi.sqlite_version_info  # type: ignore[union-attr]
        return version

    def is_disconnect(self, e: Any, connection: Any, cursor: Any) -> bool:  # noqa: ARG002
        """Nothing to lose: the database is a file."""
        return False


registry.register("sqlite.adbc", __name__, "AdbcSqlite")
