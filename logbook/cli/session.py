"""Session: what the options before the command say, and the logbook they point at."""

from __future__ import annotations

import sys
from contextlib import contextmanager
from dataclasses import dataclass
from typing import TYPE_CHECKING
from urllib.parse import unquote

import click

from logbook.settings import DATABASE_FILE, Settings

if TYPE_CHECKING:
    from collections.abc import Iterator

    from logbook.schema.pack import Pack
    from logbook.store import Store


@dataclass(frozen=True)
class Session:
    """Options before the command."""

    database: str | None = None
    """Path or URL given with `--db`."""
    no_input: bool = False

    @property
    def may_ask(self) -> bool:
        """Whether somebody sits at a terminal and wants to be asked."""
        return not self.no_input and sys.stdin.isatty() and sys.stderr.isatty()

    def agreed(self, question: str, *, yes: bool) -> bool:
        """Have the owner agree to what cannot be taken back; where nobody can be asked it takes `--yes`."""
        from logbook.cli.output import clean, say
        from logbook.errors import Unanswered

        if yes:
            return True
        if not self.may_ask:
            raise Unanswered(
                "nobody is there to agree, so nothing was changed.", mend="To do it without being asked, give --yes."
            )
        if click.confirm(clean(question), err=True):
            return True
        say("Nothing was changed.")
        return False

    def database_url(self, default_file: str = DATABASE_FILE) -> str:
        """Say which logbook is meant; SQLite takes paths in UTF-8 alone."""
        from logbook.errors import BadConfiguration

        url = Settings.resolve(self.database, default_file=default_file).database
        try:
            unquote(url, errors="strict").encode()
        except UnicodeError as error:
            raise BadConfiguration(
                f'the path of the logbook, "{url}", is not written in UTF-8.',
                mend="Name another one with --db or LOGBOOK_DB.",
            ) from error
        return url

    @contextmanager
    def store(self, default_file: str = DATABASE_FILE) -> Iterator[Store]:
        """Open the logbook, made or brought up to date as needed."""
        from logbook.store import open_store

        with open_store(self.database_url(default_file)) as store, blamed_rightly(store):
            yield store

    @contextmanager
    def store_to_read(self) -> Iterator[Store]:
        """Open the logbook for a command that can do without writing; where nothing may be written, it is only read."""
        from logbook.store.readonly import must_be_left_alone, open_read_only

        url = self.database_url()
        if not must_be_left_alone(url):
            with self.store() as store:
                yield store
            return
        with open_read_only(url) as store, blamed_rightly(store):
            yield store


@contextmanager
def blamed_rightly(store: Store) -> Iterator[None]:
    """Where nobody foresaw what went wrong, look whether the logbook's file is damaged, and say so."""
    from logbook.errors import BadConfiguration, LogbookError

    try:
        yield
    except (LogbookError, click.ClickException, click.exceptions.Exit, click.Abort, OSError):
        raise
    except Exception as error:
        from logbook.store import damage, soundness

        if came_of_interrupt(error) or not soundness.is_damaged(store):
            raise
        raise BadConfiguration("the logbook's file is damaged.", where=str(store.path), mend=damage.LOOK) from error


def came_of_interrupt(error: BaseException) -> bool:
    """Whether Ctrl-C was pressed in the database's driver, which makes an error of its own of it."""
    before = error.__cause__ or error.__context__
    return before is not None and (isinstance(before, KeyboardInterrupt) or came_of_interrupt(before))


pass_session = click.make_pass_decorator(Session, ensure=True)


def only_pack(store: Store, name: str | None) -> Pack:
    """Find the pack of that name, or the only one where none is named."""
    from logbook.errors import UnknownName
    from logbook.store.packs import list_packs, pack_named

    if name is not None:
        return pack_named(store, name)
    packs = list_packs(store)
    if len(packs) == 1:
        return packs[0]
    if not packs:
        raise UnknownName(
            "there is no pack in this logbook yet.",
            mend='Add one:  logbook pack add "House battery" --rated-ah 100 --cells 4',
        )
    names = ", ".join(f'"{pack.name}"' for pack in packs)
    raise UnknownName(f"this logbook holds {len(packs)} packs: {names}.", mend=_how_to_name(packs[0]))


def _how_to_name(pack: Pack) -> str:
    """Say how the command that runs is told which pack is meant, by an option or as its argument."""
    context = click.get_current_context(silent=True)
    if context is None:
        return "Say which one is meant."
    options = {word for parameter in context.command.params for word in parameter.opts}
    option = "--pack " if "--pack" in options else ""
    return f'Say which one is meant, such as:  {context.command_path} {"… " if option else ""}{option}"{pack.name}"'
