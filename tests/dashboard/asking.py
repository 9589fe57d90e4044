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
