"""Numbers as people and loggers write them; columns are read by their distinct spellings."""

from __future__ import annotations

import math
import re
from dataclasses import dataclass
from typing import TYPE_CHECKING, Any

import numpy as np

from logbook.ingest.unit import CANONICAL, unit_named

if TYPE_CHECKING:
    from numpy.typing import NDArray

NOTHING = frozenset(
    {
        "", "-", "--", "---", "—", "–", "...", "?", "n/a", "na", "n.a.", "#n/a", "#na", "#div/0!", "#value!", "#ref!",
        "null", "nil", "none", "nan", "-nan", "inf", "-inf", "+inf", "infinity", "-infinity", "unavailable", "unknown",
        "ol", "o.l.", "overload", "err", "error", "k.a.", "keine", "nd", "n.d.", "s/o", "brak", "missing", "invalid",
    }
)  # fmt: skip
"""Cells that say "no value here"."""
SPACES = str.maketrans("", "", "\u00a0\u2009\u202f\u2007 '’\u0000")
SIGNS = str.maketrans({"−": "-", "–": "-", "﹣": "-", "－": "-", "＋": "+"})
SHAPE = re.compile(r"^(?P<number>[+-]?[\d.,]*\d[\d.,]*(?:[eE][+-]?\d+)?)(?P<trailing>-?)(?P<unit>[^\d].*)?$")
BRACKETED = re.compile(r"^\(([^()]*)\)([^()]*)$")
"""A negative number as accounts show it, its unit within or behind."""
GROUPED_BY_DOT = re.compile(r"^\d{1,3}(\.\d{3})+$")
GROUPED_BY_COMMA = re.compile(r"^\d{1,3}(,\d{3})+$")


LARGEST = 1e20
"""Nothing that is logged is larger; epoch nanoseconds are 2e18."""


@dataclass(frozen=True)
class Cell:
    """One cell: a number (NaN where it says there is none), or not a number at all.

    A unit in the cell is the canonical one of its dimension, whatever stood there: "950 mA" is 0.95 in A.
    """

    value: float
    unit: str | None = None
    is_number: bool = True


MISSING = Cell(math.nan)
WORD = Cell(math.nan, is_number=False)


def read_cell(text: str, decimal: str) -> Cell:
    """Read one cell; `decimal` is "." or ","."""
    plain = text.strip().strip('"').removeprefix('="').translate(SIGNS).translate(SPACES)
    if plain.lower() in NOTHING:
        return MISSING
    if bracketed := BRACKETED.match(plain):
        plain = f"-{bracketed[1]}{bracketed[2]}"
    match = SHAPE.match(plain)
    if not match:
        return WORD
    unit = unit_named(match["unit"]) if match["unit"] else None
    if match["unit"] and unit is None:
        return WORD
    digits = _point(match["number"], decimal)
    if digits is None:
        return WORD
    value = -float(digits) if match["trailing"] else float(digits)
    if unit is None:
        return Cell(value)
    return Cell(float(unit.convert(np.array([value]))[0]), CANONICAL[unit.dimension])


def _point(number: str, decimal: str) -> str | None:
    """Rewrite a number with a decimal point and no thousands marks; None where that is not provable."""
    sign = number[0] if number[0] in "+-" else ""
    body = number.removeprefix(sign) if sign else number
    mantissa, *exponent = re.split("[eE]", body)
    other = "," if decimal == "." else "."
    if other in mantissa:
        head, mark, tail = mantissa.rpartition(decimal) if decimal in mantissa else (mantissa, "", "")
        grouped = GROUPED_BY_COMMA if other == "," else GROUPED_BY_DOT
        if grouped.match(head) and other not in tail:
            mantissa = head.replace(other, "") + mark + tail
        elif decimal not in mantissa and mantissa.count(other) == 1:
            mantissa = mantissa.replace(other, decimal)
        else:
            return None
    if mantissa.count(decimal) > 1:
        grouped = GROUPED_BY_COMMA if decimal == "," else GROUPED_BY_DOT
        if not grouped.match(mantissa):
            return None
        mantissa = mantissa.replace(decimal, "")
    return sign + mantissa.replace(decimal, ".") + ("e" + exponent[0] if exponent else "")


@dataclass(frozen=True, eq=False)
class Numbers:
    """A column of numbers: float64 [n] with NaN where there is none; `bad` marks words among them."""

    values: NDArray[np.float64]
    bad: NDArray[np.bool_] | None = None
    units: tuple[str, ...] = ()
    """Units that stood in the cells."""
    spelled: bool = False
    """Whether any was no plain number."""


def read_numbers(column: Any, decimal: str) -> Numbers:
    """Read an Arrow column of texts or of numbers; fast where it is plain, by distinct cells where it is not."""
    import pyarrow as pa  # noqa: PLC0415 - what reads a header or a zone does without
    import pyarrow.compute as pc  # noqa: PLC0415

    if pa.types.is_floating(column.type):
        return Numbers(_finite(column.to_numpy()))
    try:
        if decimal == ",":
            if pc.any(pc.match_substring(column, ".")).as_py():
                return _by_spelling(column, decimal)
            column = pc.replace_substring(column, ",", ".")
        return Numbers(_finite(pc.cast(column, pa.float64()).to_numpy(zero_copy_only=False)))
    except pa.ArrowInvalid:
        return _by_spelling(column, decimal)


def _finite(values: NDArray[np.float64]) -> NDArray[np.float64]:
    wild = np.abs(values) > LARGEST
    return np.where(wild, np.nan, values) if wild.any() else values


def _by_spelling(column: Any, decimal: str) -> Numbers:
    import pyarrow as pa  # noqa: PLC0415
    import pyarrow.compute as pc  # noqa: PLC0415

    encoded = pc.dictionary_encode(column, null_encoding="encode")
    if isinstance(encoded, pa.ChunkedArray):
        encoded = encoded.combine_chunks() if encoded.num_chunks != 1 else encoded.chunk(0)
    cells = [read_cell(text or "", decimal) for text in encoded.dictionary.to_pylist()]
    index = encoded.indices.to_numpy(zero_copy_only=False)
    if not len(index):
        return Numbers(np.empty(0))
    values = np.array([cell.value for cell in cells])[index]
    words = np.array([not cell.is_number for cell in cells])
    units = tuple(sorted({cell.unit for cell in cells if cell.unit}))
    return Numbers(_finite(values), words[index] if words.any() else None, units, spelled=True)
