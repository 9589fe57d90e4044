"""`logbook serve` and `logbook demo`: the dashboard, of the owner's logbook or of the sample data."""

from __future__ import annotations

import shutil
import socket
import sys
from pathlib import Path
from typing import TYPE_CHECKING

import click

from logbook.cli.output import say
from logbook.cli.progress import progress
from logbook.cli.session import Session, pass_session
from logbook.cli.values import Whole
from logbook.settings import DEMO_FILE

if TYPE_CHECKING:
    from collections.abc import Callable

    from logbook.store import Store

HOST = "127.0.0.1"
PORT = 8050


def server_options(command: Callable[..., None]) -> Callable[..., None]:
    """Give a command the options that say where the dashboard listens."""
    for option in (
        click.option("--open", "open_browser", is_flag=True, help="Open the page in the browser."),
        click.option(
            "--port", metavar="NUMBER", type=Whole(0, 65535), help=f"Default: {PORT}, or the next one that is free."
        ),
        click.option(
            "--host", default=HOST, show_default=True, help="Address to listen on; beyond this machine only with a key."
        ),
    ):
        command = option(command)
    return command


@click.command("serve")
@server_options
@pass_session
def serve(session: Session, host: str, port: int | None, open_browser: bool) -> None:
    """Serve the dashboard on this machine until Ctrl-C."""
    with session.store_to_read() as store:
        _serve(store, host, port, open_browser=open_browser)


@click.command("demo")
@server_options
@click.option("--no-serve", is_flag=True, help="Only take the sample data in.")
@pass_session
def demo(session: Session, host: str, port: int | None, open_browser: bool, no_serve: bool) -> None:
    """Take in sample data of an invented owner and serve the dashboard.

    The sample goes into a logbook of its own (demo.sqlite3 in your data folder) unless --db or LOGBOOK_DB says
    otherwise, so that it does not mix with your data.
    """
    from logbook.jobs.demo import load_demo

    called = own_command(sys.argv[0])
    with session.store(DEMO_FILE) as store:
        say("Taking in the sample data: two packs of an invented owner.")
        with progress("Sample data") as tick:
            packs = load_demo(store, progress=tick)
        for pack in packs:
            say(f"  {pack.name}: {pack.rated_ah:g} Ah, {pack.cell.label}")
        say("Your own data next, into a logbook of your own:")
        say(f'  {called} pack add "House battery" --rated-ah 100 --cells 4')
        say(f'  {called} import trip.csv --pack "House battery"')
        say(f'  {called} health "House battery"')
        say(f"  {called} serve")
        if not no_serve:
            _serve(store, host, port, open_browser=open_browser)


def own_command(called: str) -> str:
    """Say how this very program is called again from the present folder."""
    path = Path(called)
    if path.stem == "__main__":
        return f"{_from_here(Path(sys.executable))} -m logbook"
    found = shutil.which(path.stem)
    return path.stem if found and Path(found).samefile(path) else _from_here(path)


def _from_here(path: Path) -> str:
    here = Path.cwd()
    return str(path.relative_to(here) if path.is_relative_to(here) else path)


def _serve(store: Store, host: str, port: int | None, *, open_browser: bool) -> None:
    from logbook.dashboard.server import serve as serve_dashboard

    def ready(url: str) -> None:
        say(f"The dashboard is at {url} (Ctrl-C stops it).")
        if "?key=" in url:
            say("Whoever has this whole address can read and change the logbook: give it to nobody else.")

    chosen = free_port(host) if port is None else port
    serve_dashboard(store, host, chosen, open_browser=open_browser, ready=ready)


def free_port(host: str, first: int = PORT, tries: int = 20) -> int:
    """Find the first free port from `first` on; `first` itself when none is, so that the server says so."""
    for port in range(first, first + tries):
        with socket.socket(socket.AF_INET6 if ":" in host else socket.AF_INET) as probe:
            probe.setsockopt(socket.SOL_SOCKET, socket.SO_REUSEADDR, 1)
            try:
                probe.bind((host, port))
            except OSError:
                continue
            return port
    return first
