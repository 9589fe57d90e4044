"""Well-formed: what pages send when something on them changes is of the kind it must be, or refused before it is used."""

from __future__ import annotations

import json
import math
from functools import partial
from typing import TYPE_CHECKING, Any

from flask import abort, request

if TYPE_CHECKING:
    from collections.abc import Callable, Iterator, Mapping

    from dash import Dash

ADDRESS = "/_dash-update-component"
"""Where dash takes what pages send."""
LARGEST = 10**15
"""Milliseconds of 30,000 years."""
ALL = "ALL"
MANY = f'["{ALL}"]'
"""How dash writes a name that stands for all parts of a kind."""
VIEW_KEYS = {"start", "end", "first", "last"}


def is_text(value: Any) -> bool:
    """A text, or nothing yet."""
    return value is None or isinstance(value, str)


def is_whole(value: Any) -> bool:
    """A whole number, or none yet."""
    return value is None or (isinstance(value, int) and abs(value) <= LARGEST)


def is_number(value: Any) -> bool:
    """A number that can be counted with, or none yet."""
    return is_whole(value) or (isinstance(value, float) and math.isfinite(value) and abs(value) <= LARGEST)


def is_plain(value: Any) -> bool:
    """What a field can hold: a text, a number, yes or no, or nothing yet."""
    return is_text(value) or is_number(value)


def is_changes(value: Any) -> bool:
    """What a picture says of a move, by name."""
    return value is None or isinstance(value, dict)


def is_view(value: Any) -> bool:
    """A window of readings."""
    return (
        isinstance(value, dict)
        and set(value) == VIEW_KEYS
        and all(map(is_whole, value.values()))
        and None not in value.values()
    )


def is_seen(value: Any) -> bool:
    """Signs of what is on a page already."""
    return value is None or (
        isinstance(value, list)
        and all(
            isinstance(pair, list) and len(pair) == 2 and all(isinstance(part, str) for part in pair) for pair in value
        )
    )


def is_shared_id(value: Any) -> bool:
    """Name of a part of a page that shares its kind with others."""
    return isinstance(value, dict) and all(map(is_plain, value.values()))


def is_id(value: Any) -> bool:
    """Name of a part of a page."""
    return isinstance(value, str) or is_shared_id(value)


KINDS: dict[str, Callable[[Any], bool]] = {
    "pathname": is_text,
    "search": is_text,
    "value": is_plain,
    "checked": is_plain,
    "n_clicks": is_whole,
    "n_intervals": is_whole,
    "relayoutData": is_changes,
    "id": is_shared_id,
    "changed": is_number,
    "readings-reached": is_whole,
    "readings-view": is_view,
    "import-seen": is_seen,
    "import-opened": is_text,
}
"""Property of a part of a page, or for `data` the part's name, to what it may be."""
TEXTS = {"note-text", "note-when", "swap-when"}
"""Fields that hold nothing but text."""


def require_wellformed(app: Dash) -> None:
    """Have malformed requests to change a page refused with 400."""
    app.server.before_request(partial(refuse_malformed, app.callback_map))


def refuse_malformed(rules: Mapping[str, Any]) -> None:
    """Refuse a request of pages that holds something it cannot hold, or not what its kind of request holds."""
    if request.path != ADDRESS or request.method != "POST":
        return
    body = request.get_json(silent=True)
    if (
        not isinstance(body, dict)
        or not are_names(body.get("changedPropIds", []))
        or not all(map(fits, entries(body)))
        or not is_kind_of(rules, body)
    ):
        abort(400, "This request is malformed.")


def is_kind_of(rules: Mapping[str, Any], body: dict[str, Any]) -> bool:
    """Whether a request, whose entries fit, has the inputs and states of the change it asks for, each in its place."""
    output = body.get("output")
    rule = rules.get(output) if isinstance(output, str) else None
    if rule is None:
        return False
    wired = [*rule["inputs"], *rule["state"]]
    given = [body.get("inputs", []), body.get("state", [])]
    if [type(part) for part in given] != [list, list] or [len(part) for part in given] != [
        len(rule[name]) for name in ("inputs", "state")
    ]:
        return False
    found = [*given[0], *given[1]]
    return all(map(stands_for, wired, found)) and agree(wired, found)


def stands_for(wired: dict[str, Any], found: Any) -> bool:
    """Whether what was sent is the part of the page that was asked for, or the list of all of its kind."""
    if MANY not in wired["id"]:
        return isinstance(found, dict) and (found["id"], found["property"]) == (wired["id"], wired["property"])
    pattern = json.loads(wired["id"])
    return isinstance(found, list) and all(
        each["property"] == wired["property"]
        and isinstance(each["id"], dict)
        and each["id"].keys() == pattern.keys()
        and all(wanted == [ALL] or wanted == each["id"][name] for name, wanted in pattern.items())
        for each in found
    )


def agree(wired: list[dict[str, Any]], found: list[Any]) -> bool:
    """Whether lists of one kind are of the same parts in the same order, and what a part calls itself is its name."""
    named: dict[str, list[Any]] = {}
    for rule, entry in zip(wired, found, strict=True):
        if isinstance(entry, list):
            names = [each["id"] for each in entry]
            if named.setdefault(rule["id"], names) != names:
                return False
            if rule["property"] == "id" and [each.get("value") for each in entry] != names:
                return False
    return True


def are_names(value: Any) -> bool:
    """What was pressed or changed."""
    return isinstance(value, list) and all(isinstance(name, str) for name in value)


def entries(body: dict[str, Any]) -> Iterator[Any]:
    """Every input and state of a request; those that share their kind come as a list."""
    for name in ("inputs", "state"):
        given = body.get(name, [])
        for entry in given if isinstance(given, list) else [given]:
            yield from entry if isinstance(entry, list) else [entry]


def fits(entry: Any) -> bool:
    """Whether one input is of the kind it must be."""
    if not isinstance(entry, dict) or not is_id(entry.get("id")):
        return False
    name = entry.get("property")
    kind = is_text if str(entry["id"]) in TEXTS else KINDS.get(str(entry["id"] if name == "data" else name))
    return kind is not None and kind(entry.get("value"))
