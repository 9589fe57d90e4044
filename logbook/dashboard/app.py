"""App: the factory that puts shell, pages and safety together."""

from __future__ import annotations

import logging
import secrets
from functools import partial
from http import HTTPStatus
from typing import TYPE_CHECKING, Any

from dash import Dash, Input, Output, dcc, html, no_update, set_props
from flask import request

from logbook.dashboard import parts
from logbook.dashboard.answers import as_answers
from logbook.dashboard.api import add_api
from logbook.dashboard.intake import INTAKE, Intake
from logbook.dashboard.page import in_browser, visit_of
from logbook.dashboard.pages import imports, notes
from logbook.dashboard.plain import error_words
from logbook.dashboard.safety import guard
from logbook.dashboard.shell import INDEX, shell
from logbook.dashboard.wellformed import require_wellformed
from logbook.dashboard.wording import Answer
from logbook.errors import LogbookError, UnknownName

if TYPE_CHECKING:
    from collections.abc import Collection, Sequence

    from dash.development.base_component import Component
    from flask import Response

    from logbook.dashboard.answers import Answers
    from logbook.dashboard.page import Page, Visit
    from logbook.store import Store

log = logging.getLogger(__name__)


def create_app(source: Store | Answers, *, hosts: Collection[str] = (), key: str | None = None) -> Dash:
    """Make the dashboard of one logbook.

    Parameters
    ----------
    source
        An open store, or `Answers` of one's own.
    hosts
        Names besides loopback under which the server may be addressed.
    key
        What a reader must bring before anything is shown; None on loopback.
    """
    from logbook.dashboard import PAGES

    answers = as_answers(source)
    quiet: dict[str, Any] = {"update_title": None}
    app = Dash(
        __name__,
        title="logbook",
        index_string=INDEX,
        assets_ignore=r"theme\.js|plotly-cartesian.*\.js",
        compress=True,
        serve_locally=True,
        suppress_callback_exceptions=True,
        health_endpoint="healthz",
        enable_mcp=False,
        meta_tags=[{"name": "viewport", "content": "width=device-width, initial-scale=1"}],
        on_error=tell,
        **quiet,
    )
    app.layout = shell()
    route(app, answers, PAGES)
    for page in PAGES:
        page.register(app, answers)
    notes.register(app, answers)
    intake = Intake(answers)
    app.server.extensions[INTAKE] = intake
    imports.register(app, answers, intake)
    add_api(app, answers, intake)
    app.server.after_request(partial(with_status, PAGES, answers))
    guard(app, hosts, key, answers.wrong_keys)
    require_wellformed(app)
    return app


def with_status(pages: Sequence[Page], answers: Answers, response: Response) -> Response:
    """Call an address that leads nowhere by its name, 404, although the page that says so is made in the browser."""
    if response.status_code == HTTPStatus.OK and request.endpoint == SHELL_ENDPOINT:
        found = next((found for page in pages if (found := page.match(request.path)) is not None), None)
        if found is None or ("pack" in found and answers.pack(int(found["pack"])) is None):
            response.status_code = HTTPStatus.NOT_FOUND
    return response


SHELL_ENDPOINT = "/<path:path>"
"""Under which dash serves what stays while pages change, for any address."""


def route(app: Dash, answers: Answers, pages: Sequence[Page]) -> None:
    """Show the page of the address, then let the browser set title and focus."""

    @app.callback(
        Output("content", "children"),
        Input("url", "pathname"),
        Input("url", "search"),
        Input("changed", "data"),
    )
    def show(pathname: str | None, search: str | None, _changed: float | None) -> Component:
        return render(pages, answers, pathname or "/", search or "")

    in_browser(
        app,
        "arrived",
        Output("told", "children"),
        Input("content", "children"),
        prevent_initial_call=True,
    )
    in_browser(
        app,
        "switchTheme",
        Output("theme-switch", "children"),
        Input("theme-switch", "n_clicks"),
    )


def render(pages: Sequence[Page], answers: Answers, pathname: str, search: str) -> Component:
    """Layout of an address; a page that fails says so without giving away where files lie."""
    for page in pages:
        variables = page.match(pathname)
        if variables is None:
            continue
        try:
            visit = visit_of(answers, variables, search)
            return titled(title_words(page, visit), with_note(page.layout(visit), visit))
        except UnknownName as error:
            return missing(error_words(error.what))
        except Exception as error:  # noqa: BLE001 - whatever it is, the owner gets a page
            return failed(words_of(error, pathname))
    return missing("There is no page at this address.")


def with_note(content: Any, visit: Visit) -> Component:
    """A page with a place for notes; a pack's own pages have theirs."""
    if "pack" not in visit.variables:
        content.children = [*content.children, notes.note_anywhere(visit)]
    whole: Component = content
    return whole


def tell(error: Exception) -> Any:
    """Tell the owner that what they asked for failed; the log of the server has the rest."""
    set_props("trouble", {"children": words_of(error, "a callback")})
    return no_update


def words_of(error: Exception, where: str) -> str:
    """What may be shown of an error: ours in its own words, anything else as a number to look up."""
    if isinstance(error, LogbookError):
        log.warning("%s: %s", where, error)
        return error_words(error.what, error.mend)
    number = secrets.token_hex(3)
    log.error("%s failed (%s)", where, number, exc_info=error)
    return f"Something went wrong here. It is in the log of the server as {number}."


def title_words(page: Page, visit: Visit) -> str:
    """What the browser calls a page: of which pack it is, and its question."""
    if "pack" not in visit.variables:
        return page.title
    return f"{visit.pack.name}: {page.title}"


def titled(title: str, content: Component) -> Component:
    """Give a page the title the browser shows."""
    return html.Div(content, className="page", **title_of(title))


def title_of(title: str) -> dict[str, Any]:
    """Attribute the browser takes the title from."""
    return {"data-title": title}


def missing(words: str) -> Component:
    """Page for an address that leads nowhere."""
    block = parts.answer_block(Answer("open", "Not found", words), html.P(dcc.Link("To the packs", href="/")))
    return titled("Not found", html.Div([html.H1("Not here"), block], className="sheet"))


def failed(words: str) -> Component:
    """Page for a page that could not be made."""
    block = parts.answer_block(
        Answer("act", "Not done", words, "Nothing in the logbook was changed."), html.P(html.A("Try again", href=""))
    )
    return titled("Error", html.Div([html.H1("This page could not be made"), block], className="sheet"))
