"""`logbook backup`, `restore`, `export`, `check` and `rebuild`: nothing is lost, and what can be made again is."""

from __future__ import annotations

import shlex
from pathlib import Path

import click

from logbook.cli.output import result, say
from logbook.cli.progress import progress
from logbook.cli.session import Session, pass_session
from logbook.cli.words import counted

NOT_SOUND = 1


@click.command("backup")
@click.argument("folder", type=click.Path(path_type=Path))
@pass_session
def backup(session: Session, folder: Path) -> None:
    """Copy the logbook, with the files it keeps, into FOLDER.

    The logbook may be in use; the copy is checked.
    """
    from logbook.jobs.backup import back_up

    with session.store_to_read() as store:
        made = back_up(store, folder)
    result(f"{made.path}")
    held = (counted(made.readings, "reading"), counted(made.packs, "pack"), counted(made.originals, "kept file"))
    say(f"Backed up and checked: {', '.join(held)}.")
    if made.gone:
        say(f"{counted(made.gone, 'kept file')} that it speaks of could not be found; logbook check names them.")
    say(f"To bring it back:  logbook restore {shlex.quote(str(made.path))}")


@click.command("restore")
@click.argument("place", metavar="BACKUP", type=click.Path(path_type=Path))
@click.option("--yes", is_flag=True, help="Do not ask; needed without a terminal.")
@pass_session
def restore(session: Session, place: Path, yes: bool) -> None:
    """Put a backup in the place of the logbook.

    BACKUP is a copy that `logbook backup` made, or a folder of such, of which the newest is taken. The former logbook
    is moved aside, never deleted.
    """
    from logbook.jobs.backup import newest_backup
    from logbook.jobs.backup import restore as bring_back
    from logbook.store.dialect import file_of, parse_url

    backup, url = newest_backup(place), session.database_url()
    target = file_of(parse_url(url))
    if backup != place:
        say(f"The newest backup there is {backup}.")
    if backup.exists() and target.exists():
        say(f"It would take the place of {target}, which would be moved aside.")
        if not session.agreed("Restore it?", yes=yes):
            return
    former = bring_back(backup, url)
    result(f"Restored {backup}.")
    if former:
        say(f"The former logbook is now {former}.")


@click.command("export")
@click.argument("folder", type=click.Path(path_type=Path))
@pass_session
def export(session: Session, folder: Path) -> None:
    """Write everything into a new FOLDER, as CSV and JSON.

    They can be read without this program; a README.txt beside them says how.
    """
    from logbook.jobs.export import export as write_out

    with session.store_to_read() as store, progress("Exporting") as tick:
        written = write_out(store, folder, tick)
    result(f"{written.folder}")
    say(f"Wrote {counted(written.readings, 'reading')} of {counted(written.packs, 'pack')}.")


@click.command("check")
@click.option("--mend", is_flag=True, help="Make again what the readings allow.")
@pass_session
@click.pass_context
def check(context: click.Context, session: Session, /, mend: bool) -> None:
    """Check the database, the kept files and the findings.

    Every finding is compared with what its readings give. The exit code is 1 where something is wrong.
    """
    from logbook.jobs.check import check as look

    with session.store_to_read() as store, progress("Checking") as meter:
        found = look(store, meter, mend=mend)
    for finding in found:
        result(f"{finding.message} {'It was made again.' if finding.mended else finding.mend}")
    if not found:
        result("Sound: the database, the kept files and every finding are as they should be.")
    if any(not finding.mended for finding in found):
        context.exit(NOT_SOUND)


@click.command("rebuild")
@click.argument("pack_name", metavar="[PACK]", required=False)
@pass_session
def rebuild(session: Session, pack_name: str | None) -> None:
    """Make all findings again from the readings.

    Of PACK, or of all packs. The answers must come out the same; broken off, the next command goes on where it stopped.
    """
    from logbook.jobs.refresh import rebuild as make_again
    from logbook.store.packs import list_packs, pack_named

    with session.store() as store:
        for pack in [pack_named(store, pack_name)] if pack_name else list_packs(store):
            with progress(f"Rebuilding {pack.name}") as tick:
                make_again(store, pack, tick)
            say(f'Rebuilt "{pack.name}".')
