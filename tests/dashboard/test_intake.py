"""Uploads and downloads over HTTP, and the worker behind them, on a real logbook without a browser."""

from __future__ import annotations

import csv
import io
import time
from dataclasses import replace

import pytest

from logbook.dashboard import create_app
from logbook.dashboard.answers import answers_of
from logbook.dashboard.api import harmless
from logbook.dashboard.columns import mapping_of
from logbook.dashboard.intake import INTAKE, Intake
from logbook.dashboard.pages.job import job_entry, preview
from logbook.dashboard.pages.receipt import beside_your_word, lines_words
from logbook.dashboard.sketch import sketch
from logbook.dashboard.uploads import LONGEST_UPLOAD_BYTES, PIECE_BYTES
from logbook.dashboard.view import View
from logbook.jobs.era import swap_packs
from logbook.jobs.undo import undo
from logbook.schema.reading import Readings
from logbook.store import add_note, add_pack, edit_pack, list_imports, open_store, pack_named, reading_span
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
    response = sent(client, text.encode(), **headers)
    assert response.status_code == 202, response.text
    return ended(client, response.get_json()["id"])


def sent(client, content, query="pack=1", piece=PIECE_BYTES, **headers):
    """A file sent in pieces, as the browser does; gives the answer to the last of them."""
    response = client.post(f"/api/v1/uploads?{query}&length={len(content)}", headers={**OWN, **headers})
    at = 0
    while response.status_code in {200, 201}:
        token, at = response.get_json()["id"], response.get_json()["received"]
        response = client.put(f"/api/v1/uploads/{token}?at={at}", data=content[at : at + piece], headers=OWN)
    return response


def test_a_file_goes_in_and_leaves_no_copy_behind(client, store):
    job = taken_in(client, exports.frosty_trip())

    assert job["state"] == "done"
    assert job["receipt"]["file_name"] == "trip.csv"
    assert reading_span(store, 1)[0] == job["receipt"]["rows_stored"] == 6 * 24 * 30
    assert not list(store.path.with_name(f"{store.path.name}-uploads").glob("*/file/*"))


@pytest.mark.parametrize(
    ("query", "headers", "status"),
    [
        ("pack=1&length=3", {}, 403),
        ("pack=99&length=3", OWN, 404),
        ("pack=../1&length=3", OWN, 404),
        ("pack=1&length=0", OWN, 400),
        ("pack=1&length=-3", OWN, 400),
        ("pack=1&length=x", OWN, 400),
        (f"pack=1&length={LONGEST_UPLOAD_BYTES + 1}", OWN, 413),
        ("pack=1", OWN, 400),
    ],
)
def test_an_upload_that_cannot_be_is_refused_with_words(client, store, query, headers, status):
    response = client.post(f"/api/v1/uploads?{query}", headers=headers)

    assert response.status_code == status
    assert response.get_json()["error"]
    assert not list(store.path.with_name(f"{store.path.name}-uploads").glob("*"))


@pytest.mark.parametrize(
    ("address", "headers", "length", "status"),
    [
        ("?at=0", {}, 1, 403),
        ("?at=0", OWN, None, 411),
        ("?at=0", OWN, PIECE_BYTES + 1, 413),
        ("?at=1", OWN, 1, 400),
        ("?at=0", OWN, 11, 400),
        ("x?at=0", OWN, 1, 404),
    ],
)
def test_a_piece_that_cannot_be_is_refused_with_words(client, address, headers, length, status):
    token = client.post("/api/v1/uploads?pack=1&length=10", headers=OWN).get_json()["id"]
    told = {} if length is None else {"CONTENT_LENGTH": str(length)}

    response = client.put(f"/api/v1/uploads/{token}{address}", headers=headers, environ_overrides=told)

    assert response.status_code == status
    assert response.get_json()["error"]
    assert client.get(f"/api/v1/uploads/{token}").get_json()["received"] == 0


def test_a_file_in_many_pieces_is_the_file(client, store):
    response = sent(client, exports.frosty_trip().encode(), piece=10_007)

    assert ended(client, response.get_json()["id"])["receipt"]["rows_stored"] == 6 * 24 * 30


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
    assert waiting.lines[0].startswith("time,voltage")
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


def test_an_answer_in_words_can_be_tried_first_and_a_wrong_one_asks_again(client, store):
    job = taken_in(client, exports.silent_about_start())
    assert job["question"]["key"] == "start"
    assert job["question"]["choices"] == []

    intake = client.application.extensions[INTAKE]
    intake.try_out(job["id"], "yesterday")
    assert "yesterday" in ended(client, job["id"])["error"]["what"]
    intake.try_out(job["id"], "2026-03-02 08:00:00")
    tried = ended(client, job["id"])
    assert tried["state"] == "asking"
    assert tried["error"] is None
    assert [row["what"] for row in tried["previews"][0]["rows"]] == ["First", "Second", "Last"]
    assert tried["previews"][0]["rows"][0]["ts_ms"] == 1772434800000  # 08:00 in Berlin, UTC+1
    intake.reply(job["id"], "the day after")
    again = ended(client, job["id"])
    assert again["state"] == "asking"
    assert "the day after" in again["error"]["what"]
    assert reading_span(store, 1)[0] == 0
    intake.reply(job["id"], "2026-03-02 08:00:00")

    assert ended(client, job["id"])["receipt"]["rows_stored"] == 120


def test_a_zone_is_asked_with_the_file_read_in_each_that_fits(client, store):
    edit_pack(store, "House", time_zone="Asia/Tokyo")  # which has no summer time

    job = taken_in(client, exports.over_the_end_of_summer_time())

    assert job["question"]["key"] == "time_zone"
    first = {item["choice"]: item["rows"][0]["ts_ms"] for item in job["previews"] if "rows" in item}
    assert first["Europe/Berlin"] == 1761422400000  # 2025-10-25 22:00 there, UTC+2
    assert first["Europe/London"] == first["Europe/Berlin"] + 3_600_000  # UTC+1
    words = {item["choice"]: item["words"] for item in job["previews"] if "words" in item}
    assert words["Asia/Tokyo"] == "One more question comes after this one."  # which side of the jump was right there


def test_a_mapping_helps_where_no_column_is_recognised(client, store):
    job = taken_in(client, exports.in_no_known_words())
    assert job["state"] == "failed"
    assert "--" not in job["error"]["mend"]
    address = f"/api/v1/jobs/{job['id']}/mapping"
    assert client.put(address, data=b"[columns]\nvolts = 3").status_code == 403

    assert "is not a key" in client.put(address, data=b"[columns]\nvolts = 3", headers=OWN).get_json()["error"]
    assert client.put(address, data=b"\xff\xfe", headers=OWN).status_code == 400
    assert client.put(address, data=b"#" * 70_000, headers=OWN).status_code == 413
    text = mapping_of("comma", {1: "time", 2: "voltage_v V", 3: "current_a A", 4: ""})
    assert client.put(address, data=text.encode(), headers=OWN).status_code == 200

    assert ended(client, job["id"])["receipt"]["rows_stored"] == 120
    assert client.put(address, data=text.encode(), headers=OWN).status_code == 400


def test_what_was_undone_is_no_longer_called_in(app, client, store):
    job = taken_in(client, exports.frosty_trip())
    shown = {row.id for row in list_imports(store)}
    intake = app.server.extensions[INTAKE]
    assert "Is in" in text_of(job_entry(intake.job(job["id"]), answers_of(store), shown))

    undo(store, job["receipt"]["import_id"])
    shown = {row.id for row in list_imports(store)}

    assert "Taken out again" in text_of(job_entry(intake.job(job["id"]), answers_of(store), shown))


def test_a_job_of_another_program_is_left_to_it(store):
    work = answers_of(store).work
    intake = Intake(answers_of(store))
    upload = intake.uploads.begin(1, "trip.csv", 3)
    intake.uploads.add(upload.token, 0, io.BytesIO(b"abc"), 3)
    intake.uploads.complete(upload.token)
    task = work.add_task("import", {"pack_id": 1, "file_name": "trip.csv", "folder": upload.token})
    assert work.claim_task("import", "another").id == task.id

    second = Intake(answers_of(store))
    time.sleep(0.3)
    assert second.job(task.id).state == "running"
    work.release_tasks("another")

    for _ in range(600):
        if second.job(task.id).state == "failed":
            break
        time.sleep(0.05)
    assert second.job(task.id).state == "failed"  # three letters are no export


def test_a_receipt_is_told_on_the_clock_of_its_own_pack(store):
    add_pack(store, name="Away", rated_ah=100, cells_in_series=4, time_zone="Asia/Tokyo")
    app = create_app(store)
    swap_packs(
        store, pack_named(store, "Away"), pack_named(store, "House"), 1_768_176_000_000
    )  # 12 Jan 2026, 00:00 UTC
    client = app.server.test_client()
    job = ended(client, sent(client, exports.frosty_trip().encode(), query="pack=2").get_json()["id"])
    words = text_of(asked(app, f"/imports/{job['receipt']['import_id']}"))

    assert 'from 12 Jan 2026, 09:00 on, left for "House"' in words


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
        response = client.post("/api/v1/uploads?pack=1&length=1", headers=OWN)

    assert response.status_code == 507
    assert "reading only" in response.get_json()["error"]


def test_a_clean_stop_lets_go_of_what_is_under_way(store):
    answers = answers_of(store)
    intake = Intake(answers)
    task = answers.work.add_task("import", {"pack_id": 1, "file_name": "trip.csv", "folder": "none"})
    answers.work.claim_task("import", intake._name)

    intake.stop()

    assert intake.job(task.id).state == "waiting"


def test_a_fault_of_ours_in_a_preview_fails_the_job_and_not_the_worker(store):
    def broken(*_given, **_options):
        raise RuntimeError("/home/someone/secret")

    app = create_app(replace(answers_of(store), read_file=broken))
    client = app.server.test_client()
    job = taken_in(client, exports.silent_about_sign())

    assert job["state"] == "failed"
    assert "Something went wrong here." in job["error"]["what"]
    assert "/home" not in str(job)
    assert taken_in(client, exports.frosty_trip())["state"] == "done"


def test_imports_are_listed_on_the_clock_of_their_pack(store):
    add_pack(store, name="Away", rated_ah=100, cells_in_series=4, time_zone="Pacific/Auckland")
    app = create_app(store)
    client = app.server.test_client()
    ended(client, sent(client, exports.frosty_trip("2026-01-10", 6).encode(), query="pack=2").get_json()["id"])

    words = text_of(asked(app, "/imports"))

    assert "Away 10 Jan 2026 to 15 Jan 2026" in words  # where the first pack is, it was the evening of the 9th


@pytest.mark.parametrize(("count", "said"), [(2, "3, 7"), (5, "3, 7, \u2026")])
def test_a_repair_says_that_it_touched_more_lines_than_it_names(count, said):
    assert lines_words((3, 7), count) == said


def test_the_evidence_beside_the_owners_word_does_not_say_it_again():
    told = (
        "as you said",
        "as you said; voltage in steps went with the current 2 of 2 times",
        'only so is "13.2." a date',
    )

    assert [beside_your_word(words) for words in told] == [
        "",
        "voltage in steps went with the current 2 of 2 times",
        'only so is "13.2." a date',
    ]


def test_a_short_file_is_foreseen_in_tenths_of_an_amp_hour():
    item = {"choice": "charge", "rows": [], "charge_ah": 0.45, "discharge_ah": 21.4}

    assert "In all, about 0.5 Ah in and 21 Ah out." in text_of(preview(item, View()))
