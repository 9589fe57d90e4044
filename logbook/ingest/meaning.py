"""Meaning: the quantity, unit and direction that the name of a column says."""

from __future__ import annotations

import re
from dataclasses import dataclass
from functools import lru_cache

from logbook.ingest.text import mended
from logbook.ingest.unit import Unit, unit_named
from logbook.ingest.vocabulary import AROUND, BOARD, DEVICE_NAMES, ELSEWHERE, MEAN, NEAR_CELLS, PACK, WORDS
from logbook.ingest.word import folded, words_of

DISCHARGE_POSITIVE = re.compile(
    r"(?:discharg\w*|entlad\w*|decharg\w*|descarg\w*|out)\s*(?:is|=|:)?\s*(?:\+|pos)|(?:\+|pos\w*)\s*(?:is|=|:)?\s*(?:discharg|entlad|decharg|descarg|out)|-\s*=\s*(?:charg|lad)"
)
CHARGE_POSITIVE = re.compile(
    r"(?<!dis)(?<!ent)(?<!de)(?<!des)(?:charg\w*|lad\w+|carga|\bin)\s*(?:is|=|:)?\s*(?:\+|pos)|(?:\+|pos\w*)\s*(?:is|=|:)?\s*(?:charg|lad|carg)|-\s*=\s*(?:discharg|entlad)"
)
DIMENSIONS = {
    "voltage": "voltage", "current": "current", "temperature": "temperature", "fraction": "soc", "power": "power",
    "charge": "ampere_hours",
}  # fmt: skip


@dataclass(frozen=True)
class Meaning:
    """What a column name says: quantity (or None), unit, and how near to the pack it is (higher is nearer)."""

    quantity: str | None
    unit: Unit | None = None
    rank: int = 0
    positive: str | None = None
    """`charge` or `discharge` where the name says what plus means."""
    cell: int | None = None
    ambiguous: tuple[str, ...] = ()
    """Quantities it could be, where the word alone cannot say."""


GLUED_SIGN = re.compile(r"^\s*[^\W\d_]+(?P<sign>[+−-])(?=\s*(?:$|[\[(]))")
"""A sign right after a lone word, as in `I+` and `I-`: the current of one direction."""


@lru_cache(maxsize=4096)
def meaning(name: str, unit_text: str = "") -> Meaning:
    """Understand one column name, with the text of a units row where there is one."""
    unit = unit_named(unit_text) if unit_text.strip() else None
    unit = unit or _unit_in(name)
    words = words_of(re.sub(r"(?i)°\s*[cfk]\b", " ", mended(name)))
    quantity, ambiguous = _quantity(words, unit)
    if quantity == "current" and (sign := GLUED_SIGN.match(name)):
        quantity = "charge_current" if sign["sign"] == "+" else "discharge_current"
    text = folded(name)
    positive = "discharge" if DISCHARGE_POSITIVE.search(text) else "charge" if CHARGE_POSITIVE.search(text) else None
    cell = _cell_number(words) if quantity in {"cell", "voltage"} else None
    if quantity == "cell" and cell is None:
        quantity = None
    if quantity == "temperature" and "cell" in words and cell is not None:
        cell = None
    return Meaning("cell" if cell is not None else quantity, unit, _rank(words, quantity), positive, cell, ambiguous)


def _unit_in(name: str) -> Unit | None:
    text = mended(name).strip()
    for inside in re.findall(r"[\[(<{]([^\])>}]*)[\])>}]", text):
        if unit := unit_named(inside):
            return unit
    bare = re.sub(r"[\[(<{].*", "", text).strip() or text
    if match := re.search(r"(?:^|[\s_/,:-])((?:0[.,]0?1|1/10)\s*(?:°\s*)?[A-Za-z]{1,2})$", bare):
        return unit_named(match[1].replace(",", "."))
    parts = re.split(r"[\s_/,:.-]+", bare)
    if len(parts) > 1 and not parts[-1].isdigit() and (unit := unit_named(parts[-1])):
        return unit
    if match := re.search(r"(%|‰|°\s*[CFcf]|º[CF])$", bare):
        return unit_named(match[1])
    if len(parts) == 1 and (match := re.search(r"(?<=[a-z])(mV|mA|Ah|Wh)$", bare)):
        return unit_named(match[1])
    return unit_named(bare) if len(bare) > 1 or bare in {"V", "A", "W", "%"} else None


def _has(words: list[str], group: str) -> bool:
    return not WORDS[group].isdisjoint(words)


def _quantity(words: list[str], unit: Unit | None) -> tuple[str | None, tuple[str, ...]]:  # noqa: C901, PLR0911, PLR0912
    """The rules in order; the first that fits speaks."""
    dimension = unit.dimension if unit else None
    text = " ".join(words)
    if _has(words, "elapsed") and dimension in {None, "duration"}:
        return "elapsed", ()
    for group in ("date", "clock", "time"):
        if _has(words, group) and dimension in {None, "duration"} and not _has(words, "temperature"):
            return _time_of(words), ()
    if _is_soc(words, text, dimension):
        return (
            ("soc", ())
            if dimension in {None, "fraction"}
            else ("remaining_ah", ())
            if dimension == "charge"
            else (None, ())
        )
    if (
        len(words) > 1
        and [word for word in words if not _is_of_pack(word)] == ["t"]
        and dimension
        in {
            None,
            "temperature",
        }
    ):
        return "temperature", ()
    if _has(words, "cell") and dimension in {None, "voltage"} and any(word.isdigit() for word in words):
        return "cell", ()
    if _has(words, "direction"):
        return "direction", ()
    if dimension == "fraction":
        return (
            ("soc", ())
            if _has(words, "charging") or _has(words, "level") or _has(words, "capacity") or len(words) <= 2
            else (None, ("soc",))
        )
    if dimension == "charge":
        return _ampere_hours(words), ()
    if dimension == "energy":
        return None, ()
    if dimension in {"voltage", "current", "power", "temperature"}:
        return _directed(DIMENSIONS[dimension], words), ()
    for group in ("temperature", "voltage", "current", "power"):
        if _has(words, group):
            return _directed(group, words), ()
    if words == ["t"]:
        return None, ("temperature", "time")
    if _has(words, "consumed"):
        return "consumed_ah", ()
    if _has(words, "remaining"):
        return "remaining_ah", ()
    if _has(words, "status"):
        return "status", ()
    if _has(words, "device") or text in DEVICE_NAMES:
        return "device", ()
    for group in ("quantity", "value", "unit"):
        if _has(words, group):
            return group, ()
    if _has(words, "level") or _has(words, "charging"):
        return None, ("soc", "remaining_ah", "current")
    if _has(words, "capacity"):
        return None, ("soc", "remaining_ah")
    if not PACK.isdisjoint(words):
        return None, ("voltage", "soc")
    return None, ()


STATE_OF_CHARGE = re.compile(
    r"(state|etat|estado|stato|stan|stav) (of|de|di|da|do|del|della|van)? ?(charge|carga|carica|naladowania|nabiti|lading)"
)


def _is_soc(words: list[str], text: str, dimension: str | None) -> bool:
    """Whether a name speaks of a state of charge; "charge level" does, "charge current" does not."""
    if _has(words, "current"):
        return False
    level = _has(words, "level") and _has(words, "charging") and dimension in {None, "fraction"}
    return _has(words, "soc") or level or bool(STATE_OF_CHARGE.search(text))


def _is_of_pack(word: str) -> bool:
    return word.isdigit() or word in PACK or word in NEAR_CELLS or word in WORDS["cell"]


def _time_of(words: list[str]) -> str:
    date, clock = _has(words, "date"), _has(words, "clock") or "time" in words or "zeit" in words
    if date and not clock:
        return "date"
    return "clock" if _has(words, "clock") and not date else "time"


def _ampere_hours(words: list[str]) -> str | None:
    if _has(words, "consumed"):
        return "consumed_ah"
    if _has(words, "discharging"):
        return "discharged_ah"
    if _has(words, "remaining"):
        return "remaining_ah"
    return "charged_ah" if _has(words, "charging") and len(words) > 1 else None


def _directed(quantity: str, words: list[str]) -> str:
    if quantity == "current" and not ({"dis"} & set(words)):
        if _has(words, "discharging") and not _has(words, "charging"):
            return "discharge_current"
        if _has(words, "charging") and not _has(words, "discharging"):
            return "charge_current"
    return quantity


def _cell_number(words: list[str]) -> int | None:
    if not _has(words, "cell"):
        return None
    return next((int(word) for word in words if word.isdigit()), None)


def _rank(words: list[str], quantity: str | None) -> int:
    if quantity == "temperature":
        if not NEAR_CELLS.isdisjoint(words) and BOARD.isdisjoint(words):
            return 4
        return 1 if not BOARD.isdisjoint(words) else 0 if not AROUND.isdisjoint(words) else 3
    if not ELSEWHERE.isdisjoint(words) and quantity not in {"time", "date", "clock", "elapsed"}:
        return -1
    if not MEAN.isdisjoint(words):
        return 0
    return 2 if not PACK.isdisjoint(words) else 1
