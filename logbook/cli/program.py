"""Program: the options before the command, and the one list of commands."""

from __future__ import annotations

import click

from logbook import __version__
from logbook.cli.flag import flag
from logbook.cli.foretell import parked, sag
from logbook.cli.health import health
from logbook.cli.imports import import_, imports, receipt, undo
from logbook.cli.keep import backup, check, export, rebuild, restore
from logbook.cli.note import note
from logbook.cli.pack import pack
from logbook.cli.serve import demo, serve
from logbook.cli.session import Session

COMMANDS = (
    pack,
    import_,
    imports,
    receipt,
    undo,
    health,
    sag,
    parked,
    flag,
    note,
    serve,
    demo,
    backup,
    restore,
    export,
    check,
    rebuild,
)

EPILOG = """\b
Start with your own data:
  logbook pack add "House battery" --rated-ah 100 --cells 4
  logbook import trip.csv --pack "House battery"
  logbook health "House battery"

\b
Exit codes: 0 done (also when there was nothing new), 1 finished but some
files failed, 2 wrong usage, 65 bad data, 66 a file cannot be read, 69 a port
or service cannot be had, 70 a fault of logbook, 73 the logbook cannot be
written, 78 a setting is unusable, 130 interrupted.
"""


@click.group(epilog=EPILOG, context_settings={"help_option_names": ["-h", "--help"], "max_content_width": 100})
@click.option("--db", metavar="PATH_OR_URL", help="The logbook: an SQLite file or a database URL. [LOGBOOK_DB]")
@click.option("--no-input", is_flag=True, help="Never ask; stop where the data cannot decide.")
@click.version_option(__version__, prog_name="logbook")
@click.pass_context
def program(context: click.Context, db: str | None, no_input: bool) -> None:
    """Keep a health logbook of LiFePO4 house batteries.

    It takes in the readings a battery monitor exports and answers, with evidence: does the pack still deliver its
    rated amp-hours, was it charged while freezing, what drains it, how hard was it used, how fast does it fade.
    Without --db and LOGBOOK_DB the logbook is a file in your data folder.
    """
    context.obj = Session(database=db, no_input=no_input)


for command in COMMANDS:
    program.add_command(command)
