"""Asking an app the way a browser does, without one."""

from __future__ import annotations

import json


def asked(app, pathname, search="", cookies=None):
    """The page of an address as JSON, through the same callback as the browser's."""
    client = app.server.test_client()
    for name, value in (cookies or {}).items():
        client.set_cookie(name, value)
    response = client.post(
        "/_dash-update-component",
        json={
            "output": "content.children",
            "outputs": {"id": "content", "property": "children"},
            "inputs": [
                {"id": "url", "property": "pathname", "value": pathname},
                {"id": "url", "property": "search", "value": search},
                {"id": "changed", "property": "data", "value": None},
            ],
            "changedPropIds": ["url.pathname"],
        },
    )
    assert response.status_code == 200, response.text
    return response.get_json()["response"]["content"]["children"]


def text_of(component):
    """All text of a component or its JSON, in reading order."""
    if not isinstance(component, (dict, list, str)):
        component = json.loads(json.dumps(component, default=lambda item: item.to_plotly_json()))
    return " ".join("".join(_words(component)).replace("\u00a0", " ").split())


def _words(node):
    if isinstance(node, str):
        yield node + " "
    elif isinstance(node, list):
        for item in node:
            yield from _words(item)
    elif isinstance(node, dict) and "props" in node:
        yield from _words(node["props"].get("children"))


def pressed(app, button, values, families=None):
    """Press a button as the browser does; gives what was said, by the id of each output, and None where nothing was.

    `values` is id to value; `families` is the type of ids that share one to {the other part of the id: value}.
    """
    name, rule = next(
        item for item in app.callback_map.items() if {"id": button, "property": "n_clicks"} in item[1]["inputs"]
    )
    outputs = [{"id": output.component_id, "property": output.component_property} for output in rule["output"]]
    response = app.server.test_client().post(
        "/_dash-update-component",
        json={
            "output": name,
            "outputs": [
                {**output, "property": whole} for output, whole in zip(outputs, _properties(name), strict=True)
            ],
            "inputs": [{"id": button, "property": "n_clicks", "value": 1}],
            "state": [_state(entry, values, families or {}) for entry in rule["state"]],
            "changedPropIds": [f"{button}.n_clicks"],
        },
    )
    assert response.status_code in {200, 204}, response.text
    said = response.get_json()["response"] if response.status_code == 200 else {}
    return {output["id"]: next(iter(said.get(output["id"], {}).values()), None) for output in outputs}


def _properties(name):
    return [part.rpartition(".")[2] for part in name.strip(".").split("...")]


def _state(entry, values, families):
    if not entry["id"].startswith("{"):
        return {**entry, "value": values[entry["id"]]}
    pattern = json.loads(entry["id"])
    key = next(part for part, value in pattern.items() if value == ["ALL"])
    found = families.get(pattern["type"], {})
    ids = [{key: name, "type": pattern["type"]} for name in found]
    return [
        {"id": one, "property": entry["property"], "value": one if entry["property"] == "id" else found[one[key]]}
        for one in ids
    ]
