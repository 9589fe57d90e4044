"""Questions: where the data cannot decide, the owner at the terminal does."""

from __future__ import annotations

from typing import TYPE_CHECKING

import click

from logbook.cli.output import say

if TYPE_CHECKING:
    from logbook.ingest import Question


def ask(question: Question) -> str:
    """Put one question with its evidence on the terminal and return the choice made."""
    say()
    say(question.text)
    say(f"What the file shows: {question.evidence}")
    say(f"To settle it beforehand, give {question.option}.")
    kind = click.Choice(question.choices) if question.choices else str
    return str(click.prompt("Your answer", type=kind, err=True))
