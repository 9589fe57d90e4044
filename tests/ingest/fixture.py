"""Fixture: the bytes of one small export, what they hold in truth, and what its receipt must say."""

from __future__ import annotations

from dataclasses import dataclass, field
from typing import TYPE_CHECKING

if TYPE_CHECKING:
    from tests.ingest.trip import Trip


@dataclass(frozen=True)
class Fixture:
    name: str
    number: int
    """Row of the catalogue of messy exports (docs of this folder) that it stands for."""
    content: bytes
    truth: Trip | None = None
    """Readings that must come out; None where the file must be refused or asked about."""
    options: dict = field(default_factory=dict)
    suffix: str = ".csv"
    repairs: dict[str, int] = field(default_factory=dict)
    set_aside: dict[str, int] = field(default_factory=dict)
    inferred: dict[str, str] = field(default_factory=dict)
    error: type[Exception] | None = None
    message: str = ""
    """What the error's text must hold, as a regular expression."""
    tolerance: dict[str, float] = field(default_factory=dict)
