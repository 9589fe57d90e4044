"""Memory: what was settled for an earlier export with the same header, so that the next one needs nothing."""

from __future__ import annotations

from dataclasses import dataclass, field
from typing import TYPE_CHECKING

if TYPE_CHECKING:
    from collections.abc import Sequence

    from logbook.ingest.mapping import Mapping


@dataclass(frozen=True)
class Remembered:
    """How an earlier file was understood."""

    import_id: int
    headers: frozenset[str]
    """Names of all its columns."""
    is_long: bool = False
    """One value a row; its quantities stand among the names."""
    answers: dict[str, str] = field(default_factory=dict)
    """Question of a receipt to what was decided."""
    units: dict[str, str] = field(default_factory=dict)
    """Quantity to unit."""
    mapping: Mapping | None = None
    told: str | None = None
    """Where it comes from, if not from an earlier import."""

    def fits(self, names: Sequence[str]) -> bool:
        """Whether a header with these names is of the same kind of file."""
        return set(names) <= self.headers if self.is_long else set(names) == self.headers

    @property
    def said(self) -> str:
        """Where it comes from, in the receipt's words."""
        return self.told or f"as last time (import {self.import_id})"
