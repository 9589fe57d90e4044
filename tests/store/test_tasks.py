from __future__ import annotations

import itertools
import multiprocessing
import time

import pytest
from freezegun import freeze_time

from logbook.errors import UnknownName
from logbook.store import open_store
from logbook.store.tasks import (
    LEASE_S,
    add_task,
    ask_owner,
    claim_task,
    fail_task,
    finish_task,
    forget_task,
    keep_claim,
    list_tasks,
    release_tasks,
    resume_task,
    task_by_id,
)

NOON = "2026-07-01T12:00:00Z"


def test_tasks_are_done_one_after_the_other_in_the_order_they_came(store):
    first, second = (add_task(store, "import", {"file": name}) for name in ("a.csv", "b.csv"))

    taken = claim_task(store, "import", "me")
    assert (taken.id, taken.state, taken.body, taken.outcome) == (first.id, "running", {"file": "a.csv"}, None)
    assert claim_task(store, "import", "me") is None
    assert claim_task(store, "import", "another") is None
    assert finish_task(store, first.id, "me", {"rows": 3})

    assert claim_task(store, "import", "me").id == second.id
    done = task_by_id(store, first.id)
    assert (done.state, done.progress, done.outcome) == ("done", 1.0, {"rows": 3})


def test_kinds_do_not_wait_for_each_other(store):
    add_task(store, "import", {})
    add_task(store, "rebuild", {})

    assert claim_task(store, "import", "me")
    assert claim_task(store, "rebuild", "me")
    assert claim_task(store, "other", "me") is None
    assert [task.kind for task in list_tasks(store)] == ["rebuild", "import"]
    assert [task.kind for task in list_tasks(store, "import")] == ["import"]


def test_a_task_outlives_the_program(store):
    made = add_task(store, "import", {"file": "a.csv"})
    store.close()

    with open_store(str(store.path)) as again:
        assert task_by_id(again, made.id) == made


def test_a_task_of_a_dead_worker_is_taken_over_before_those_that_wait(store):
    with freeze_time(NOON) as clock:
        task = add_task(store, "import", {})
        add_task(store, "import", {})
        claim_task(store, "import", "dead")
        clock.tick(LEASE_S)
        assert claim_task(store, "import", "heir") is None
        clock.tick(1)

        assert claim_task(store, "import", "heir").id == task.id

    assert not keep_claim(store, task.id, "dead", 0.9)
    assert not finish_task(store, task.id, "dead", {"rows": 1})
    assert not fail_task(store, task.id, "dead", {"what": "late"})
    found = task_by_id(store, task.id)
    assert (found.state, found.worker, found.progress, found.outcome) == ("running", "heir", 0.0, None)


def test_progress_is_a_sign_of_life(store):
    with freeze_time(NOON) as clock:
        task = add_task(store, "import", {})
        claim_task(store, "import", "slow")
        for share in (0.2, 0.4, 7.0):
            clock.tick(LEASE_S - 1)
            assert keep_claim(store, task.id, "slow", share)

        assert claim_task(store, "import", "heir") is None
    assert task_by_id(store, task.id).progress == 1.0


def test_a_clock_set_back_does_not_keep_a_dead_workers_task_for_ever(store):
    add_task(store, "import", {})
    with freeze_time("2030-01-01T00:00:00Z"):
        claim_task(store, "import", "dead")

    with freeze_time(NOON):
        assert claim_task(store, "import", "heir")


def test_a_question_waits_for_its_answer(store):
    task = add_task(store, "import", {"file": "a.csv"})
    claim_task(store, "import", "me")
    assert ask_owner(store, task.id, "me", {"question": "Which zone?"})
    assert claim_task(store, "import", "me") is None
    assert task_by_id(store, task.id).outcome == {"question": "Which zone?"}

    resumed = resume_task(store, task.id, {"file": "a.csv", "zone": "UTC"})

    assert (resumed.state, resumed.outcome) == ("waiting", None)
    assert claim_task(store, "import", "me").body == {"file": "a.csv", "zone": "UTC"}
    assert resume_task(store, task.id, {}).body == {"file": "a.csv", "zone": "UTC"}


def test_a_failed_task_says_why_and_may_be_tried_again(store):
    task = add_task(store, "import", {})
    claim_task(store, "import", "me")
    assert fail_task(store, task.id, "me", {"what": "no time column"})
    assert task_by_id(store, task.id).outcome == {"what": "no time column"}

    resume_task(store, task.id, {})

    assert claim_task(store, "import", "me").id == task.id


def test_a_worker_that_stops_gives_its_task_back(store):
    task = add_task(store, "import", {})
    claim_task(store, "import", "me")

    release_tasks(store, "another")
    assert task_by_id(store, task.id).state == "running"
    release_tasks(store, "me")

    assert claim_task(store, "import", "another").id == task.id


def test_only_what_nobody_works_at_is_forgotten_and_its_number_is_not_given_again(store):
    task = add_task(store, "import", {})
    assert not forget_task(store, task.id)
    claim_task(store, "import", "me")
    assert not forget_task(store, task.id)
    finish_task(store, task.id, "me", {})

    assert forget_task(store, task.id)

    assert not forget_task(store, task.id)
    assert add_task(store, "import", {}).id > task.id
    with pytest.raises(UnknownName):
        task_by_id(store, task.id)


def test_lists_by_state(store):
    first, second = (add_task(store, "import", {}) for _ in range(2))
    claim_task(store, "import", "me")

    assert [task.id for task in list_tasks(store, states=("waiting",))] == [second.id]
    assert [task.id for task in list_tasks(store, states=("running", "waiting"))] == [second.id, first.id]


def work(path: str, worker: str) -> list[tuple[int, float, float]]:
    """A worker in a process of its own: every task it did, with the times at which it began and ended."""
    done = []
    with open_store(path) as store:
        while list_tasks(store, states=("waiting", "running")):
            task = claim_task(store, "import", worker)
            if task is None:
                time.sleep(0.005)
                continue
            began = time.time()
            keep_claim(store, task.id, worker, 0.5)
            ended = time.time()
            assert finish_task(store, task.id, worker, {"by": worker})
            done.append((task.id, began, ended))
    return done


def test_several_programs_share_the_tasks_and_never_work_at_two_at_once(store):
    ids = [add_task(store, "import", {"number": number}).id for number in range(30)]

    with multiprocessing.get_context("spawn").Pool(3) as pool:
        shares = pool.starmap(work, [(str(store.path), name) for name in ("one", "two", "three")], chunksize=1)

    spans = sorted((began, ended, task_id) for share in shares for task_id, began, ended in share)
    assert sorted(task_id for _, _, task_id in spans) == ids
    assert all(before[1] <= after[0] for before, after in itertools.pairwise(spans))
    assert {task.state for task in list_tasks(store)} == {"done"}
