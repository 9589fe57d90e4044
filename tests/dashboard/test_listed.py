"""Which files on their way a page lists, in full, in short or only as a count."""

from __future__ import annotations

import json

import pytest

from logbook.dashboard import create_app
from logbook.dashboard.answers import answers_of
from logbook.dashboard.intake import Job
from logbook.dashboard.pages.imports import entries
from logbook.dashboard.pages.listed import IN_FULL, MOST_LISTED, listed
from logbook.store import add_pack, tasks
from tests.dashboard.asking import text_of

LINES = ["a,b,c", "1,2,3", "4,5,6"]
OUTCOMES = {
    "asking": {"question": {"key": "sign", "text": "Which way?", "evidence": "None.", "choices": []}, "lines": LINES},
    "failed": {"error": {"what": "No column holds the time.", "mend": "Say which."}, "lines": LINES},
    "done": {"receipt": {"import_id": None}},
}


def job(number, state):
    body = {"pack_id": 1, "file_name": f"{number}.csv", "folder": "x"}
    return Job(number, state, 0.0, body, OUTCOMES.get(state, {}), 0)


def jobs(*states):
    """Newest first, as an intake gives them."""
    return [job(number, state) for number, state in enumerate(states, start=1)][::-1]


@pytest.fixture
def shown(store):
    if not answers_of(store).packs():
        add_pack(store, name="House", rated_ah=100, cells_in_series=4)
    return lambda chosen, seen=None: entries(chosen, answers_of(store), (), chosen.signs(()), seen)


def test_a_few_files_are_all_there_in_full():
    few = jobs("asking", "failed", "done", "waiting")

    chosen = listed(few)

    assert list(chosen.jobs) == few
    assert chosen.full == {1, 2}
    assert chosen.rest == ""


def test_of_many_the_rest_is_counted_and_none_is_lost():
    many = jobs(*["failed"] * 30, *["asking"] * 25, "running", *["waiting"] * 100)

    chosen = listed(many)

    assert len(chosen.jobs) == MOST_LISTED
    assert [one.state for one in chosen.jobs] == ["running"] + ["asking"] * 25 + ["failed"] * 14
    assert chosen.full == set(range(55, 55 - IN_FULL, -1))
    assert "116 more: 100 waiting, 16 not taken in." in chosen.rest


def test_those_whose_turn_is_next_are_listed_of_those_that_wait():
    chosen = listed(jobs("done", *["waiting"] * 100))

    assert [one.id for one in chosen.jobs] == [*range(MOST_LISTED, 0, -1)]


def test_the_one_its_owner_opens_comes_first_and_in_full():
    many = jobs(*["failed"] * 100)

    chosen = listed(many, "3")

    assert [one.id for one in chosen.jobs[:3]] == [3, 100, 99]
    assert chosen.full == {3, 100, 99, 98, 97, 96}
    assert len(chosen.jobs) == MOST_LISTED
    assert listed(many, "no number") == listed(many)


def test_an_entry_in_short_leads_to_itself_in_full(shown):
    page = shown(listed(jobs(*["failed"] * 50, *["asking"] * 10)))

    short = page[8]
    assert "Which way?" in text_of(short)
    assert "/imports?job=52" in str(short)
    assert "Say what its columns are" not in text_of(short)
    assert "Say what its columns are" in text_of(page[0])
    assert "20 more: 20 not taken in" in text_of(page[-1])


def test_the_next_one_comes_in_full_once_one_is_answered(shown):
    before = jobs(*["asking"] * 8)
    after = [job(8, "waiting"), *before[1:]]

    patch = shown(listed(after), listed(before).signs(())).to_plotly_json()["operations"]

    assert [step["location"] for step in patch] == [[0], [6]]
    assert "Waiting" in text_of(patch[0]["params"]["value"])
    assert "Say what its columns are" in text_of(patch[1]["params"]["value"])


def test_what_was_not_taken_in_can_be_cleared_all_at_once(shown):
    rest = shown(listed(jobs(*["failed"] * 50, "asking")))[-1]

    assert "Clear all 50 that were not taken in" in text_of(rest)
    assert "Clear all" not in text_of(shown(listed(jobs(*["asking"] * 50)))[-1])


def test_clearing_all_leaves_those_that_ask_or_wait(store):
    add_pack(store, name="House", rated_ah=100, cells_in_series=4)
    app = create_app(store)
    for end in (tasks.fail_task, tasks.ask_owner, tasks.fail_task):
        task = tasks.add_task(store, "import", {"pack_id": 1, "file_name": "a.csv", "folder": "none"})
        tasks.claim_task(store, "import", "me")
        end(store, task.id, "me", {})

    press_aside(app, "failed")

    assert [task.state for task in tasks.list_tasks(store)] == ["asking"]


def press_aside(app, which):
    """Press the button that clears, as the browser does."""
    button = {"job": which, "type": "job-aside"}
    name = next(name for name, rule in app.callback_map.items() if "job-aside" in str(rule["inputs"]))
    response = app.server.test_client().post(
        "/_dash-update-component",
        json={
            "output": name,
            "outputs": {"id": "import-tick", "property": "n_intervals"},
            "inputs": [[{"id": button, "property": "n_clicks", "value": 1}]],
            "changedPropIds": [json.dumps(button, separators=(",", ":")) + ".n_clicks"],
        },
    )
    assert response.status_code == 200, response.text


def test_what_a_first_look_builds_does_not_grow_with_the_list(shown):
    def parts_of(number):
        return str(shown(listed(jobs(*["asking"] * number)))).count("Div(")

    assert parts_of(400) == parts_of(MOST_LISTED + 1)
    assert parts_of(MOST_LISTED) > parts_of(IN_FULL)
