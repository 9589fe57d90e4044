"""Receipt: what an import read, understood, repaired, stored and set aside."""

from __future__ import annotations

from dataclasses import asdict, dataclass, field
from typing import TYPE_CHECKING, Any

if TYPE_CHECKING:
    from logbook.schema.shown import Shown


@dataclass(frozen=True)
class ColumnUse:
    """How one column of the file was understood, and on what evidence."""

    header: str
    quantity: str | None
    """Canonical name (`time`, `voltage_v`, …) or None where the column is not used."""
    unit: str | None
    evidence: str


@dataclass(frozen=True)
class Inference:
    """Something the file does not say and the data decided."""

    question: str
    answer: str
    strength: str
    """`given`, `strong` or `fair`; what would be `thin` is asked about. Older receipts hold `thin` too."""
    evidence: str
    shown: Shown | None = None
    """Where it shows, and the stretches in which it is taken for granted; None of what holds or not for the whole file."""


@dataclass(frozen=True)
class Repair:
    """A kind of repair, counted, with the first lines it touched (1-based lines of the file)."""

    kind: str
    message: str
    count: int
    lines: tuple[int, ...]


@dataclass(frozen=True)
class SetAside:
    """One row that was not stored, kept with its reason; the line is 1-based in the file."""

    line: int
    reason: str
    text: str


@dataclass(frozen=True)
class Changes:
    """What an import changed in the answers about its pack."""

    sentences: tuple[str, ...] = ()
    """Empty where nothing changed beyond rounding, or nothing was compared."""
    reason: str | None = None
    """Why the answers were not compared; None where they were."""
    flags: tuple[str, ...] = ()
    """Codes of the flags that stood after it; the next answer takes them down only when they are clearly over."""


@dataclass(frozen=True)
class Receipt:
    """The whole story of one file."""

    file_name: str
    sha256: str
    rows_read: int
    rows_stored: int
    rows_already_known: int
    rows_set_aside: int
    first_ms: int | None
    last_ms: int | None
    interval_s: float | None
    gaps: int
    columns: tuple[ColumnUse, ...] = ()
    inferences: tuple[Inference, ...] = ()
    repairs: tuple[Repair, ...] = ()
    set_aside_reasons: dict[str, int] = field(default_factory=dict)
    set_aside_first: tuple[SetAside, ...] = ()
    warnings: tuple[str, ...] = ()
    import_id: int | None = None
    pack_name: str | None = None
    already_imported: str | None = None
    """When the same file came before, the time it did (ISO 8601); nothing was stored now."""
    dry_run: bool = False
    changes: Changes | None = None
    """What it changed in the answers; None until somebody looked."""
    mapping: str | None = None
    """Text of the mapping file it was read by; None where there was none."""

    def as_json(self) -> dict[str, Any]:
        """JSON-ready document of the receipt; without `changes` where nobody looked, `mapping` and `shown` where there were none."""
        optional = ("changes", "mapping")
        document = {name: value for name, value in asdict(self).items() if name not in optional or value is not None}
        for entry in document["inferences"]:
            if entry["shown"] is None:
                del entry["shown"]
        return document
