"""Findings: the small tables the digest makes of the readings; derived, so they can be dropped and made again."""

from __future__ import annotations

import json
from dataclasses import dataclass
from typing import TYPE_CHECKING, Any

import numpy as np
import pandas as pd
import pyarrow as pa
import sqlalchemy as sa

from logbook.store import dialect, models, stale

if TYPE_CHECKING:
    from collections.abc import Mapping

    from sqlalchemy.engine import Connection

    from logbook.store.engine import Store

HOURS = "hours"
"""The kind of finding that has a table of its own, `hour`."""
KINDS = {"i": "int64", "u": "int64", "f": "float64", "b": "bool"}
"""numpy's kinds of numbers, and the type each is kept as; everything else is text."""


def replace_findings(
    store: Store, pack_id: int, start_ms: int, end_ms: int, tables: Mapping[str, pd.DataFrame]
) -> None:
    """Put findings in the place of those that start in [start_ms, end_ms); kinds not given lose theirs."""
    with store.writing() as connection:
        _replace(connection, pack_id, start_ms, end_ms, tables)
        stale.bump(connection, pack_id)


@dataclass(frozen=True)
class Replacement:
    """New findings of one range."""

    start_ms: int
    end_ms: int
    tables: Mapping[str, pd.DataFrame]


def commit_refresh(  # noqa: PLR0913 - all of it lands together
    store: Store,
    pack_id: int,
    replacements: list[Replacement],
    *,
    cleared: list[tuple[int, int]],
    seen_revision: int,
    digest_version: int | None,
) -> bool:
    """Replace findings and call the ranges up to date, together; False if something changed since they were read."""
    with store.writing() as connection:
        if stale.revision(connection, pack_id)[0] != seen_revision:
            return False
        for part in replacements:
            _replace(connection, pack_id, part.start_ms, part.end_ms, part.tables)
        stale.clear(connection, pack_id, cleared)
        stale.set_digest_version(connection, pack_id, digest_version)
    return True


def read_findings(store: Store, pack_id: int) -> dict[str, pd.DataFrame]:
    """Give every table of findings, in order of time; `hours` is always there."""
    with store.reading() as connection:
        return findings_in(connection, pack_id)


def findings_in(connection: Connection, pack_id: int) -> dict[str, pd.DataFrame]:
    """Give every table of findings, within a transaction."""
    kinds = _kinds(connection, pack_id)
    others = {kind: _read_kind(connection, pack_id, kind, columns) for kind, columns in kinds.items()}
    return {HOURS: _read_hours(connection, pack_id), **others}


def _replace(
    connection: Connection, pack_id: int, start_ms: int, end_ms: int, tables: Mapping[str, pd.DataFrame]
) -> None:
    for table in (models.hour, models.finding):
        connection.execute(
            sa.delete(table)
            .where(table.c.pack_id == pack_id, table.c.start_ms >= start_ms, table.c.start_ms < end_ms)
            .where(*([table.c.kind.in_(list(_kinds(connection, pack_id)))] if "kind" in table.c else []))
        )
    for kind, frame in tables.items():
        outside = (frame["start_ms"] < start_ms) | (frame["start_ms"] >= end_ms)
        if outside.any():
            raise ValueError(f"{kind}: {int(outside.sum())} findings start outside the range they are to replace")
        if kind == HOURS:
            _write_hours(connection, pack_id, frame)
        else:
            _write_kind(connection, pack_id, kind, frame)


def _write_hours(connection: Connection, pack_id: int, frame: pd.DataFrame) -> None:
    unknown = set(frame.columns) - {"start_ms", *models.HOUR_COLUMNS}
    if unknown:
        raise ValueError(f"hours have no column {', '.join(sorted(unknown))}")
    columns: dict[str, Any] = {
        "pack_id": np.full(len(frame), pack_id, np.int64),
        "start_ms": frame["start_ms"].to_numpy(np.int64),
    }
    for name in models.HOUR_COLUMNS:
        values = frame[name].to_numpy(np.float64) if name in frame else np.full(len(frame), np.nan)
        columns[name] = pa.array(values, mask=np.isnan(values))
    dialect.bulk_insert(connection, models.hour, pa.table(columns))


def _read_hours(connection: Connection, pack_id: int) -> pd.DataFrame:
    table = models.hour
    columns = [table.c.start_ms, *(table.c[name] for name in models.HOUR_COLUMNS)]
    statement = sa.select(*columns).where(table.c.pack_id == pack_id).order_by(table.c.start_ms)
    rows = dialect.fetch_arrow(connection, statement, mixed=True)
    frame = {name: rows[name].cast(pa.float64()).to_numpy() for name in models.HOUR_COLUMNS}
    return pd.DataFrame({"start_ms": rows["start_ms"].to_numpy().astype(np.int64), **frame})


def _kinds(connection: Connection, pack_id: int) -> dict[str, dict[str, str]]:
    table = models.finding_kind
    statement = sa.select(table.c.kind, table.c.columns).where(table.c.pack_id == pack_id).order_by(table.c.kind)
    return {kind: dict(columns) for kind, columns in connection.execute(statement)}


def _write_kind(connection: Connection, pack_id: int, kind: str, frame: pd.DataFrame) -> None:
    """Write one JSON list a row; the columns and their types are kept once for the kind."""
    frame = frame.sort_values("start_ms", kind="stable")
    starts = frame["start_ms"].to_numpy(np.int64)
    body = frame.drop(columns="start_ms")
    types = {str(name): KINDS.get(getattr(body[name].dtype, "kind", "O"), "str") for name in body}
    _note_columns(connection, pack_id, kind, types)
    lists = [_plain(body[name], type_name) for name, type_name in types.items()]
    rows = zip(*lists, strict=True) if lists else (() for _ in starts)
    firsts = np.searchsorted(starts, starts)
    table = pa.table(
        {
            "pack_id": np.full(len(starts), pack_id, np.int64),
            "kind": pa.repeat(kind, len(starts)),
            "start_ms": starts,
            "ordinal": np.arange(len(starts)) - firsts,
            "body": pa.array([json.dumps(row, allow_nan=False) for row in rows], pa.string()),
        }
    )
    dialect.bulk_insert(connection, models.finding, table)


def _plain(column: pd.Series[Any], type_name: str) -> list[Any]:
    values: list[Any] = (column.to_numpy(type_name) if type_name != "str" else column).tolist()
    if type_name == "float64":
        return [value if np.isfinite(value) else None for value in values]
    if type_name == "str":
        return [None if value is None or value is pd.NA or value != value else str(value) for value in values]  # noqa: PLR0124
    return values


def _note_columns(connection: Connection, pack_id: int, kind: str, types: dict[str, str]) -> None:
    """Keep a kind's columns; whole numbers give way to fractions where both occur."""
    table = models.finding_kind
    known = _kinds(connection, pack_id).get(kind)
    if known is not None and set(known) == set(types):
        if list(known) != list(types):
            raise ValueError(f"{kind}: columns come in another order than before")
        types = {name: _common(known[name], types[name]) for name in types}
    if known != types:
        mine = (table.c.pack_id == pack_id) & (table.c.kind == kind)
        connection.execute(sa.delete(table).where(mine))
        connection.execute(sa.insert(table).values(pack_id=pack_id, kind=kind, columns=types))


def _common(known: str, now: str) -> str:
    return "float64" if {known, now} == {"int64", "float64"} else now


def _read_kind(connection: Connection, pack_id: int, kind: str, columns: dict[str, str]) -> pd.DataFrame:
    table = models.finding
    statement = (
        sa.select(table.c.start_ms, table.c.body)
        .where(table.c.pack_id == pack_id, table.c.kind == kind)
        .order_by(table.c.start_ms, table.c.ordinal)
    )
    found = connection.execute(statement).all()
    rows = [json.loads(body) for _start, body in found]
    frame = pd.DataFrame({"start_ms": np.array([start for start, _body in found], np.int64)})
    for index, (name, type_name) in enumerate(columns.items()):
        frame[name] = _column([row[index] for row in rows], type_name)
    return frame


def _column(values: list[Any], type_name: str) -> Any:
    if type_name == "float64":
        return np.array([np.nan if value is None else value for value in values], np.float64)
    if type_name == "str":
        return pd.Series(values, dtype="str")
    return np.array(values, type_name)
