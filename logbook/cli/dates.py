"""Dates: days and moments given on the command line, within the years a logbook can be about."""

from __future__ import annotations

from typing import TYPE_CHECKING

import click

if TYPE_CHECKING:
    from datetime import datetime

FIRST_YEAR, LAST_YEAR = 1970, 2199


class Calendar(click.DateTime):
    """A date between 1970 and 2199."""

    def convert(self, value: object, param: click.Parameter | None, ctx: click.Context | None) -> datetime:
        """Read a date; `UsageError` where it is none or too far off."""
        when: datetime = super().convert(value, param, ctx)
        if not FIRST_YEAR <= when.year <= LAST_YEAR:
            self.fail(f"{value} is not between {FIRST_YEAR} and {LAST_YEAR}.", param, ctx)
        return when


DAY = Calendar(["%Y-%m-%d"])
MOMENT = Calendar(["%Y-%m-%d", "%Y-%m-%dT%H:%M"])
