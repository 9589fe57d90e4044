"""Safety of the server: who may ask, what a page may load, and what a stranger's site cannot make it do."""

from __future__ import annotations

import secrets
from typing import TYPE_CHECKING
from urllib.parse import urlsplit

from flask import Response, abort, make_response, request

from logbook.dashboard.shell import plain_page
from logbook.dashboard.throttle import Throttle

if TYPE_CHECKING:
    from collections.abc import Collection
    from pathlib import Path

    from dash import Dash

OPEN_PATH = "/healthz"
KEY_COOKIE = "logbook-key"
KEY_AGE_S = 365 * 86_400
LOOPBACK = frozenset({"127.0.0.1", "localhost", "[::1]", "::1"})
READING = frozenset({"GET", "HEAD", "OPTIONS"})


def guard(app: Dash, hosts: Collection[str], key: str | None, wrong_keys: Path | None = None) -> None:
    """Put host and origin checks and the headers on a finished app (its inline scripts are hashed here).

    Wrong keys are remembered in the file `wrong_keys`, where there is one.
    """
    allowed = LOOPBACK | frozenset(hosts)
    policy = content_policy(app.csp_hashes())

    def check() -> Response | None:
        if host_name(request.host) not in allowed:
            abort(421)
        if request.method not in READING and foreign(request.headers.get("Origin"), request.host):
            abort(403)
        if request.method not in READING and request.headers.get("Sec-Fetch-Site", "none") not in {
            "same-origin",
            "none",
        }:
            abort(403)
        return None if key is None or request.path == OPEN_PATH else stranger(key, throttle)

    def headers(response: Response) -> Response:
        response.headers["Content-Security-Policy"] = policy
        response.headers["X-Content-Type-Options"] = "nosniff"
        response.headers["Referrer-Policy"] = "same-origin"
        response.headers["Cross-Origin-Resource-Policy"] = "same-origin"
        response.headers.setdefault("Cache-Control", "no-store")
        return response

    throttle = Throttle(wrong_keys if key else None)
    if key:
        throttle.begin(key)
    app.server.before_request(check)
    app.server.after_request(headers)


def stranger(key: str, throttle: Throttle) -> Response | None:
    """Stop a reader without the key; one who brings it in the address gets a cookie and goes on without it."""
    address = request.remote_addr or ""
    by_cookie, by_address = request.cookies.get(KEY_COOKIE), request.args.get("key")
    given = [each for each in (by_cookie, by_address) if each]
    if given and (wait_s := throttle.wait_s(address)):
        words = f"Wait {minutes(wait_s)}, then open the address that the terminal shows."
        return make_response(*plain_page(429, "Too many wrong keys", words), {"Retry-After": str(wait_s)})
    if not any(is_same(each, key) for each in given):
        for each in given:
            throttle.note(address, each)
        words = "Open the address that the terminal shows; it holds the key to this logbook."
        response = make_response(plain_page(401, "A key is needed", words))
        if by_cookie:  # or a page left open would go on asking with it
            response.delete_cookie(KEY_COOKIE, httponly=True, samesite="Strict")
        return response
    throttle.welcome(address)
    if by_cookie and is_same(by_cookie, key):
        return None
    # a page that goes on by itself: after a redirect a strict cookie would not be sent
    response = make_response(
        '<!DOCTYPE html><html lang="en"><meta http-equiv="refresh" content="0; url=/"><title>logbook</title>'
    )
    response.set_cookie(KEY_COOKIE, key, max_age=KEY_AGE_S, httponly=True, samesite="Strict")
    return response


def is_same(given: str, key: str) -> bool:
    """Compare keys in a time that tells nothing of either."""
    return secrets.compare_digest(given.encode(errors="replace"), key.encode())


def minutes(wait_s: int) -> str:
    """A wait in words, never too short."""
    whole = -(-wait_s // 60)
    return "a minute" if whole == 1 else f"{whole} minutes"


def content_policy(hashes: Collection[str]) -> str:
    """Everything from this server alone, nothing evaluated; plotly needs inline styles and blob images."""
    return "; ".join(
        (
            "default-src 'none'",
            f"script-src 'self' {' '.join(hashes)}",
            "style-src 'self' 'unsafe-inline'",
            "img-src 'self' data: blob:",
            "font-src 'self' data:",
            "connect-src 'self'",
            "form-action 'self'",
            "base-uri 'none'",
            "frame-ancestors 'none'",
            "worker-src 'self' blob:",
            "manifest-src 'self'",
        )
    )


def host_name(host: str) -> str:
    """Host without its port, in small letters."""
    head, colon, port = host.lower().rpartition(":")
    return head if colon and port.isdecimal() and not (head.count(":") and not head.endswith("]")) else host.lower()


def foreign(origin: str | None, host: str) -> bool:
    """Whether a request says it comes from another site; no word at all is a program on this machine."""
    if origin is None:
        return False
    try:
        return urlsplit(origin).netloc.lower() != host.lower()
    except ValueError:  # no address at all
        return True
