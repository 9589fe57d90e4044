"""Page: one address of the dashboard; its layout is asked anew at each visit."""

from __future__ import annotations

import re
from dataclasses import dataclass
from typing import TYPE_CHECKING, Any
from urllib.parse import parse_qs

from dash import ClientsideFunction
from flask import has_request_context, request

from logbook.dashboard.view import View, view_from
from logbook.errors import UnknownName

if TYPE_CHECKING:
    from collections.abc import Callable, Mapping

    from dash import Dash
    from dash.development.base_component import Component

    from logbook.dashboard.answers import Answers
    from logbook.schema.health import Health
    from logbook.schema.pack import Pack


@dataclass(frozen=True)
class Visit:
    """One visit: who is asked, what the address said, and how the reader wants things written."""

    answers: Answers
    variables: Mapping[str, str]
    query: Mapping[str, str]
    view: View

    @property
    def pack(self) -> Pack:
        """The pack the address names; UnknownName where there is none."""
        return pack_numbered(self.answers, self.variables.get("pack", ""))

    @property
    def health(self) -> Health:
        """The answer for the pack the address names."""
        return self.answers.health(self.pack)


@dataclass(frozen=True)
class Page:
    """Where a page lives, what it is called and how it is made."""

    name: str
    path: str
    """For example /pack/<pack>/cold; a variable is one or more digits."""
    title: str
    layout: Callable[[Visit], Component]
    register: Callable[[Dash, Answers], None] = lambda _app, _answers: None
    question: str = ""
    """Words of its link in a pack's contents; empty where it has none."""

    def match(self, pathname: str) -> dict[str, str] | None:
        """Variables of the address if it is this page's."""
        pattern = re.sub(r"<(\w+)>", r"(?P<\1>[0-9]{1,12})", self.path)
        found = re.fullmatch(pattern, pathname.rstrip("/") or "/", re.ASCII)
        return found.groupdict() if found else None

    def address(self, pack_id: int) -> str:
        """Its address for one pack."""
        return self.path.replace("<pack>", str(pack_id))


def pack_numbered(answers: Answers, text: Any) -> Pack:
    """The pack of a number that came from outside; UnknownName where there is none."""
    digits = str(text)
    found = answers.pack(int(digits)) if digits.isascii() and digits.isdecimal() and len(digits) <= 12 else None
    if found is None:
        raise UnknownName("There is no such pack in this logbook.", mend="Go to the list of packs.")
    return found


def in_browser(app: Any, function: str, *wiring: Any, **options: Any) -> None:
    """Wire a function of assets/logbook.js."""
    app.clientside_callback(ClientsideFunction("logbook", function), *wiring, **options)


def visit_of(answers: Answers, variables: Mapping[str, str], search: str) -> Visit:
    """Put a visit together; the zone is the reader's choice, else the pack's own."""
    query = {name: values[-1] for name, values in parse_qs(search.lstrip("?")).items()}
    zone = pack_numbered(answers, variables["pack"]).time_zone if "pack" in variables else first_zone(answers)
    return Visit(answers, variables, query, reader_view(zone))


def reader_view(default_zone: str) -> View:
    """How the reader of this request wants things written."""
    return view_from(request.cookies if has_request_context() else {}, default_zone)


def first_zone(answers: Answers) -> str:
    """Zone of the first pack, for pages that are about no one pack."""
    return next((pack.time_zone for pack in answers.packs()), "UTC")
