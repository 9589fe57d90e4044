"""Shell: what stays while pages change: the document, name, ways in, foot, and the accent of controls."""

from __future__ import annotations

from html import escape
from typing import TYPE_CHECKING

import dash_mantine_components as dmc
from dash import dcc, html

from logbook.dashboard import parts

if TYPE_CHECKING:
    from dash.development.base_component import Component

INDEX = """<!DOCTYPE html>
<html lang="en">
<head>
{%metas%}
<title>{%title%}</title>
<link rel="icon" type="image/svg+xml" href="/assets/favicon.svg">
<link rel="preload" as="font" type="font/woff2" href="/assets/source-serif-4-latin-wght-normal.woff2" crossorigin>
<link rel="preload" as="font" type="font/woff2" href="/assets/source-sans-3-latin-wght-normal.woff2" crossorigin>
{%css%}
<script src="/assets/theme.js"></script>
</head>
<body>
<noscript>This page needs JavaScript from this machine; nothing is loaded from elsewhere.</noscript>
<p class="fonts-now" aria-hidden="true">a<b>a</b></p>
{%app_entry%}
{%config%}
{%scripts%}
{%renderer%}
</body>
</html>"""
"""theme.js comes first, so that the first thing drawn is already light or dark.

The preloaded typefaces are used at once by two letters nobody sees: on a slow machine the first words come so late
that the browser would call them preloaded for nothing.
"""

INK = (
    "#e4eeea",
    "#c9dfd9",
    "#a8d2c9",
    "#86c7bd",
    "#67b3a9",
    "#459b92",
    "#2d8079",
    "#1f6b68",
    "#17605f",
    "#14595a",
)
"""The accent from pale to full; the style sheet uses its fourth in the dark and its last on paper."""

THEME = {
    "fontFamily": "'Source Sans 3', system-ui, sans-serif",
    "headings": {"fontFamily": "'Source Serif 4', Georgia, serif", "fontWeight": "550"},
    "colors": {"ink": list(INK)},
    "primaryColor": "ink",
    "primaryShade": {"light": 9, "dark": 3},
    "autoContrast": True,
    "defaultRadius": "sm",
}


def shell() -> Component:
    """What stays while pages change: name, ways in, foot."""
    whole: Component = dmc.MantineProvider(
        [
            dcc.Location(id="url", refresh="callback-nav"),
            dcc.Store(id="changed"),
            html.A("To the content", href="#content", className="skip"),
            html.Header(
                [
                    dcc.Link(
                        [html.Span(className="logo", **parts.HIDDEN), html.Span("logbook", className="wordmark-name")],
                        href="/",
                        className="wordmark",
                    ),
                    html.Nav(
                        [
                            dcc.Link("Packs", href="/"),
                            dcc.Link("Bring in", href="/imports", title="Bring in readings"),
                            dcc.Link("Settings", href="/settings"),
                        ],
                        className="top-links",
                        **parts.named("Logbook"),
                    ),
                    html.Button("Dark", id="theme-switch", className="plain-button", n_clicks=0),
                ],
                className="top",
            ),
            html.Main(loading(), id="content", tabIndex="-1"),
            html.Footer("Everything stays on this machine.", className="foot"),
            html.Div(id="told", role="status", className="sr-only"),
            html.Div(id="trouble", role="alert", className="trouble"),
            html.Div(id="done", role="status", className="trouble"),
        ],
        theme=THEME,
    )
    return whole


def plain_page(status: int, title: str, words: str) -> tuple[str, int]:
    """A page that needs nothing: for what is refused before the dashboard comes in."""
    body = f"<h1>{escape(title)}</h1><p>{escape(words)}</p><p><a href='/'>To the packs</a></p>"
    return f"{PLAIN_HEAD}<title>{escape(title)} · logbook</title>{PLAIN_LOOKS}<main>{body}</main></html>", status


PLAIN_HEAD = (
    '<!DOCTYPE html><html lang="en"><meta charset="utf-8">'
    '<meta name="viewport" content="width=device-width, initial-scale=1">'
)
PLAIN_LOOKS = (
    "<style>:root{color-scheme:light dark}main{font:1.0625rem/1.55 system-ui,sans-serif;max-width:60ch;"
    "margin:12vh auto;padding:0 16px}h1{font-weight:550}</style>"
)


def loading() -> Component:
    """What stands in place while the first answer is made."""
    return html.Div(
        [
            html.Div(className="ghost ghost-head"),
            html.Div(className="ghost ghost-line"),
            html.Div(className="ghost ghost-chart"),
        ],
        **parts.named("Reading the log", role="status"),
    )
