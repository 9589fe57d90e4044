"""From an exported file to a `Recording`: recognise, map, repair, set aside, and the draft receipt.

A name is loaded when it is first used: a file that is known is told from its hash, without any reading.
"""

from __future__ import annotations

from importlib import import_module
from typing import TYPE_CHECKING

if TYPE_CHECKING:
    from logbook.ingest.mapping import Mapping, mapping_text, parse_mapping, read_mapping
    from logbook.ingest.options import ImportOptions
    from logbook.ingest.question import Ask, Question
    from logbook.ingest.read import lines_of, read_export

HOMES = {
    "mapping": ("Mapping", "mapping_text", "parse_mapping", "read_mapping"),
    "options": ("ImportOptions",),
    "question": ("Ask", "Question"),
    "read": ("lines_of", "read_export"),
}
"""Module to the names it gives."""

__all__ = [
    "Ask",
    "ImportOptions",
    "Mapping",
    "Question",
    "lines_of",
    "mapping_text",
    "parse_mapping",
    "read_export",
    "read_mapping",
]


def __getattr__(name: str) -> object:
    for module, names in HOMES.items():
        if name in names:
            return getattr(import_module(f"{__name__}.{module}"), name)
    raise AttributeError(f"module {__name__!r} has no attribute {name!r}")
