"""Server: waitress on loopback, and a browser opened once it listens."""

from __future__ import annotations

import contextlib
import threading
import webbrowser
from typing import TYPE_CHECKING, Any

from logbook.dashboard.intake import LONGEST_UPLOAD_BYTES
from logbook.errors import BadConfiguration, Unavailable

if TYPE_CHECKING:
    from collections.abc import Callable

    from logbook.store import Store

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

    Raises
    ------
    BadConfiguration
        The address is not of this machine alone.
    Unavailable
        The port cannot be had.
    """
    if host not in LOOPBACK_HOSTS:
        raise BadConfiguration(
            f"The dashboard is served to this machine only, not on {host}.", mend="Leave out --host, or give 127.0.0.1."
        )
    from logbook.dashboard.app import create_app

    server = listen(create_app(store).server, host, port)
    url = f"http://{'[::1]' if host == '::1' else host}:{server.effective_port}/"
    ready(url)
    if open_browser:
        threading.Thread(target=webbrowser.open, args=(url,), daemon=True).start()
    with contextlib.suppress(KeyboardInterrupt):
        server.run()
    server.close()


def listen(application: Any, host: str, port: int) -> Any:
    """Take the port; a taken one is told apart from a bug."""
    import waitress

    try:
        return waitress.create_server(
            application, host=host, port=port, threads=6, ident=None, max_request_body_size=LONGEST_UPLOAD_BYTES
        )
    except OSError as error:
        raise Unavailable(
            f"Port {port} cannot be had: {error.strerror or error}.",
            where=host,
            mend=f"Choose another one, for example --port {port + 1}.",
        ) from error
