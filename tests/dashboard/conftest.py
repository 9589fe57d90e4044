"""Fixtures: logbooks of invented packs, apps over them, and a live one for the browser."""

from __future__ import annotations

import gc
import os
import threading

import numpy as np
import pytest
import waitress

from logbook.dashboard import create_app
from logbook.dashboard.answers import Answers
from logbook.jobs.window import Window
from logbook.schema.reading import QUANTITY_NAMES
from tests.dashboard import samples


def answers_from(table):
    packs = [samples.pack(number, health.pack.name) for number, health in table.items()]
    return Answers(packs=lambda: packs, health=lambda pack: table[pack.id], window=two_readings)


def two_readings(_pack_id, start_ms, end_ms):
    """A window with a reading at its begin and one at its end."""
    values = dict.fromkeys(QUANTITY_NAMES, np.array([13.1, 13.3]))
    return Window(start_ms, end_ms, 0.0, np.array([start_ms, end_ms - 1], np.int64), values, values, values)


@pytest.fixture(autouse=True)
def _collecting_between_tests():
    """Python 3.11 cannot bear a finalizer while werkzeug parses a route, and tests make hundreds of apps."""
    gc.disable()
    yield
    gc.enable()


@pytest.fixture
def empty_answers():
    return answers_from({})


@pytest.fixture
def full_answers():
    return answers_from(samples.TABLE)


@pytest.fixture
def full_app(full_answers):
    return create_app(full_answers)


@pytest.fixture(scope="session")
def browser_type_launch_args(browser_type_launch_args):
    return {
        **browser_type_launch_args,
        "executable_path": os.environ.get("CHROMIUM", "/usr/bin/chromium"),
        "args": ["--no-sandbox", "--disable-dev-shm-usage"],
    }


@pytest.fixture(scope="session")
def serve_live():
    """Serve an app on a free port of loopback until the session ends; gives its address."""
    servers = []

    def start(app):
        server = waitress.create_server(app.server, host="127.0.0.1", port=0, threads=6)
        thread = threading.Thread(target=server.run, daemon=True)
        thread.start()
        servers.append((server, thread))
        return f"http://127.0.0.1:{server.effective_port}"

    yield start
    for server, thread in servers:
        server.close()
        thread.join(timeout=5)


@pytest.fixture(scope="session")
def full_url(serve_live):
    return serve_live(create_app(answers_from(samples.TABLE)))


@pytest.fixture(scope="session")
def empty_url(serve_live):
    return serve_live(create_app(answers_from({})))
