"""Server: what it does before anybody asks."""

from __future__ import annotations

import numpy as np

from logbook.dashboard.server import answers_ahead
from logbook.errors import BadData
from logbook.jobs import health as job
from logbook.jobs.health import health
from logbook.store import commit_import
from tests.store.recordings import drawn, recording_of


def test_answers_are_ready_before_the_first_page(store, pack, monkeypatch):
    commit_import(store, pack, recording_of(drawn(np.random.default_rng(1), 300)), None)
    answers_ahead(store)
    made: list[int] = []
    monkeypatch.setattr(job, "answer", lambda *_given, **_more: made.append(1))

    answered = health(store, pack)

    assert answered.readings.count == 300
    assert not made


def test_what_cannot_be_answered_ahead_is_left_to_its_page(store, pack, monkeypatch):
    def fails(*_given, **_more):
        asked.append(1)
        raise BadData("no.")

    asked: list[int] = []
    commit_import(store, pack, recording_of(drawn(np.random.default_rng(2), 30)), None)
    monkeypatch.setattr(job, "answer", fails)

    answers_ahead(store)

    assert asked
