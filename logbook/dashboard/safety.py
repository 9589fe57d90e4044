"""Safety of the server: who may ask, what a page may load, and what a stranger's site cannot make it do."""

from __future__ import annotations

import secrets
import threading
import time
from typing import TYPE_CHECKING
from urllib.parse import urlsplit

from flask import Response, abort, make_response, request

from logbook.dashboard.shell import plain_page

if TYPE_CHECKING:
    from collections.abc import Callable, Collection

    from dash import Dash

OPEN_PATH = "/healthz"
KEY_COOKIE = "logbook-key"
KEY_AGE_S = 365 * 86_400
MOST_WRONG, WAIT_S, MOST_ADDRESSES = 5, 60, 1000
"""So many wrong keys from one address, and it waits so long; so many addresses are remembered."""
LOOPBACK = frozenset({"127.0.0.1", "localhost", "[::1]", "::1"})
READING = frozenset({"GET", "HEAD", "OPTIONS"})


def guard(app: Dash, hosts: Collection[str], key: str | None) -> None:
    """Put host and origin checks and the headers on a finished app (its inline scripts are hashed here)."""
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
        response.headers.setdefault("Cache-Control", "no-store")
        return response

    throttle = Throttle()
    app.server.before_request(check)
    app.server.after_request(headers)


class Throttle:
    """Counts wrong keys by address, so that nobody can try many."""

    def __init__(self, clock: Callable[[], float] = time.monotonic) -> None:
        self._clock = clock
        self._wrong: dict[str, list[float]] = {}
        self._lock = threading.Lock()

    def full(self, address: str) -> bool:
        """Whether this address has to wait."""
        with self._lock:
            return len(self._recent(address)) >= MOST_WRONG

    def note(self, address: str) -> None:
        """Count a wrong key."""
        with self._lock:
            if len(self._wrong) >= MOST_ADDRESSES:
                self._wrong.pop(next(iter(self._wrong)))
            self._wrong[address] = [*self._recent(address), self._clock()][-MOST_WRONG:]

    def _recent(self, address: str) -> list[float]:
        return [when for when in self._wrong.get(address, ()) if self._clock() - when < WAIT_S]


def stranger(key: str, throttle: Throttle) -> Response | None:
    """Stop a reader without the key; one who brings it in the address gets a cookie and goes on without it."""
    if secrets.compare_digest(request.cookies.get(KEY_COOKIE, "").encode(), key.encode()):
        return None
    given, address = request.args.get("key"), request.remote_addr or ""
    if given is not None and throttle.full(address):
        page = plain_page(429, "Too many wrong keys", "Wait a minute, then open the address that the terminal shows.")
        return make_response(*page, {"Retry-After": str(WAIT_S)})
    if given is None or not secrets.compare_digest(given.encode(), key.encode()):
        if given is not None:
            throttle.note(address)
        words = "Open the address that the terminal shows; it holds the key to this logbook."
        return make_response(plain_page(401, "A key is needed", words))
    # a page that goes on by itself: after a redirect a strict cookie would not be sent
    response = make_response(
        '<!DOCTYPE html><html lang="en"><meta http-equiv="refresh" content="0; url=/"><title>logbook</title>'
    )
    response.set_cookie(KEY_COOKIE, key, max_age=KEY_AGE_S, httponly=True, samesite="Strict")
    return response


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
