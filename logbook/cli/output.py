"""Output: results on stdout as sentences, tables or JSON; talk on stderr."""

from __future__ import annotations

import json
import os
import sys
from typing import TYPE_CHECKING, Any

import click

if TYPE_CHECKING:
    from collections.abc import Iterable, Sequence

PIPE_WIDTH = 160
"""Columns of a table that is not read on a terminal."""
TYPOGRAPHY = str.maketrans({"\u202f": " ", "\u00a0": " ", "\u2212": "-"})
TURNING = (0x61C, 0x200E, 0x200F, *range(0x202A, 0x202F), *range(0x2066, 0x206A))
"""Letters that turn the order in which others are written (Unicode, annex 9)."""
CONTROLS = dict.fromkeys([*range(9), *range(11, 32), *range(127, 160), *TURNING], "\ufffd")


def clean(text: str) -> str:
    """Make any text safe for a terminal: no escapes, nothing written backwards, plain spaces and minus signs."""
    return text.translate(CONTROLS).translate(TYPOGRAPHY)


def say(text: str = "") -> None:
    """Talk, on stderr."""
    click.echo(clean(text), err=True)


def result(text: str = "") -> None:
    """Print a line of the result, on stdout."""
    click.echo(clean(text))


def document(value: Any, *, compact: bool = False) -> None:
    """Print a JSON document on stdout, nothing else."""
    layout: dict[str, Any] = {"separators": (",", ":")} if compact else {"indent": 2}
    click.echo(json.dumps(value, ensure_ascii=False, allow_nan=False, **layout))


def table(title: str, columns: Sequence[str], rows: Iterable[Sequence[object]], numeric: Sequence[str] = ()) -> None:
    """Print a table on stdout; the columns named in `numeric` stand to the right."""
    from rich import box
    from rich.console import Console
    from rich.table import Table
    from rich.text import Text

    grid = Table(title=Text(clean(title)) if title else None, title_justify="left", box=box.SIMPLE_HEAD)
    for column in columns:
        grid.add_column(column, justify="right" if column in numeric else "left", overflow="fold")
    for row in rows:
        grid.add_row(*(Text(clean(str(cell))) for cell in row))
    console = Console(file=sys.stdout, width=None if sys.stdout.isatty() else PIPE_WIDTH, highlight=False)
    console.print(grid)


def heading(text: str) -> None:
    """Print a heading on stdout, bold where the terminal can."""
    result()
    click.secho(clean(text), bold="NO_COLOR" not in os.environ and os.environ.get("TERM") != "dumb")


def paragraph(text: str, indent: str = "") -> None:
    """Print a paragraph of the result, wrapped to the terminal's width."""
    import shutil
    import textwrap

    width = min(100, shutil.get_terminal_size((PIPE_WIDTH, 24)).columns) if sys.stdout.isatty() else PIPE_WIDTH
    result(textwrap.fill(clean(text), width, initial_indent=indent, subsequent_indent=indent, break_long_words=False))
