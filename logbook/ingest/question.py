"""Question: what the data cannot decide, put to the owner or refused."""

from __future__ import annotations

from collections.abc import Callable
from dataclasses import dataclass

from logbook.errors import Unanswered


@dataclass(frozen=True)
class Question:
    """One question with the evidence at hand and the option that settles it for good."""

    key: str
    text: str
    choices: tuple[str, ...]
    """The answers that are understood; empty where any text may be given."""
    evidence: str
    option: str
    """What to add to the command, such as `--positive charge`."""


Ask = Callable[[Question], str | None]
"""Puts a question to somebody; None when nobody answers."""


def settle(question: Question, ask: Ask | None, where: str) -> str:
    """Get an answer; raise Unanswered naming the option when there is none."""
    answer = ask(question) if ask else None
    if answer is None or (question.choices and answer not in question.choices):
        choices = f" ({' or '.join(question.choices)})" if question.choices else ""
        raise Unanswered(
            f"{question.text}{choices} {question.evidence}".strip(),
            where=where,
            mend=f"Say which with  {question.option}",
        )
    return answer
