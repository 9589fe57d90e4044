"""Wording: numbers as the sentences of the analysis show them."""

from __future__ import annotations

WHOLE_FROM_AH = 20.0
"""From here on whole amp-hours say enough."""


def number(value: float, decimals: int = 0) -> str:
    """A number with spaces between thousands; no minus before what rounds to nothing."""
    text = f"{value:,.{decimals}f}".replace(",", " ")
    return text.removeprefix("-") if not text.strip("-0. ") else text


def amp_hours(ah: float) -> str:
    """Charge in Ah, in tenths where it is little."""
    return f"{number(ah, 0 if ah >= WHOLE_FROM_AH else 1)} Ah"


def times(count: int) -> str:
    """How often something was seen."""
    return "once" if count == 1 else f"{number(count)} times"
