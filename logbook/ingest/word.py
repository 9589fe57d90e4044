"""Words of a name: taken apart at spaces, marks and camel case, and where languages write several as one."""

from __future__ import annotations

import re
import unicodedata
from typing import TYPE_CHECKING

from logbook.ingest.text import mended
from logbook.ingest.vocabulary import ENGLISH, PACK, WORDS

if TYPE_CHECKING:
    from collections.abc import Iterable


def folded(text: str) -> str:
    """Lower case without accents, for comparing words."""
    plain = mended(text).strip().lower().replace("ł", "l").replace("ø", "o").replace("æ", "ae").replace("ß", "ss")
    return "".join(letter for letter in unicodedata.normalize("NFKD", plain) if not unicodedata.combining(letter))


def tokens(text: str) -> list[str]:
    """Words of a name: split at spaces, marks, digits and camel case."""
    spaced = re.sub(r"(?<=[a-z])(?=[A-Z][a-z])|(?<=[a-z])(?=[A-Z]{2,})", " ", mended(text))
    return re.findall(r"[^\W\d_]+|\d+|[%‰]", folded(spaced))


COMPOUND_ENDS = (
    "strom",
    "stroom",
    "spannung",
    "spanning",
    "temperatur",
    "temperatuur",
    "leistung",
    "vermogen",
    "effekt",
)
"""Nouns that German, Dutch and the Scandinavian languages join other words on to, folded."""
FIRST_PARTS = frozenset(["batterie", "batteri", "batterij", "accu", "zell", "cel", "cell", "celle"])
_KNOWN = frozenset().union(*WORDS.values())
_CJK = sorted((word for word in _KNOWN if re.fullmatch(r"[\u3040-\u30ff\u3400-\u9fff]+", word)), key=len, reverse=True)


def words_of(text: str) -> list[str]:
    """Words of a name, with compounds of other languages taken apart."""
    found: list[str] = []
    for word in tokens(text):
        end = next((end for end in COMPOUND_ENDS if word.endswith(end) and word != end), None)
        first = word.removesuffix(end) if end else ""
        if end and word not in _KNOWN and (first in _KNOWN or first in PACK or first in FIRST_PARTS):
            found += [first, end]
        elif word not in _KNOWN and re.search(r"[\u3040-\u30ff\u3400-\u9fff]", word):
            found += re.findall("|".join(_CJK), word) or [word]
        else:
            found.append(word)
    return found


def is_foreign(names: Iterable[str]) -> bool:
    """Whether a header holds a word of another language than English."""
    return any(word in _KNOWN and word not in ENGLISH for name in names for word in words_of(name))
