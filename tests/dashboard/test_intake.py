"""Uploads and downloads over HTTP, and the worker behind them, on a real logbook without a browser."""

from __future__ import annotations

import csv
import io
import time

import pytest

from logbook.dashboard import create_app
from logbook.dashboard.answers import answers_of
from logbook.dashboard.api import LONGEST_UPLOAD_BYTES, harmless
from logbook.dashboard.intake import Intake, safe_name
from logbook.dashboard.sketch import sketch
from logbook.schema.reading import Readings
from logbook.store import add_note, add_pack, open_store, reading_span
from tests.dashboard import exports
from tests.dashboard.asking import asked, text_of

OWN = {"X-Requested-With": "logbook", "X-Filename": "trip.csv"}


@pytest.fixture
def store(tmp_path):
    with open_store(f"sqlite:///{tmp_path}/logbook.sqlite3") as opened:
        add_pack(opened, name="House", rated_ah=100, cells_in_series=4, time_zone="Europe/Berlin")
        yield opened


@pytest.fixture
def app(store):
    return create_app(store)


@pytest.fixture
def client(app):
    return app.server.test_client()


def ended(client, job_id):
    """The job once the worker has nothing more to do with it."""
    for _ in range(600):
        job = client.get(f"/api/v1/jobs/{job_id}").get_json()
        if job["state"] not in {"waiting", "running"}:
            return job
        time.sleep(0.05)
    raise AssertionError(job)


def taken_in(client, text, **headers):
    response = client.put("/api/v1/uploads?pack=1", data=text.encode(), headers={**OWN, **headers})
    assert response.status_code == 202, response.text
    return ended(client, response.get_json()["id"])


def test_a_file_goes_in_and_leaves_no_copy_behind(client, store):
    job = taken_in(client, exports.frosty_trip())

    assert job["state"] == "done"
    assert job["receipt"]["file_name"] == "trip.csv"
    assert reading_span(store, 1)[0] == job["receipt"]["rows_stored"] == 6 * 24 * 30
    assert not list(store.path.with_name(f"{store.path.name}-uploads").glob("*/file/*"))


@pytest.mark.parametrize(
    ("query", "headers", "length", "status"),
    [
        ("pack=1", {}, 1, 403),
        ("pack=99", OWN, 1, 404),
        ("pack=../1", OWN, 1, 404),
        ("pack=1", OWN, 0, 400),
        ("pack=1", OWN, LONGEST_UPLOAD_BYTES + 1, 413),
        ("pack=1", OWN, None, 411),
    ],
)
def test_an_upload_that_cannot_be_is_refused_with_words(client, store, query, headers, length, status):
    told = {} if length is None else {"CONTENT_LENGTH": str(length)}
    response = client.put(f"/api/v1/uploads?{query}", headers=headers, environ_overrides=told)

    assert response.status_code == status
    assert response.get_json()["error"]
    assert not list(store.path.with_name(f"{store.path.name}-uploads").glob("*/job.json"))


def test_a_file_that_breaks_off_leaves_nothing(store):
    intake = Intake(answers_of(store))

    with pytest.raises(Exception, match="broke off"):
        intake.receive(io.BytesIO(b"abc"), 10, 1, "trip.csv")
    assert intake.jobs() == []
    assert not list(intake.folder.iterdir())


def test_a_bad_file_says_what_is_wrong_without_a_path(client, store):
    job = taken_in(client, "<html><body>Please log in</body></html>")

    assert job["state"] == "failed"
    assert job["error"]["what"]
    assert str(store.path.parent) not in str(job["error"])
    assert reading_span(store, 1)[0] == 0


def test_a_question_waits_for_its_owner_even_across_a_restart(client, store):
    job = taken_in(client, exports.silent_about_sign())
    assert job["state"] == "asking"

    again = Intake(answers_of(store))
    waiting = again.job(job["id"])
    assert waiting.question["choices"] == ["charge", "discharge"]
    assert [item["choice"] for item in waiting.previews] == ["charge", "discharge"]
    assert waiting.previews[0]["charge_ah"] == pytest.approx(3.0 * 2)  # 3 A for two hours
    assert waiting.previews[1]["discharge_ah"] == pytest.approx(6.0)

    again.reply(job["id"], "discharge")
    for _ in range(600):
        if again.job(job["id"]).state == "done":
            break
        time.sleep(0.05)
    assert again.job(job["id"]).receipt["rows_stored"] == 120


def test_an_answer_that_is_no_choice_is_refused(client, store):
    job = taken_in(client, exports.silent_about_sign())

    with pytest.raises(Exception, match="not one of the choices"):
        Intake(answers_of(store)).reply(job["id"], "sideways")


@pytest.mark.parametrize(
    ("name", "safe"),
    [
        ("../../etc/passwd", "passwd"),
        ("C:\\trips\\März 2026.csv", "März 2026.csv"),
        ("a<b>.csv", "a_b_.csv"),
        ("...", "upload"),
        ("", "upload"),
    ],
)
def test_a_name_never_becomes_a_path(name, safe):
    assert safe_name(name) == safe


def test_a_sketch_of_no_readings_is_empty():
    assert sketch(Readings.empty())["count"] == 0


def test_tables_and_readings_are_downloads(client):
    taken_in(client, exports.frosty_trip())

    cold = list(csv.DictReader(io.StringIO(client.get("/api/v1/packs/1/cold.csv").text)))
    assert [(row["start"], row["charge_ah"]) for row in cold] == [("2026-01-13T07:00:00Z", "9.0")]  # 6 A for 1.5 h
    for name in ("capacity", "protection", "flags", "months"):
        assert client.get(f"/api/v1/packs/1/{name}.csv").status_code == 200
    rows = list(csv.DictReader(io.StringIO(client.get("/api/v1/packs/1/readings.csv").text)))
    assert len(rows) == 6 * 24 * 30
    assert rows[0]["time_utc"] == "2026-01-09T23:00:00Z"
    assert rows[0]["time_local (Europe/Berlin)"] == "2026-01-10T00:00:00"
    assert rows[0]["current_a"] == "-4.0"
    assert client.get("/api/v1/packs/1/secrets.csv").status_code == 404
    assert client.get("/api/v1/packs/99/cold.csv").status_code == 404
    assert client.get("/api/v1/packs/1/readings.csv?from=x&to=-5").status_code == 200


@pytest.mark.parametrize("text", ["=1+1", "+1", "-1", "@x", "\tx"])
def test_text_of_a_file_cannot_become_a_formula(text):
    """A cell that begins so is run by spreadsheets; numbers are not touched."""
    assert harmless(text).startswith("'")
    assert harmless(-1.5) == -1.5


def test_every_page_of_a_real_logbook_answers(app, client, store):
    taken_in(client, exports.frosty_trip())
    add_note(store, 1, 1768288000000, "new lugs")

    for path in ("", "/capacity", "/cold", "/parked", "/use", "/monitor", "/attention", "/readings"):
        words = text_of(asked(app, f"/pack/1{path}"))
        assert "could not be made" not in words, path
        assert "new lugs" in words, path
    assert "trip.csv" in text_of(asked(app, "/imports"))
    words = text_of(asked(app, "/imports/1"))
    assert "It brought 4 320 new readings." in words
    assert "state of charge went with the current" in words


def test_a_logbook_opened_for_reading_takes_nothing_in(store, tmp_path):
    with open_store(f"sqlite:///{tmp_path}/logbook.sqlite3", read_only=True) as closed:
        client = create_app(closed).server.test_client()
        response = client.put("/api/v1/uploads?pack=1", data=b"x", headers=OWN)

    assert response.status_code == 507
    assert "reading only" in response.get_json()["error"]
