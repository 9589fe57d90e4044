"""The server answers this machine's own pages alone."""

from __future__ import annotations

import socket
import stat

import pytest

from logbook.dashboard import create_app
from logbook.dashboard.figures.style import GRAPH_CONFIG
from logbook.dashboard.safety import KEY_COOKIE, host_name
from logbook.dashboard.server import listen, own_names
from logbook.dashboard.throttle import MOST_WRONG
from logbook.dashboard.wellformed import KINDS, fits, is_kind_of
from logbook.errors import BadConfiguration, Unavailable


@pytest.fixture
def client(full_app):
    return full_app.server.test_client()


def test_health_endpoint_answers(client):
    assert client.get("/healthz").status_code == 200


@pytest.mark.parametrize(
    ("host", "status"),
    [
        ("localhost", 200),
        ("127.0.0.1:8050", 200),
        ("[::1]:8050", 200),
        ("evil.example", 421),
        ("127.0.0.1.evil.example", 421),
    ],
)
def test_only_names_of_this_machine_are_answered(client, host, status):
    """Against DNS rebinding: a name that a stranger's site points at loopback is refused."""
    assert client.get("/", headers={"Host": host}).status_code == status


@pytest.mark.parametrize(
    ("headers", "status"),
    [
        ({}, 200),
        ({"Origin": "http://localhost"}, 200),
        ({"Origin": "http://evil.example"}, 403),
        ({"Origin": "null"}, 403),
        ({"Origin": "http://["}, 403),
        ({"Sec-Fetch-Site": "cross-site"}, 403),
        ({"Sec-Fetch-Site": "same-origin"}, 200),
    ],
)
def test_writing_is_for_own_pages(client, headers, status):
    body = {
        "output": "content.children",
        "outputs": {"id": "content", "property": "children"},
        "inputs": [
            {"id": "url", "property": "pathname", "value": "/"},
            {"id": "url", "property": "search", "value": ""},
            {"id": "changed", "property": "data", "value": None},
        ],
    }

    assert client.post("/_dash-update-component", json=body, headers=headers).status_code == status


def test_content_policy_forbids_evaluation_and_other_servers(client):
    policy = client.get("/").headers["Content-Security-Policy"]

    assert "unsafe-eval" not in policy
    assert "http" not in policy
    assert "default-src 'none'" in policy
    script = next(part for part in policy.split("; ") if part.startswith("script-src"))
    assert "unsafe-inline" not in script
    assert "sha256-" in script


def test_no_other_site_may_draw_in_what_is_served(client):
    for path in ("/", "/api/v1/packs/1/capacity.csv", "/assets/logbook.css"):
        assert client.get(path).headers["Cross-Origin-Resource-Policy"] == "same-origin"


def test_no_chart_can_be_sent_away():
    assert GRAPH_CONFIG["showSendToCloud"] is False
    assert GRAPH_CONFIG["plotlyServerURL"] == ""


def test_host_names_lose_their_port():
    assert host_name("LocalHost:8050") == "localhost"
    assert host_name("[::1]:8050") == "[::1]"
    assert host_name("127.0.0.1") == "127.0.0.1"


@pytest.fixture
def keyed(full_answers):
    return create_app(full_answers, hosts=("192.0.2.7",), key="s3cret").server.test_client()


def test_beyond_loopback_nothing_is_shown_without_the_key(keyed):
    """Layout and callbacks answer by themselves in Dash, so the wall stands before every route."""
    at = {"Host": "192.0.2.7:8050"}
    for path in (
        "/",
        "/_dash-layout",
        "/_dash-dependencies",
        "/api/v1/packs/1/cold.csv",
        "/assets/logbook.js",
        "/?key=wrong",
    ):
        assert keyed.get(path, headers=at).status_code == 401, path
    assert keyed.post("/_dash-update-component", json={}, headers=at).status_code == 401
    assert keyed.get("/healthz", headers=at).status_code == 200


def test_the_key_is_brought_once_and_kept_in_a_cookie_no_script_can_read(keyed):
    response = keyed.get("/?key=s3cret", base_url="http://192.0.2.7:8050")

    cookie = response.headers["Set-Cookie"]
    assert "HttpOnly" in cookie
    assert "SameSite=Strict" in cookie
    assert keyed.get("/_dash-layout", base_url="http://192.0.2.7:8050").status_code == 200


@pytest.mark.parametrize("host", ["203.0.113.77", "no.such.host.invalid"])
def test_an_address_of_another_machine_is_refused(full_app, host):
    """203.0.113.0/24 is for documentation (RFC 5737), `.invalid` never resolves (RFC 6761)."""
    with pytest.raises(BadConfiguration, match="not an address of this machine"):
        listen(full_app.server, host, 0)


def test_names_of_this_machine_include_the_one_asked_for():
    assert own_names("192.0.2.7")[0] == "192.0.2.7"
    assert own_names("fd00::7")[0] == "[fd00::7]"
    assert socket.gethostname().lower() in own_names("0.0.0.0")


def test_a_taken_port_is_told_with_another_one(full_app):
    held = listen(full_app.server, "127.0.0.1", 0)
    try:
        with pytest.raises(Unavailable, match=f"--port {int(held.effective_port) + 1}"):
            listen(full_app.server, "127.0.0.1", int(held.effective_port))
    finally:
        held.close()


TRACES = ("Traceback", "site-packages", "/work", ".py")
CALLBACK = "/_dash-update-component"


@pytest.mark.parametrize(
    ("method", "path", "body", "status"),
    [
        ("DELETE", "/", b"", 405),
        ("POST", "/pack/1", b"x", 405),
        ("PATCH", "/api/v1/uploads", b"", 405),
        ("GET", "/nowhere", b"", 404),
        ("GET", "/pack/77", b"", 404),
        ("GET", "/pack/999999999999999999999999", b"", 404),
        ("GET", "/pack/1/../../etc/passwd", b"", 404),
        ("GET", "/%00", b"", 404),
        ("GET", "/%ff%fe", b"", 404),
        ("GET", "/assets/..%2f..%2fapp.py", b"", 404),
        ("GET", "/_dash-component-suites/dash/../../../etc/passwd", b"", 404),
        ("GET", "/_dash-component-suites/nope/x.js", b"", 404),
        ("GET", "/api/nowhere", b"", 404),
        ("GET", "/api/v1/packs/-1/cold.csv", b"", 404),
        ("GET", "/api/v1/packs/99999999999999999999/cold.csv", b"", 404),
        ("GET", "/api/v1/packs/1/secrets.csv", b"", 404),
        ("GET", "/api/v1/jobs/abc", b"", 404),
        ("GET", "/api/v1/jobs/%00", b"", 404),
        ("GET", "/api/v1/uploads/..", b"", 404),
        ("POST", CALLBACK, b"{", 400),
        ("POST", CALLBACK, b"", 400),
        ("POST", CALLBACK, b"[]", 400),
        ("POST", CALLBACK, b"null", 400),
        ("POST", CALLBACK, b"{}", 400),
        ("POST", CALLBACK, b'{"output": "no.such", "outputs": {"id": "no", "property": "such"}, "inputs": []}', 400),
        ("POST", CALLBACK, b"[" * 200_000, 400),
        ("POST", CALLBACK, b"\xff\xfe", 400),
    ],
)
def test_what_cannot_be_is_refused_without_a_trace(client, method, path, body, status):
    response = client.open(path, method=method, data=body, content_type="application/json")

    assert response.status_code == status
    assert not [trace for trace in TRACES if trace in response.text]
    assert response.headers["Content-Security-Policy"]


@pytest.mark.parametrize(
    ("place", "value"), [(0, {"a": 1}), (0, 5), (1, [1]), (2, "x"), (2, float("nan")), (2, 10**30), (2, {})]
)
def test_a_page_of_nonsense_values_is_refused_before_it_is_used(client, place, value, caplog):
    inputs = [
        {"id": "url", "property": "pathname", "value": "/"},
        {"id": "url", "property": "search", "value": ""},
        {"id": "changed", "property": "data", "value": None},
    ]
    body = {"output": "content.children", "outputs": {"id": "content", "property": "children"}, "inputs": inputs}
    honest = client.post(CALLBACK, json=body)
    inputs[place]["value"] = value

    refused = client.post(CALLBACK, json=body)

    assert honest.status_code == 200
    assert (refused.status_code, refused.get_json()) == (400, {"error": "This request is malformed."})
    assert "Traceback" not in caplog.text


def limits(*names, of="value", value=1):
    made = [{"type": "details-limit", "name": name} for name in names]
    return [{"id": each, "property": of, "value": each if of == "id" else value} for each in made]


@pytest.mark.parametrize(
    ("values", "ids"),
    [
        (limits("max_c"), limits(of="id")),
        (limits("max_c"), limits("min_c", of="id")),
        (limits("max_c"), limits("max_c", of="id")[0]),
        (limits("max_c")[0], limits("max_c", of="id")),
        (limits("max_c"), [{**limits("max_c", of="id")[0], "value": {"type": "details-limit", "name": "min_c"}}]),
        (limits("max_c"), [{**limits("max_c", of="id")[0], "id": {"type": "flag-seen", "name": "max_c"}}]),
        (limits("max_c"), [{**limits("max_c", of="id")[0], "id": "details-pack"}]),
    ],
)
def test_parts_that_share_their_kind_come_as_lists_of_the_same_ones(values, ids):
    pattern = '{"name":["ALL"],"type":"details-limit"}'
    rule = {
        "inputs": [{"id": "details-save", "property": "n_clicks"}],
        "state": [{"id": pattern, "property": "value"}, {"id": pattern, "property": "id"}],
    }
    press = [{"id": "details-save", "property": "n_clicks", "value": 1}]
    honest = {"output": "x", "inputs": press, "state": [limits("max_c", "min_c"), limits("max_c", "min_c", of="id")]}

    assert is_kind_of({"x": rule}, honest)
    assert not is_kind_of({"x": rule}, {**honest, "state": [values, ids]})
    assert not is_kind_of({"x": rule}, {**honest, "state": honest["state"][:1]})
    assert not is_kind_of({"x": rule}, {**honest, "output": "y"})
    assert not is_kind_of({"x": rule}, {**honest, "inputs": [{**press[0], "id": "note-save"}]})


@pytest.mark.parametrize(
    "value",
    [
        None,
        "x",
        1,
        [],
        {},
        {"start": 1},
        {"start": 1, "end": None, "first": 0, "last": 5},
        {"start": 1, "end": 2, "x": 1},
    ],
)
def test_a_window_that_is_none_is_refused(client, value):
    entry = {"id": "readings-view", "property": "data", "value": value}

    assert not fits(entry)
    assert fits({**entry, "value": {"start": 1, "end": 2, "first": 0, "last": 5}})


@pytest.mark.parametrize(
    ("name", "kind", "value", "other"),
    [
        ("note-text", "value", 5, "cables changed"),
        ("note-when", "value", 5, None),
        ("swap-when", "value", 5, "2026-02-07T06:03"),
        ("details-ah", "value", [], 100),
        ({"type": "details-limit", "name": "max_c"}, "id", "max_c", {"type": "details-limit", "name": "max_c"}),
        ("import-seen", "data", [["1"]], [["1", "done"]]),
        ("note-save", "n_clicks", "1", 1),
        ("readings-graph", "relayoutData", "x", {"autosize": True}),
        ("no-such", "data", 1, None),
    ],
)
def test_a_part_of_a_page_holds_what_it_can_hold(name, kind, value, other):
    assert not fits({"id": name, "property": kind, "value": value})
    assert fits({"id": name, "property": kind, "value": other}) == (name != "no-such")


@pytest.mark.parametrize("pressed", [None, "x", [5], [None], [True], {}])
def test_what_was_pressed_has_a_name(client, pressed):
    inputs = [
        {"id": "url", "property": "pathname", "value": "/"},
        {"id": "url", "property": "search", "value": ""},
        {"id": "changed", "property": "data", "value": None},
    ]
    body = {"output": "content.children", "outputs": {"id": "content", "property": "children"}, "inputs": inputs}

    assert client.post(CALLBACK, json={**body, "changedPropIds": pressed}).status_code == 400
    assert client.post(CALLBACK, json={**body, "changedPropIds": ["url.pathname"]}).status_code == 200


def test_every_property_that_pages_send_has_its_kind(client):
    sent = [
        entry
        for callback in client.get("/_dash-dependencies").get_json()
        if not callback.get("clientside_function")
        for entry in (*callback["inputs"], *callback["state"])
    ]

    assert len(sent) > 50
    assert {entry["id"] if entry["property"] == "data" else entry["property"] for entry in sent} <= KINDS.keys()


def test_who_tries_many_keys_has_to_wait_and_the_owner_has_not(full_answers):
    client = create_app(full_answers, hosts=["van.local"], key="open-sesame").server.test_client()
    wrong = [client.get("/?key=guess", environ_base={"REMOTE_ADDR": "192.0.2.7"}) for _ in range(8)]

    assert [answer.status_code for answer in wrong] == [401] * 5 + [429] * 3
    assert wrong[-1].headers["Retry-After"] == "60"
    guessed = client.get("/?key=open-sesame", environ_base={"REMOTE_ADDR": "192.0.2.7"})
    assert guessed.status_code == 429
    assert client.get("/?key=open-sesame", environ_base={"REMOTE_ADDR": "192.0.2.8"}).status_code == 200
    assert client.get("/").status_code == 200  # its cookie opens it from now on


@pytest.mark.parametrize("way", ["address", "cookie"])
def test_every_way_to_bring_a_key_is_counted(full_answers, way):
    client = create_app(full_answers, hosts=["van.local"], key="open-sesame").server.test_client(use_cookies=False)

    def bring(key):
        headers = {"Cookie": f"{KEY_COOKIE}={key}"} if way == "cookie" else {}
        path = "/" if way == "cookie" else f"/?key={key}"
        return client.get(path, headers=headers, environ_base={"REMOTE_ADDR": "192.0.2.7"}).status_code

    assert [bring(f"guess-{number}") for number in range(7)] == [401] * 5 + [429] * 2
    assert bring("open-sesame") == 429
    assert client.get("/", environ_base={"REMOTE_ADDR": "192.0.2.7"}).status_code == 401


def test_wrong_keys_are_counted_on_after_a_restart_and_the_owners_old_pages_are_not(store, pack):
    """The key of a run is another one each time; a page left open brings that of the last run."""
    stranger, owner = ({"REMOTE_ADDR": address} for address in ("192.0.2.7", "192.0.2.8"))
    first = create_app(store, hosts=["van.local"], key="first").server.test_client()
    for number in range(MOST_WRONG):
        first.get(f"/?key={number}", environ_base=stranger)

    second = create_app(store, hosts=["van.local"], key="second").server.test_client(use_cookies=False)

    assert second.get("/?key=second", environ_base=stranger).status_code == 429
    old = [second.get("/", headers={"Cookie": f"{KEY_COOKIE}=first"}, environ_base=owner) for _ in range(20)]
    assert {answer.status_code for answer in old} == {401}
    assert f"{KEY_COOKIE}=;" in old[0].headers["Set-Cookie"]
    assert second.get("/?key=second", environ_base=owner).status_code == 200
    kept = store.path.with_name(f"{store.path.name}-wrong-keys.json")
    assert stat.S_IMODE(kept.stat().st_mode) == 0o600
    assert "second" not in kept.read_text()
