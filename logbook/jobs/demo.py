"""Demo: adds the packs of the sample data and takes in their files, through the same door as an owner's."""

from __future__ import annotations

import tomllib
from dataclasses import dataclass
from datetime import date
from importlib.resources import as_file, files
from typing import TYPE_CHECKING, Any

from logbook.errors import UnknownName
from logbook.ingest import ImportOptions
from logbook.jobs.import_files import import_file
from logbook.jobs.refresh import refresh
from logbook.store.packs import add_pack, pack_named

if TYPE_CHECKING:
    from collections.abc import Callable

    from logbook.schema.pack import Pack
    from logbook.store import Store

SAMPLE_DATA = "logbook.sample_data"


@dataclass(frozen=True)
class DemoFile:
    """One export of the sample data, with what its owner would say about it."""

    name: str
    time_zone: str | None = None
    positive: Any = None


@dataclass(frozen=True)
class DemoPack:
    """One pack of the sample data with its files in the order they came."""

    traits: dict[str, Any]
    files: tuple[DemoFile, ...]


def demo_packs() -> tuple[DemoPack, ...]:
    """Read `demo.toml`, the list of what the sample data holds."""
    listed = tomllib.loads((files(SAMPLE_DATA) / "demo.toml").read_text("utf-8"))
    return tuple(_demo_pack(dict(entry)) for entry in listed["pack"])


def _demo_pack(entry: dict[str, Any]) -> DemoPack:
    exports = tuple(DemoFile(**export) for export in entry.pop("file", ()))
    purchased = entry.pop("purchased", None)
    day = date.fromisoformat(purchased) if isinstance(purchased, str) else purchased
    cells = entry.pop("cells")
    return DemoPack({**entry, "cells_in_series": cells, "purchased": day}, exports)


def load_demo(store: Store, progress: Callable[[float], None] = lambda _done: None) -> list[Pack]:
    """Take the sample data in; what is there already stays as it is."""
    wanted = demo_packs()
    total = sum(len(entry.files) + 1 for entry in wanted)
    done = 0
    packs = []
    for entry in wanted:
        pack = _pack(store, entry)
        packs.append(pack)
        for export in entry.files:
            with as_file(files(SAMPLE_DATA) / export.name) as path:
                import_file(store, path, pack, _options(pack, export), keep_original=False)
            done += 1
            progress(done / total)
        refresh(store, pack)
        done += 1
        progress(done / total)
    return packs


def _pack(store: Store, entry: DemoPack) -> Pack:
    try:
        return pack_named(store, entry.traits["name"])
    except UnknownName:
        return add_pack(store, **entry.traits)


def _options(pack: Pack, export: DemoFile) -> ImportOptions:
    return ImportOptions(
        time_zone=export.time_zone,
        positive=export.positive,
        cells_in_series=pack.cells_in_series,
        rated_ah=pack.rated_ah,
        default_time_zone=pack.time_zone,
    )
