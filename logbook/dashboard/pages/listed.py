"""Listed: which of the files on their way the imports page shows, and which of these with all that can be said to them.

A long list is neither built nor sent whole: a few stand in full, the next ones in short, and the rest are counted.
One in short comes to stand in full as those before it are answered or cleared, or when its owner opens it.
"""

from __future__ import annotations

from collections import Counter
from dataclasses import dataclass
from typing import TYPE_CHECKING

from logbook.dashboard.pages.job import job_sign
from logbook.dashboard.view import number

if TYPE_CHECKING:
    from collections.abc import Collection, Sequence

    from logbook.dashboard.intake import Job

IN_FULL, MOST_LISTED = 6, 40
"""So many that want their owner stand in full, and so many are listed at all."""
BEFORE = ("running", "asking", "failed", "done", "waiting")
"""Which states are listed before others where not all are."""
COUNTED = {
    "waiting": "waiting",
    "running": "being read",
    "asking": "with a question",
    "failed": "not taken in",
    "done": "in",
}
REST = "rest"
"""Stands for the files that are only counted, where others have their number."""


@dataclass(frozen=True)
class Listed:
    """What the page shows: jobs in their order, the ids of those in full, and words on the rest."""

    jobs: tuple[Job, ...]
    full: frozenset[int]
    rest: str = ""
    """Empty where there is none."""
    failed: int = 0
    """How many were not taken in, listed or not."""

    def signs(self, brought_ids: Collection[int]) -> list[list[str]]:
        """(name, sign) of each entry; a sign changes whenever its entry would look different."""
        signs = [[str(job.id), f"{job_sign(job, brought_ids)} {job.id in self.full}"] for job in self.jobs]
        return [*signs, [REST, f"{self.rest} {self.failed}"]] if self.rest else signs


def listed(jobs: Sequence[Job], opened: str = "") -> Listed:
    """Choose from every job, newest first; the one of the number `opened` comes first and in full."""
    first = [job for job in jobs if str(job.id) == opened]
    others = [job for job in jobs if str(job.id) != opened]
    kept = {job.id for job in sorted(others, key=_turn)[: MOST_LISTED - len(first)]}
    shown = (*first, *(job for job in others if job.id in kept))
    wanting = sorted((job for job in shown if wants_owner(job)), key=lambda job: (job not in first, _turn(job)))
    left = Counter(job.state for job in others if job.id not in kept)
    failed = sum(job.state == "failed" for job in jobs)
    return Listed(shown, frozenset(job.id for job in wanting[:IN_FULL]), rest_words(left), failed)


def wants_owner(job: Job) -> bool:
    """Whether there is something to say to it."""
    return job.state in {"asking", "failed"}


def rest_words(left: Counter[str]) -> str:
    """How many more there are, by what they wait for."""
    if not left:
        return ""
    counts = ", ".join(f"{number(left[state])} {words}" for state, words in COUNTED.items() if left[state])
    return f"And {number(left.total())} more: {counts}. They are listed as those above are answered or cleared."


def _turn(job: Job) -> tuple[int, int]:
    """By state, then the newest; of those that wait the next ones."""
    return BEFORE.index(job.state), job.id if job.state == "waiting" else -job.id
