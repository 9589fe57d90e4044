"""Values given on the command line: dates a logbook can be about, numbers that are numbers, text that can be kept."""

from __future__ import annotations

import math
from datetime import datetime
from typing import Any

import click

FIRST_YEAR, LAST_YEAR = 1970, 2199
SAMPLE = datetime(2026, 2, 7, 6, 3)  # noqa: DTZ001 - a wall clock's


class Calendar(click.DateTime):
    """A date between 1970 and 2199, with a time of day where the formats have one."""

    def convert(self, value: object, param: click.Parameter | None, ctx: click.Context | None) -> datetime:
        """Read a date; `UsageError` where it is none or too far off."""
        try:
            when: datetime = super().convert(value, param, ctx)
        except click.BadParameter:
            samples = " or ".join(SAMPLE.strftime(each) for each in self.formats[:2])
            self.fail(f"'{value}' is no date; write it as {samples}.", param, ctx)
        if not FIRST_YEAR <= when.year <= LAST_YEAR:
            self.fail(f"{value} is not between {FIRST_YEAR} and {LAST_YEAR}.", param, ctx)
        return when


class Finite(click.types.FloatParamType):
    """A number, neither infinite nor "not a number"."""

    name = "number"

    def convert(self, value: Any, param: click.Parameter | None, ctx: click.Context | None) -> float:
        """Read a number; `UsageError` where it is none."""
        number: float = super().convert(value, param, ctx)
        if not math.isfinite(number):
            self.fail("it must be a number.", param, ctx)
        return number


class FiniteRange(Finite, click.FloatRange):
    """A finite number in a range."""


class Whole(click.IntRange):
    """A whole number in a range."""

    name = "whole number"


class Words(click.types.StringParamType):
    """Text that is whole: a shell may hand on bytes that are none."""

    def convert(self, value: object, param: click.Parameter | None, ctx: click.Context | None) -> str:
        """Read text; `UsageError` where it is none."""
        text: str = super().convert(value, param, ctx)
        if not text.isascii() and any("\ud800" <= letter <= "\udfff" for letter in text):
            self.fail("it holds bytes that are no text.", param, ctx)
        return text


DAY = Calendar(["%Y-%m-%d"])
MOMENT = Calendar(["%Y-%m-%d", "%Y-%m-%dT%H:%M", "%Y-%m-%d %H:%M"])
