"""Tasks: the table of work handed to a worker, which outlives a page and a program; one task of a kind at a time.

Several programs may look after the same table: whoever claims a task has it until it is finished, or until nothing
was heard of it for `LEASE_S`. Who lost a task is told so, and what it then reports changes nothing.
"""

from __future__ import annotations

import time
from dataclasses import dataclass, fields
from typing import TYPE_CHECKING, Any

import sqlalchemy as sa

from logbook.errors import UnknownName
from logbook.store import models
from logbook.units import MS_PER_S

if TYPE_CHECKING:
    from collections.abc import Iterable, Mapping

    from sqlalchemy.engine import Connection

    from logbook.store.engine import Store

LEASE_S = 60
"""A worker not heard of so long is taken for dead."""
WAITING, RUNNING, ASKING, DONE, FAILED = "waiting", "running", "asking", "done", "failed"
ACTIVE = (WAITING, RUNNING)
RESUMABLE = (ASKING, FAILED)


@dataclass(frozen=True)
class Task:
    """One piece of work."""

    id: int
    kind: str
    state: str
    """`waiting`, `running`, `asking` (its owner, something), `done` or `failed`."""
    body: dict[str, Any]
    """What is to be done."""
    outcome: dict[str, Any] | None
    """What came of it, the question, or the error."""
    progress: float
    worker: str | None
    created_ms: int
    changed_ms: int
    """When something was last heard of it."""

    @property
    def active(self) -> bool:
        """Whether a worker has still to do with it."""
        return self.state in ACTIVE


def add_task(store: Store, kind: str, body: Mapping[str, Any]) -> Task:
    """Put a task at the end of the queue."""
    now = _now_ms()
    row = {"kind": kind, "state": WAITING, "body": dict(body), "progress": 0.0, "created_ms": now, "changed_ms": now}
    with store.writing() as connection:
        made = sa.insert(models.task).values(**row).returning(models.task.c.id)
        return _task_in(connection, int(connection.execute(made).scalar_one()))


def task_by_id(store: Store, task_id: int) -> Task:
    """Find a task; UnknownName where there is none."""
    with store.reading() as connection:
        return _task_in(connection, task_id)


def list_tasks(store: Store, kind: str | None = None, *, states: Iterable[str] = ()) -> list[Task]:
    """Every task, or those of a kind or of some states, newest first."""
    table, wanted = models.task, tuple(states)
    conditions = [table.c.kind == kind] if kind is not None else []
    if wanted:
        conditions.append(table.c.state.in_(wanted))
    with store.reading() as connection:
        return _tasks(connection, *conditions)[::-1]


def claim_task(store: Store, kind: str, worker: str) -> Task | None:
    """Take the next task of a kind: one whose worker is dead, or the oldest that waits; None while one is at work."""
    table = models.task
    with store.reading() as connection:
        if not _tasks(connection, table.c.kind == kind, table.c.state.in_(ACTIVE)):
            return None
    with store.writing() as connection:
        now = _now_ms()
        active = _tasks(connection, table.c.kind == kind, table.c.state.in_(ACTIVE))
        running = [task for task in active if task.state == RUNNING]
        # a sign of life from the future is one from before the clock was set back
        if any(abs(now - task.changed_ms) <= LEASE_S * MS_PER_S for task in running):
            return None
        if not active:
            return None
        chosen = (running or active)[0]
        values = {"state": RUNNING, "worker": worker, "progress": 0.0, "outcome": None, "changed_ms": now}
        connection.execute(sa.update(table).where(table.c.id == chosen.id).values(**values))
        return _task_in(connection, chosen.id)


def keep_claim(store: Store, task_id: int, worker: str, progress: float) -> bool:
    """Report progress (0 to 1) and that the worker lives; False where the task is no longer its own."""
    return _report(store, task_id, worker, progress=min(max(progress, 0.0), 1.0))


def finish_task(store: Store, task_id: int, worker: str, outcome: Mapping[str, Any]) -> bool:
    """Call a task done; False where it was no longer this worker's."""
    return _report(store, task_id, worker, state=DONE, progress=1.0, outcome=dict(outcome))


def fail_task(store: Store, task_id: int, worker: str, outcome: Mapping[str, Any]) -> bool:
    """Call a task failed, and say why; False where it was no longer this worker's."""
    return _report(store, task_id, worker, state=FAILED, outcome=dict(outcome))


def ask_owner(store: Store, task_id: int, worker: str, outcome: Mapping[str, Any]) -> bool:
    """Let a task wait for an answer to the question in `outcome`; False where it was no longer this worker's."""
    return _report(store, task_id, worker, state=ASKING, outcome=dict(outcome))


def release_tasks(store: Store, worker: str) -> None:
    """Put what a worker has in hand back into the queue, when it stops."""
    table = models.task
    values = {"state": WAITING, "worker": None, "progress": 0.0, "changed_ms": _now_ms()}
    with store.writing() as connection:
        connection.execute(sa.update(table).where(table.c.worker == worker, table.c.state == RUNNING).values(**values))


def resume_task(store: Store, task_id: int, body: Mapping[str, Any]) -> Task:
    """Put a task that asks or failed into the queue again, with what is now to be done; any other stays as it is."""
    table = models.task
    values = {"state": WAITING, "body": dict(body), "outcome": None, "progress": 0.0, "changed_ms": _now_ms()}
    with store.writing() as connection:
        connection.execute(sa.update(table).where(table.c.id == task_id, table.c.state.in_(RESUMABLE)).values(**values))
        return _task_in(connection, task_id)


def forget_task(store: Store, task_id: int) -> bool:
    """Delete a task nobody is to work at any more; False where it waits, runs, or is not there."""
    table = models.task
    with store.writing() as connection:
        gone = connection.execute(sa.delete(table).where(table.c.id == task_id, table.c.state.not_in(ACTIVE)))
        return bool(gone.rowcount)


def _report(store: Store, task_id: int, worker: str, **values: Any) -> bool:
    table = models.task
    mine = (table.c.id == task_id) & (table.c.worker == worker) & (table.c.state == RUNNING)
    with store.writing() as connection:
        changed = connection.execute(sa.update(table).where(mine).values(changed_ms=_now_ms(), **values))
        return bool(changed.rowcount)


def _task_in(connection: Connection, task_id: int) -> Task:
    found = _tasks(connection, models.task.c.id == task_id)
    if not found:
        raise UnknownName(f"there is no task {task_id}.")
    return found[0]


def _tasks(connection: Connection, *conditions: sa.ColumnElement[bool]) -> list[Task]:
    table = models.task
    columns = [table.c[entry.name] for entry in fields(Task)]
    rows = connection.execute(sa.select(*columns).where(*conditions).order_by(table.c.id))
    return [Task(*row) for row in rows]


def _now_ms() -> int:
    return round(time.time() * MS_PER_S)
