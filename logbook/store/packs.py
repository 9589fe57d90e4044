"""Packs: adding, listing, finding and editing them."""

from __future__ import annotations

import math
import unicodedata
from dataclasses import replace
from typing import TYPE_CHECKING, Any
from zoneinfo import ZoneInfo, ZoneInfoNotFoundError

import sqlalchemy as sa

from logbook.errors import BadConfiguration, UnknownName, nearest
from logbook.schema.pack import CHEMISTRIES, LIMIT_FIELDS, LIMITS_IN_ORDER, Limits, Pack
from logbook.store import models, stale
from logbook.store.damage import blamed

if TYPE_CHECKING:
    from collections.abc import Mapping
    from datetime import date

    from sqlalchemy.engine import Connection

    from logbook.store.engine import Store

UNITS = {name: unit for name, unit, _reason in LIMIT_FIELDS}
LIMIT_NAMES = tuple(UNITS)
RATINGS = ("chemistry", "cells_in_series", "rated_ah", "limits")
"""What the findings depend on: changing one makes them all out of date."""
LONGEST_NAME = 200
MOST_CELLS = 1000
LEAST_AH, MOST_AH = 0.001, 100_000.0
NO_PLACE = frozenset({"localtime", "posixrules", "Factory"})
"""Files beside the zones that are none: what they say depends on the machine (IANA time zone database)."""
SENSIBLE = {
    "°C": (-100.0, 200.0),
    "V": (0.0, 10_000.0),
    "A": (0.0, 1_000_000.0),
    "s": (0.0, 86_400.0),
    "h": (0.0, 1_000.0),
    "%": (0.0, 100.0),
    "times": (1.0, 10_000.0),
}
"""What a limit may be, by its unit: wide enough for any pack, narrow enough for a slip of the keyboard to show."""


def add_pack(  # noqa: PLR0913 - a pack has that many properties
    store: Store,
    *,
    name: str,
    rated_ah: float,
    cells_in_series: int,
    chemistry: str = "lfp",
    limits: Mapping[str, float] | None = None,
    purchased: date | None = None,
    time_zone: str = "UTC",
) -> Pack:
    """Add a pack; `limits` holds only those that differ from the defaults."""
    row: dict[str, Any] = {
        "name": _written(name),
        "chemistry": chemistry,
        "cells_in_series": cells_in_series,
        "rated_ah": float(rated_ah),
        "limits": dict(limits or {}),
        "purchased": purchased,
        "time_zone": time_zone,
    }
    _validate(row)
    _validate_order(row)
    with store.writing() as connection:
        _refuse_taken(connection, row["name"], None)
        key = connection.execute(sa.insert(models.pack).values(**row).returning(models.pack.c.id)).scalar_one()
        connection.execute(sa.insert(models.digest_state).values(pack_id=key, revision=0))
    return _pack({"id": key, **row})


def list_packs(store: Store) -> list[Pack]:
    """Every pack, in the order they were added."""
    with store.reading() as connection:
        return [_pack(row) for row in _rows(connection)]


def pack_named(store: Store, name: str) -> Pack:
    """Find the pack of that name; capitals do not matter where no two names differ only by them."""
    with store.reading() as connection:
        return _pack(_row_named(connection, name))


def pack_by_id(store: Store, pack_id: int) -> Pack:
    """Find the pack with that key."""
    with store.reading() as connection:
        found = [row for row in _rows(connection) if row["id"] == pack_id]
    if not found:
        raise UnknownName(f"there is no pack number {pack_id}.", mend="List the packs with: logbook pack list")
    return _pack(found[0])


def edit_pack(store: Store, name: str, /, **changes: Any) -> Pack:
    """Change what is given; `limits` are merged into the former ones, and a limit of None returns to its default."""
    unknown = set(changes) - {"name", "purchased", "time_zone", *RATINGS}
    if unknown:
        raise TypeError(f"a pack has no {', '.join(sorted(unknown))}")
    with store.writing() as connection:
        before = _row_named(connection, name)
        after = {**before, **changes}
        if "limits" in changes:
            merged = {**before["limits"], **changes["limits"]}
            after["limits"] = {key: value for key, value in merged.items() if value is not None}
        if "name" in changes:
            after["name"] = _written(str(after["name"]))
            _refuse_taken(connection, after["name"], before["id"])
        after["rated_ah"] = float(after["rated_ah"])
        _validate(after)
        values = {key: value for key, value in after.items() if key != "id"}
        connection.execute(sa.update(models.pack).where(models.pack.c.id == before["id"]).values(**values))
        if any(before[key] != after[key] for key in RATINGS):
            _validate_order(after)
            stale.mark_all(connection, before["id"])
    return _pack(after)


def _rows(connection: Connection) -> list[dict[str, Any]]:
    return [dict(row) for row in connection.execute(sa.select(models.pack).order_by(models.pack.c.id)).mappings()]


def _row_named(connection: Connection, name: str) -> dict[str, Any]:
    rows = _rows(connection)
    exact = [row for row in rows if row["name"] == name.strip()]  # older logbooks may hold names in another form
    exact = exact or [row for row in rows if _written(row["name"]) == _written(name)]
    alike = exact or [row for row in rows if _alike(row["name"]) == _alike(name)]
    if len(alike) == 1:
        return alike[0]
    names = [row["name"] for row in rows]
    known = f"Packs: {', '.join(names)}." if names else "Add it with: logbook pack add NAME --rated-ah AH --cells N"
    raise UnknownName(f'there is no pack "{name}".', mend=f"{nearest(name, names)} {known}".strip())


def _written(name: str) -> str:
    """Give a name as it is stored: without blanks around it, each letter with its accent as one (Unicode NFC)."""
    return unicodedata.normalize("NFC", name.strip())


def _alike(name: str) -> str:
    return unicodedata.normalize("NFC", _written(name).casefold())


def _refuse_taken(connection: Connection, name: str, own_id: int | None) -> None:
    if any(_alike(row["name"]) == _alike(name) and row["id"] != own_id for row in _rows(connection)):
        raise BadConfiguration(f'there is a pack "{name}" already.', mend="Choose another name.")


def _validate(row: Mapping[str, Any]) -> None:
    if not row["name"]:
        raise BadConfiguration("a pack needs a name.")
    if len(row["name"]) > LONGEST_NAME or not row["name"].isprintable():
        raise BadConfiguration(f"a pack's name is one line of at most {LONGEST_NAME} letters.")
    if not LEAST_AH <= row["rated_ah"] <= MOST_AH:
        raise BadConfiguration(
            f"rated_ah is {row['rated_ah']:g}; it must be above 0 ({LEAST_AH:g} or more) and at most {MOST_AH:g}."
        )
    if not 1 <= row["cells_in_series"] <= MOST_CELLS:
        raise BadConfiguration(f"cells_in_series is {row['cells_in_series']}; it must be 1 or more, to {MOST_CELLS}.")
    chemistries = [entry.name for entry in CHEMISTRIES]
    if row["chemistry"] not in chemistries:
        raise BadConfiguration(
            f'"{row["chemistry"]}" is not a known chemistry.', mend=f"Known: {', '.join(chemistries)}."
        )
    for name in set(row["limits"]) - set(LIMIT_NAMES):
        raise BadConfiguration(f'"{name}" is not a limit of a pack.', mend=f"{nearest(name, LIMIT_NAMES)}".strip())
    for name, value in row["limits"].items():
        _validate_limit(name, value)
    try:
        if row["time_zone"] in NO_PLACE:
            raise ValueError(row["time_zone"])  # noqa: TRY301 - answered like any other name that is none
        ZoneInfo(row["time_zone"])
    except (ZoneInfoNotFoundError, ValueError, OSError) as error:
        raise UnknownName(
            f'"{row["time_zone"]}" is not a time zone.', mend='Give one such as "Europe/Berlin" or "UTC".'
        ) from error


def _validate_limit(name: str, value: float) -> None:
    if not math.isfinite(value):
        raise BadConfiguration(f"{name} is {value}, which is not a number.")
    unit = UNITS[name]
    least, most = SENSIBLE[unit]
    if not least <= value <= most:
        raise BadConfiguration(f"{name} is {value:g} {unit}; it must be from {least:g} to {most:g}.")


def _validate_order(row: Mapping[str, Any]) -> None:
    defaults = Limits.defaults(row["rated_ah"], row["cells_in_series"], row["chemistry"]).as_dict()
    values = defaults | row["limits"]
    for low, high in LIMITS_IN_ORDER:
        if values[low] > values[high]:
            raise BadConfiguration(
                f"{low} ({values[low]:g} {UNITS[low]}) must not lie above {high} ({values[high]:g} {UNITS[high]}).",
                mend="Give both.",
            )


def _pack(row: Mapping[str, Any]) -> Pack:
    with blamed(f"the time zone of pack {row['id']}"):
        ZoneInfo(row["time_zone"])
    with blamed(f"the rating or a limit of pack {row['id']}"):
        defaults = Limits.defaults(row["rated_ah"], row["cells_in_series"], row["chemistry"])
        limits = replace(defaults, **{name: float(value) for name, value in row["limits"].items()})
        return Pack(**{**row, "limits": limits})
