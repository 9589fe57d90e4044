"""Imports: which files came in, with their receipts and the rows they set aside."""

from __future__ import annotations

from dataclasses import dataclass, fields
from typing import TYPE_CHECKING, Any

import sqlalchemy as sa

from logbook.errors import UnknownName
from logbook.store import models

if TYPE_CHECKING:
    import pandas as pd
    from sqlalchemy.engine import Connection

    from logbook.schema.receipt import Receipt
    from logbook.store.engine import Store

LOOKED_BACK = 3
"""Imports asked for the flags that stood after them."""
LARGEST_ID = 2**63 - 1
"""Databases hold no larger integer."""


@dataclass(frozen=True)
class ImportRow:
    """One import, as lists show it."""

    id: int
    pack_id: int
    sha256: str
    file_name: str
    imported_ms: int
    first_ms: int | None
    last_ms: int | None
    original: str | None
    """Name of the kept file below `Store.originals_folder`, None where its owner said no."""


def known_import(store: Store, pack_id: int, sha256: str) -> ImportRow | None:
    """Find the import that brought this very file to this pack, if one did."""
    with store.reading() as connection:
        return known_in(connection, pack_id, sha256)


def known_in(connection: Connection, pack_id: int, sha256: str) -> ImportRow | None:
    """Find the import that brought this very file, within a transaction."""
    table = models.imports
    found = _rows(connection, (table.c.pack_id == pack_id) & (table.c.sha256 == sha256))
    return found[0] if found else None


def list_imports(store: Store, pack_id: int | None = None) -> list[ImportRow]:
    """Every import, or those of one pack, in the order they came."""
    with store.reading() as connection:
        return _rows(connection, sa.true() if pack_id is None else models.imports.c.pack_id == pack_id)


def import_in(connection: Connection, import_id: int) -> ImportRow:
    """Find an import, within a transaction."""
    found = _rows(connection, models.imports.c.id == import_id) if 0 < import_id <= LARGEST_ID else []
    if not found:
        raise UnknownName(f"there is no import {import_id}.", mend="List them with: logbook imports")
    return found[0]


def stored_receipt(store: Store, import_id: int) -> dict[str, Any]:
    """Give an import's receipt as its JSON document."""
    table = models.imports
    with store.reading() as connection:
        import_in(connection, import_id)
        query = sa.select(table.c.receipt).where(table.c.id == import_id)
        receipt: dict[str, Any] = connection.execute(query).scalar_one()
        return receipt


def flags_standing(connection: Connection, pack_id: int) -> frozenset[str]:
    """Give the codes of the flags that stood after the latest import whose answers were looked at."""
    table = models.imports
    query = sa.select(table.c.receipt).where(table.c.pack_id == pack_id).order_by(table.c.id.desc()).limit(LOOKED_BACK)
    for receipt in connection.execute(query).scalars():
        told = receipt.get("changes") or {}
        if "flags" in told and told.get("reason") is None:
            return frozenset(told["flags"])
    return frozenset()


def replace_receipt(store: Store, receipt: Receipt) -> None:
    """Keep a receipt that says more in the place of an import's first; nothing happens where it was undone."""
    table = models.imports
    same = (table.c.id == receipt.import_id) & (table.c.sha256 == receipt.sha256)
    with store.writing() as connection:
        connection.execute(sa.update(table).where(same).values(receipt=receipt.as_json()))


def set_aside_rows(store: Store, import_id: int) -> pd.DataFrame:
    """Give every row an import set aside: line (0 where it is not known), reason, text."""
    import pandas as pd  # noqa: PLC0415 - slow to load, and most commands do without

    table = models.set_aside
    with store.reading() as connection:
        row = import_in(connection, import_id)
        statement = (
            sa.select(table.c.line, table.c.reason, table.c.text)
            .where(table.c.pack_id == row.pack_id, table.c.import_id == import_id)
            .order_by(table.c.ordinal)
        )
        return pd.DataFrame(connection.execute(statement).all(), columns=["line", "reason", "text"])


def _rows(connection: Connection, condition: sa.ColumnElement[bool]) -> list[ImportRow]:
    table = models.imports
    columns = [table.c[entry.name] for entry in fields(ImportRow)]
    rows = connection.execute(sa.select(*columns).where(condition).order_by(table.c.id))
    return [ImportRow(*row) for row in rows]
