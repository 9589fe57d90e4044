"""Server: waitress on loopback, and a browser opened once it listens."""

from __future__ import annotations

import contextlib
import errno
import secrets
import socket
import threading
import webbrowser
from typing import TYPE_CHECKING, Any

from logbook.dashboard.intake import INTAKE
from logbook.dashboard.uploads import PIECE_BYTES
from logbook.errors import BadConfiguration, LogbookError, Unavailable

if TYPE_CHECKING:
    from collections.abc import Callable

    from logbook.store import Store

EVERYWHERE = frozenset({"0.0.0.0", "::"})  # noqa: S104 - compared with, not bound to
LONGEST_REQUEST_BYTES = PIECE_BYTES + (1 << 16)
MOST_READERS = 64
"""Connections at a time; with what each may send, they bound what strangers can make the server hold."""
LOOPBACK_HOSTS = frozenset({"127.0.0.1", "localhost", "::1"})


def serve(
    store: Store,
    host: str = "127.0.0.1",
    port: int = 8050,
    *,
    open_browser: bool = False,
    ready: Callable[[str], None] = lambda _url: None,
) -> None:
    """Serve the dashboard until interrupted; `ready` hears the address once the server listens.

    On an address that others can reach, every reader must bring the key that is part of that address once.

    Raises
    ------
    BadConfiguration
        The address is no address of this machine.
    Unavailable
        The port cannot be had.
    """
    from logbook.dashboard.app import create_app

    key = None if host in LOOPBACK_HOSTS else secrets.token_urlsafe(18)
    names = () if key is None else own_names(host)
    app = create_app(store, hosts=names, key=key)
    server = listen(app.server, host, port)
    shown = next(iter(names), host)
    url = f"http://{bracketed(shown)}:{server.effective_port}/"
    address = url if key is None else f"{url}?key={key}"
    ready(address)
    threading.Thread(target=answers_ahead, args=(store,), daemon=True).start()
    if open_browser:
        threading.Thread(target=webbrowser.open, args=(address,), daemon=True).start()
    try:
        with contextlib.suppress(KeyboardInterrupt):
            server.run()
    finally:
        server.close()
        app.server.extensions[INTAKE].stop()


def answers_ahead(store: Store) -> None:
    """Work out every pack's answers before the first page asks; what fails here is told by the page that needs it."""
    from logbook.jobs.health import health
    from logbook.store import list_packs

    with contextlib.suppress(LogbookError):
        for pack in list_packs(store):
            health(store, pack)


def own_names(host: str) -> tuple[str, ...]:
    """Names under which others reach this machine, the likeliest first."""
    found: dict[str, None] = {}
    if host not in EVERYWHERE:
        found[bracketed(host)] = None
    else:
        with contextlib.suppress(OSError), socket.socket(socket.AF_INET, socket.SOCK_DGRAM) as probe:
            probe.connect(("192.0.2.1", 9))  # sends nothing: only asks which own address would be used (RFC 5737)
            found[probe.getsockname()[0]] = None
    own = socket.gethostname().lower()
    found |= {own: None, f"{own}.local": None}
    return tuple(found)


def bracketed(host: str) -> str:
    """An address as it stands in a URL."""
    return f"[{host}]" if ":" in host and not host.startswith("[") else host


def listen(application: Any, host: str, port: int) -> Any:
    """Take the port; a taken one is told apart from a bug.

    A request is held in memory until it is whole, so none may be much larger than one piece of a file, and never
    goes to a folder for temporary files, which may be small.
    """
    import waitress

    try:
        return waitress.create_server(
            application,
            host=host,
            port=port,
            threads=6,
            ident=None,
            connection_limit=MOST_READERS,
            inbuf_overflow=LONGEST_REQUEST_BYTES,
            max_request_body_size=LONGEST_REQUEST_BYTES,
        )
    except (OSError, ValueError) as error:
        if (
            not isinstance(error, OSError)
            or error.errno in {errno.EADDRNOTAVAIL, None}
            or isinstance(error, socket.gaierror)
        ):
            raise BadConfiguration(
                f"{host} is not an address of this machine.", mend="Leave out --host, or give 127.0.0.1."
            ) from error
        raise Unavailable(
            f"Port {port} cannot be had: {error.strerror or error}.",
            where=host,
            mend=f"Choose another one, for example --port {port + 1}.",
        ) from error
