"""Findings: the small tables the digest makes of the readings; derived, so they can be dropped and made again."""

from __future__ import annotations

import json
from dataclasses import dataclass
from typing import TYPE_CHECKING, Any

import numpy as np
import pyarrow as pa
import sqlalchemy as sa

from logbook.store import dialect, models, stale
from logbook.store.damage import blamed
from logbook.store.readings import ends

if TYPE_CHECKING:
    from collections.abc import Mapping, Sequence

    import pandas as pd
    from sqlalchemy.engine import Connection

    from logbook.store.engine import Store

HOURS = "hours"
"""The kind of finding that has a table of its own, `hour`."""
TYPES = {"integer": "int64", "floating": "float64", "mixed-integer-float": "float64", "boolean": "bool"}
"""What pandas finds in a column, and the type it is kept as; everything else is text."""
UNKNOWN = "unknown"
"""Type of a column without a value."""


def replace_findings(
    store: Store, pack_id: int, start_ms: int, end_ms: int, tables: Mapping[str, pd.DataFrame]
) -> None:
    """Put findings in the place of those that start in [start_ms, end_ms); kinds not given lose theirs."""
    with store.writing() as connection:
        _replace(connection, pack_id, start_ms, end_ms, tables)
        stale.bump(connection, pack_id)


@dataclass(frozen=True)
class State:
    """How far the findings are up to date, all of one moment."""

    revision: int
    """Counts every change of readings, pack and findings."""
    digest_version: int | None
    """Version of the digest that made the findings."""
    changed: list[tuple[int, int]]
    """Ranges [start_ms, end_ms) in which readings changed."""
    unfinished: list[tuple[int, int]]
    """Ranges of whole days whose findings are still to be made."""
    span: tuple[int, int] | None
    """First and last time of the readings."""


def is_current(state: State, digest_version: int) -> bool:
    """Whether nothing is left to be made again, by this version of the digest."""
    return not state.changed and not state.unfinished and state.digest_version == digest_version


@dataclass(frozen=True)
class Refreshed:
    """New findings of one range, and what is left to do after it."""

    start_ms: int
    end_ms: int
    tables: Mapping[str, pd.DataFrame]
    unfinished: list[tuple[int, int]]
    digest_version: int | None


def state_in(connection: Connection, pack_id: int) -> State:
    """Give the state of a pack's findings, within a transaction."""
    revision, version = stale.revision(connection, pack_id)
    first, last = ends(connection, pack_id)
    return State(
        revision,
        version,
        changed=stale.ranges(connection, pack_id, whole_days=False),
        unfinished=stale.ranges(connection, pack_id, whole_days=True),
        span=None if first is None or last is None else (first, last),
    )


def findings_span(connection: Connection, pack_id: int) -> list[tuple[int, int]]:
    """Give the range [first, last + 1) in which findings start, none if there are none."""
    tables = (models.hour, models.finding)
    bounds = [
        connection.execute(
            sa.select(sa.func.min(table.c.start_ms), sa.func.max(table.c.start_ms)).where(table.c.pack_id == pack_id)
        ).one()
        for table in tables
    ]
    return stale.joined([(first, last + 1) for first, last in bounds if first is not None])


def commit_refresh(connection: Connection, pack_id: int, made: Refreshed) -> None:
    """Replace findings and set the marks to what is left; the caller has looked at `State` in this transaction."""
    _replace(connection, pack_id, made.start_ms, made.end_ms, made.tables)
    stale.clear(connection, pack_id)
    stale.mark(connection, pack_id, made.unfinished, whole_days=True)
    stale.set_digest_version(connection, pack_id, made.digest_version)


def forget(store: Store, pack_id: int) -> None:
    """Drop every finding of a pack, also those that cannot be read, and its answer; a refresh makes them all again."""
    with store.writing() as connection:
        for table in (models.hour, models.finding, models.finding_kind, models.answer):
            connection.execute(sa.delete(table).where(table.c.pack_id == pack_id))
        stale.set_digest_version(connection, pack_id, None)
        stale.bump(connection, pack_id)


def read_findings(store: Store, pack_id: int) -> dict[str, pd.DataFrame]:
    """Give every table of findings, in order of time; `hours` is always there."""
    with store.reading() as connection:
        return findings_in(connection, pack_id)


def findings_in(connection: Connection, pack_id: int) -> dict[str, pd.DataFrame]:
    """Give every table of findings, within a transaction."""
    with blamed("what was made of the readings"):
        kinds = _kinds(connection, pack_id)
        others = {kind: _read_kind(connection, pack_id, kind, columns) for kind, columns in kinds.items()}
        return {HOURS: _read_hours(connection, pack_id), **others}


def _replace(
    connection: Connection, pack_id: int, start_ms: int, end_ms: int, tables: Mapping[str, pd.DataFrame]
) -> None:
    kinds = sorted({*_kinds(connection, pack_id), *tables})
    for table in (models.hour, models.finding):
        connection.execute(
            sa.delete(table)
            .where(table.c.pack_id == pack_id, table.c.start_ms >= start_ms, table.c.start_ms < end_ms)
            .where(*([table.c.kind.in_(kinds)] if "kind" in table.c else []))
        )
    for kind, frame in tables.items():
        outside = (frame["start_ms"] < start_ms) | (frame["start_ms"] >= end_ms)
        if outside.any():
            raise ValueError(f"{kind}: {int(outside.sum())} findings start outside the range they are to replace")
        if kind == HOURS:
            _write_hours(connection, pack_id, frame)
        elif len(frame):
            _write_kind(connection, pack_id, kind, frame)
    _drop_unused_kinds(connection, pack_id)


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
    import pandas as pd  # noqa: PLC0415 - slow to load, and most commands do without

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


def _drop_unused_kinds(connection: Connection, pack_id: int) -> None:
    """Forget kinds without a finding, so that what was taken back leaves nothing behind."""
    kind, finding = models.finding_kind.c, models.finding.c
    used = sa.exists().where(finding.pack_id == kind.pack_id, finding.kind == kind.kind)
    connection.execute(sa.delete(models.finding_kind).where(kind.pack_id == pack_id, ~used))


def _write_kind(connection: Connection, pack_id: int, kind: str, frame: pd.DataFrame) -> None:
    """Write one JSON list a row; the columns and their types are kept once for the kind."""
    frame = frame.sort_values("start_ms", kind="stable")
    starts = frame["start_ms"].to_numpy(np.int64)
    body = frame.drop(columns="start_ms")
    types = _note_columns(connection, pack_id, kind, {str(name): _type(body[name]) for name in body})
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


def _type(column: pd.Series[Any]) -> str:
    """Tell what a column holds; numbers with missing ones are fractions, since only those know NaN."""
    import pandas as pd  # noqa: PLC0415 - slow to load, and most commands do without

    if pd.api.types.is_float_dtype(column):
        return "float64"  # whatever it happens to hold here: the next piece of the same kind is to agree
    missing = column.isna()
    if missing.all():
        return UNKNOWN
    found = TYPES.get(pd.api.types.infer_dtype(column, skipna=True), "str")
    return "float64" if missing.any() and found != "str" else found


def _plain(column: pd.Series[Any], type_name: str) -> list[Any]:
    """Give values that JSON knows; missing ones, and infinity, are null."""
    kept: list[Any] = column.astype(object).where(column.notna(), None).tolist()
    if type_name == "float64":
        return [None if value is None or not np.isfinite(value) else float(value) for value in kept]
    convert = {"int64": int, "bool": bool, "str": str, UNKNOWN: str}[type_name]
    return [None if value is None else convert(value) for value in kept]


def _note_columns(connection: Connection, pack_id: int, kind: str, types: dict[str, str]) -> dict[str, str]:
    """Keep a kind's columns, and give them with the types that suit what was stored before too."""
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
    return types


def _common(known: str, now: str) -> str:
    """Give the type of a column that held one before and holds the other now."""
    if UNKNOWN in {known, now} or known == now:
        return now if known == UNKNOWN else known
    return "str" if "str" in {known, now} else "float64"


def _read_kind(connection: Connection, pack_id: int, kind: str, columns: dict[str, str]) -> pd.DataFrame:
    import pandas as pd  # noqa: PLC0415 - slow to load, and most commands do without

    table = models.finding
    statement = (
        sa.select(table.c.start_ms, table.c.body)
        .where(table.c.pack_id == pack_id, table.c.kind == kind)
        .order_by(table.c.start_ms, table.c.ordinal)
    )
    found = dialect.fetch_arrow(connection, statement, mixed=True)
    rows = json.loads(f"[{','.join(found['body'].to_pylist())}]")  # together: a fifth of the time of one by one
    if len(rows) != found.num_rows:
        raise ValueError(f"{kind}: {len(rows)} findings where {found.num_rows} stand")
    values = list(zip(*rows, strict=True)) if rows else [()] * len(columns)
    frame = {"start_ms": found["start_ms"].to_numpy().astype(np.int64)}
    for name, column in zip(columns, values, strict=True):
        frame[name] = _column(column, columns[name])
    return pd.DataFrame(frame)


def _column(values: Sequence[Any], type_name: str) -> Any:
    import pandas as pd  # noqa: PLC0415 - slow to load, and most commands do without

    if type_name == "str":
        return pd.Series(values, dtype="str")
    if type_name in {"float64", UNKNOWN} or None in values:
        return np.array(values, np.float64)  # which makes NaN of None
    return np.array(values, type_name)
