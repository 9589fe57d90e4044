"""The command line: `main` is the one place that renders errors and exits."""

from __future__ import annotations

import atexit
import errno
import gc
import os
import sys
import traceback
from pathlib import Path
from typing import TYPE_CHECKING, NoReturn

import click

from logbook.cli.program import program
from logbook.cli.session import came_of_interrupt
from logbook.errors import CannotWrite, LogbookError

if TYPE_CHECKING:
    from collections.abc import Sequence

BEFORE = ("--db", "--no-input")
"""Options of every command, which stand before it."""
INTERRUPTED = 130
OUR_BUG = 70
UNWRITABLE = (
    *(errno.ENOSPC, errno.EDQUOT, errno.EROFS, errno.EACCES, errno.EPERM, errno.EFBIG, errno.EIO),
    *(errno.ENAMETOOLONG, errno.ENOTDIR, errno.EISDIR, errno.ELOOP),
)
COLLECT_AFTER = 50_000
"""Objects made before the collector looks through them: loading libraries makes many and leaves no garbage."""
PIPE_CLOSED = 141
"""What a shell reports for a program whose reader went away."""


def main(arguments: Sequence[str] | None = None) -> NoReturn:
    """Run one command and exit with the code that errors.py gives its outcome."""
    gc.set_threshold(COLLECT_AFTER)
    atexit.register(gc.freeze)  # or it looks through every library once more while the program ends
    _open_missing_streams()
    for stream in (sys.stdout, sys.stderr):
        if hasattr(stream, "reconfigure"):
            stream.reconfigure(errors="replace")
    sys.exit(_run(arguments))


def _open_missing_streams() -> None:
    """Where a shell has closed a stream (`>&-`), what would go there goes nowhere."""
    for name, mode in (("stdin", "r"), ("stdout", "w"), ("stderr", "w")):
        if getattr(sys, name) is None:
            setattr(sys, name, Path(os.devnull).open(mode, encoding="utf-8"))  # noqa: SIM115 - open to the end


def _run(arguments: Sequence[str] | None) -> int:
    try:
        code = program.main(args=arguments, standalone_mode=False)
        sys.stdout.flush()
    except Exception as error:  # noqa: BLE001 - the last door: nobody should meet a traceback
        return _interrupted() if came_of_interrupt(error) else _outcome(error)
    except KeyboardInterrupt:
        return _interrupted()
    return code if isinstance(code, int) else 0


def _outcome(error: Exception) -> int:
    """Tell an error in the way its kind deserves and give its exit code."""
    match error:
        case click.ClickException():
            if isinstance(error, click.NoSuchOption) and error.option_name in BEFORE:
                words = f"{error.option_name} stands before the command:  logbook {error.option_name} …"
                error = click.UsageError(words, error.ctx)
            error.show()
            return error.exit_code
        case LogbookError():
            return _told(error)
        case click.Abort():
            return _interrupted()
        case BrokenPipeError():
            sys.stderr.close()
            return PIPE_CLOSED
        case OSError(errno=number) if number in UNWRITABLE:
            mend = "Free some space or choose a place you may write to, then do it again."
            return _told(CannotWrite(f"{error.strerror}.", where=str(error.filename or ""), mend=mend))
        case _:
            return _bug(error)


def _interrupted() -> int:
    click.echo("Interrupted. What was finished before is kept, the rest is as it was.", err=True)
    return INTERRUPTED


def _told(error: LogbookError) -> int:
    from logbook.cli.output import clean

    click.echo(f"Error: {clean(str(error))}", err=True)
    return error.exit_code


def _bug(error: Exception) -> int:
    """Apologise in a sentence; the whole story goes into a file, or to stderr where that cannot be written."""
    from logbook.settings import Settings

    story = "".join(traceback.format_exception(error))
    log_file = Settings.resolve().log_file
    click.echo(
        f"Error: this should not happen ({type(error).__name__}). It is a fault of logbook, not yours.", err=True
    )
    try:
        log_file.parent.mkdir(parents=True, exist_ok=True)
        log_file.write_text(story, "utf-8")
        click.echo(f"What went wrong is written in {log_file}: please report it with that file.", err=True)
    except OSError:
        click.echo(story, err=True)
    return OUR_BUG


__all__ = ["main"]
