"""A SQLAlchemy driver over ADBC's SQLite: rows and Arrow tables on one connection, in one transaction.

Two copies of SQLite in one process break each other's file locks
(sqlite.org/howtocorrupt.html, section 2.2.1), so everything goes through this one.
Registered as `sqlite+adbc`; transactions are begun by the statement that `dialect` sends.
"""

from __future__ import annotations

from types import ModuleType
from typing import TYPE_CHECKING, Any, ClassVar

from adbc_driver_sqlite import dbapi
from sqlalchemy.dialects import registry
from sqlalchemy.dialects.sqlite.base import SQLiteDialect
from sqlalchemy.pool import QueuePool

if TYPE_CHECKING:
    from collections.abc import Sequence

    import pyarrow as pa
    from sqlalchemy.engine.interfaces import ConnectArgsType
    from sqlalchemy.engine.url import URL

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
        with self._connection.driver.cursor() as cursor:
            cursor.executemany(statement, list(parameters))
            self.rowcount = cursor.rowcount
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
        self.driver = dbapi.connect(database, autocommit=True)

    def cursor(self) -> Cursor:
        """Open a cursor."""
        return Cursor(self)

    def fetch_arrow(
        self, statement: str, parameters: Sequence[Any] = (), *, inference_rows: int = INTEGER_ROWS
    ) -> pa.Table:
        """Rows of one statement as an Arrow table."""
        with self.driver.cursor() as cursor:
            cursor.adbc_statement.set_options(**{"adbc.sqlite.query.batch_rows": inference_rows})
            cursor.execute(statement, tuple(parameters) or None)
            return cursor.fetch_arrow_table()

    def ingest(self, table_name: str, table: pa.Table) -> None:
        """Append an Arrow table to a table, by column name."""
        with self.driver.cursor() as cursor:
            cursor.adbc_ingest(table_name, table, mode="append")

    def execute_many(self, statement: str, parameters: pa.Table) -> None:
        """Run one statement for each row of an Arrow table."""
        with self.driver.cursor() as cursor:
            cursor.executemany(statement, parameters)

    def changes(self) -> int:
        """Rows the last statement changed."""
        with self.driver.cursor() as cursor:
            cursor.execute("SELECT changes()")
            return int(cursor.fetchall()[0][0])

    def commit(self) -> None:
        """End the transaction, if there is one."""
        self._end("COMMIT")

    def rollback(self) -> None:
        """Undo the transaction, if SQLite has not done so itself."""
        self._end("ROLLBACK")

    def _end(self, statement: str) -> None:
        with self.driver.cursor() as cursor:
            try:
                cursor.execute(statement)
            except dbapi.Error as error:
                if "no transaction is active" not in str(error):
                    raise

    def close(self) -> None:
        """Let go of the file."""
        self.driver.close()


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
        vars(facade).update({name: getattr(dbapi, name) for name in ERRORS})
        with dbapi.connect(autocommit=True) as memory, memory.cursor() as cursor:
            cursor.execute("SELECT sqlite_version()")
            version = cursor.fetchall()[0][0]
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
