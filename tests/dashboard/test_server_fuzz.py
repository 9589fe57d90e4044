"""Any request at all; `python -m tests.bench fuzz http` makes a hundred thousand, beside readers who never end."""

from __future__ import annotations

import sys
import time

import pytest

from tests.bench.fuzz_http import Ask, looked_at, run

pytestmark = pytest.mark.skipif(sys.platform == "win32", reason="memory of the server is read from /proc")
HEADERS = {"X-Content-Type-Options": "nosniff", "Content-Type": "text/html"}


def test_some_hundred_requests_of_any_kind_are_answered_without_a_fault_or_a_trace(tmp_path):
    told = run(400, time.time_ns(), tmp_path)

    assert told.problems == []
    assert sum(told.statuses.values()) >= 400
    assert told.statuses[200]
    assert told.statuses[400]


@pytest.mark.parametrize(
    ("status", "headers", "body", "told"),
    [
        (500, HEADERS, b"", "status 500"),
        (200, {}, b"", "without its headers"),
        (200, HEADERS, b"Traceback (most recent call last)", "shows"),
        (200, HEADERS, b"no such file: /home/me/log", "shows"),
        (200, HEADERS, b"<p><script>alert(1)</script>", "markup"),
        (200, {**HEADERS, "Server": "waitress"}, b"", "made with"),
    ],
)
def test_what_no_answer_may_be_is_noticed(status, headers, body, told):
    (problem,) = looked_at(Ask("GET", "/"), (status, headers, body), b"/home/me")

    assert told in problem
    assert list(looked_at(Ask("GET", "/"), (200, HEADERS, b"<p>fine</p>"), b"/home/me")) == []
