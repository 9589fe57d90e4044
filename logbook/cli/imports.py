"""`logbook import` and what belongs to it: the list of imports, their receipts, and undo."""

from __future__ import annotations

from dataclasses import replace
from functools import partial
from pathlib import Path
from typing import TYPE_CHECKING, Any

import click

from logbook.cli.output import document, result, say, table
from logbook.cli.progress import progress
from logbook.cli.session import Session, only_pack, pass_session
from logbook.cli.values import MOMENT, FiniteRange, Whole
from logbook.cli.words import moment
from logbook.errors import CannotWrite, LogbookError
from logbook.units import iso_from_ms, ms_from_datetime

if TYPE_CHECKING:
    from collections.abc import Sequence
    from datetime import datetime

    from logbook.cli.progress import Meter
    from logbook.ingest import ImportOptions, Mapping, Question
    from logbook.jobs.era import Era
    from logbook.schema.pack import Pack
    from logbook.schema.receipt import Receipt
    from logbook.store import Store
    from logbook.store.imports import ImportRow

SOME_FAILED = 1
ERA_HELP = "Take only readings from then on, in the file's or the pack's zone: one monitor, a new pack."


@click.command("import")
@click.argument("files", metavar="FILE…", nargs=-1, required=True, type=click.Path(path_type=Path))
@click.option("--pack", "pack_name", metavar="NAME", help="The pack they are of; needed when there are several.")
@click.option("--timezone", metavar="ZONE", help="Zone of the file's clock, where the file does not say.")
@click.option(
    "--positive", type=click.Choice(["charge", "discharge"]), help="What a positive current means in the file."
)
@click.option(
    "--charging", metavar="WORD", help="Word of its direction column that is charging, where nothing shows it."
)
@click.option(
    "--mapping", metavar="TOML", type=click.Path(path_type=Path), help="Mapping file that says what each column is."
)
@click.option(
    "--save-mapping",
    metavar="TOML",
    type=click.Path(path_type=Path),
    help="Write what was recognised as a mapping file.",
)
@click.option(
    "--clock",
    type=click.Choice(["before", "after"]),
    help="Where its clock was set while it logged: which side of that was right.",
)
@click.option("--device", metavar="NAME", help="Take only this device's readings, where a file holds several.")
@click.option("--from", "from_date", metavar="DATE", type=MOMENT, help=ERA_HELP)
@click.option(
    "--until",
    "until_date",
    metavar="DATE",
    type=MOMENT,
    help="See --from; this moment itself is the next pack's.",
)
@click.option(
    "--swapped",
    is_flag=True,
    help="Bring what is of the time of other packs to these, by the notes of  logbook pack swap.",
)
@click.option("--dry-run", is_flag=True, help="Show what would be done and write nothing.")
@click.option("--forget-original", is_flag=True, help="Do not keep a compressed copy of the file beside the logbook.")
@click.option("--max-mib", metavar="NUMBER", type=Whole(min=1), help="Largest unpacked size that is read.")
@click.option("--max-ratio", metavar="NUMBER", type=FiniteRange(min=1), help="Largest unpacked to packed ratio.")
@click.option("--json", "as_json", is_flag=True, help="Print the receipts as JSON, one line a file.")
@pass_session
@click.pass_context
def import_(context: click.Context, session: Session, /, files: Sequence[Path], **options: Any) -> None:
    """Take in readings from each FILE: CSV text, also as .gz or .zip.

    Each file goes in whole or not at all, and a receipt says what was read, understood, repaired and set aside.
    A file that was taken in before changes nothing.
    """
    _require_order(options["from_date"], options["until_date"])
    from logbook.ingest import fingerprint
    from logbook.jobs.allocator import keep_freed
    from logbook.jobs.arrow import leave_pandas_out

    fingerprint.begin(files[0])  # while the store's libraries load
    keep_freed()
    leave_pandas_out()
    with session.store() as store:
        pack = only_pack(store, options["pack_name"])
        chosen = _options(options, pack)
        failures = [
            error for path in files if (error := _import_all(session, store, path, pack, chosen, options)) is not None
        ]
    if failures:
        context.exit(failures[0].exit_code if len(files) == 1 else SOME_FAILED)
    if not options["dry_run"]:
        say(f'Next:  logbook health "{pack.name}"')


def _require_order(start: datetime | None, end: datetime | None) -> None:
    """`UsageError` where nothing can lie between `--from` and `--until`."""
    if start and end and start >= end:
        raise click.UsageError("--until must be later than --from.")


def _options(options: dict[str, Any], pack: Pack) -> ImportOptions:
    from logbook.ingest import ImportOptions

    limits = {"max_bytes": options["max_mib"] and options["max_mib"] << 20, "max_ratio": options["max_ratio"]}
    return ImportOptions(
        time_zone=options["timezone"],
        positive=options["positive"],
        charging=options["charging"],
        clock=options["clock"],
        device=options["device"],
        mapping=_mapping(options["mapping"]),
        cells_in_series=pack.cells_in_series,
        rated_ah=pack.rated_ah,
        default_time_zone=pack.time_zone,
        **{name: value for name, value in limits.items() if value is not None},
    )


def _mapping(path: Path | None) -> Mapping | None:
    if path is None:
        return None
    from logbook.ingest import read_mapping

    return read_mapping(path)


def _era(options: dict[str, Any], pack: Pack) -> Era:
    """The stretch of time this pack's readings come from, from local dates."""
    from logbook.ingest.zone import zone_named
    from logbook.jobs.era import Era

    zone = zone_named(options["timezone"] or pack.time_zone)
    ends = (options["from_date"], options["until_date"])
    start_ms, end_ms = (None if end is None else ms_from_datetime(end.replace(tzinfo=zone)) for end in ends)
    return Era(start_ms, end_ms)


def _import_all(
    session: Session, store: Store, path: Path, pack: Pack, chosen: ImportOptions, options: dict[str, Any]
) -> LogbookError | None:
    """Import one file for its pack and, if that is asked for, for those it was swapped with; a receipt each."""
    if not options["swapped"]:
        return _import_one(session, store, path, pack, chosen, options)
    from logbook.jobs.era import OfAnotherTime, swapped_with

    packs = [pack, *swapped_with(store, pack)]
    of_each = [replace(chosen, cells_in_series=each.cells_in_series, rated_ah=each.rated_ah) for each in packs]
    asked = {**options, "asked": {}}  # what is answered for one holds for the others
    if not options["dry_run"]:
        return _import_together(session, store, path, packs, of_each, asked)
    failures: list[LogbookError] = []
    for each, its_options in zip(packs, of_each, strict=True):
        _name(each, options)
        error = _import_one(session, store, path, each, its_options, asked)
        failures += [] if error is None else [error]
    others = [error for error in failures if not isinstance(error, OfAnotherTime)]
    return others[0] if others else failures[0] if len(failures) == len(packs) else None


def _import_together(
    session: Session,
    store: Store,
    path: Path,
    packs: Sequence[Pack],
    chosen: Sequence[ImportOptions],
    options: dict[str, Any],
) -> LogbookError | None:
    """Import one file for several packs, for all or for none, and print a receipt each."""
    from logbook.jobs.swapped import Share, import_for_all

    shares = [Share(pack, each, _era(options, pack)) for pack, each in zip(packs, chosen, strict=True)]
    try:
        with progress(path.name) as tick:
            told = import_for_all(
                store,
                path,
                shares,
                ask=partial(_ask_beside, tick, options["asked"]) if session.may_ask else None,
                progress=tick,
                keep_original=not options["forget_original"],
            )
    except LogbookError as error:
        say("Nothing was imported, for none of the packs.")
        return _failed(error, path, options)
    failures: list[LogbookError] = []
    for pack, each in zip(packs, told, strict=True):
        _name(pack, options)
        if isinstance(each, LogbookError):
            failures.append(_failed(each, path, options))
        else:
            _print_taken(each, pack, path, options)
    return failures[0] if len(failures) == len(packs) else None


def _name(pack: Pack, options: dict[str, Any]) -> None:
    if not options["as_json"]:
        say(f'For "{pack.name}":')


def _import_one(
    session: Session, store: Store, path: Path, pack: Pack, chosen: ImportOptions, options: dict[str, Any]
) -> LogbookError | None:
    """Import one file and print its receipt; an expected failure is told, returned, and does not stop the rest."""
    from logbook.jobs.import_files import import_file

    try:
        with progress(path.name) as tick:
            taken = import_file(
                store,
                path,
                pack,
                chosen,
                ask=partial(_ask_beside, tick, options.get("asked", {})) if session.may_ask else None,
                progress=tick,
                dry_run=options["dry_run"],
                keep_original=not options["forget_original"],
                era=_era(options, pack),
            )
    except LogbookError as error:
        return _failed(error, path, options)
    _print_taken(taken, pack, path, options)
    return None


def _failed(error: LogbookError, path: Path, options: dict[str, Any]) -> LogbookError:
    say(f"Error: {error}")
    if options["as_json"]:
        problem = {"what": error.what, "where": error.where, "mend": error.mend, "exit_code": error.exit_code}
        document({"file_name": path.name, "error": problem}, compact=True)
    return error


def _print_taken(taken: Receipt, pack: Pack, path: Path, options: dict[str, Any]) -> None:
    from logbook.cli.receipts import print_receipt

    if options["as_json"]:
        document(taken.as_json(), compact=True)
    else:
        print_receipt(taken, pack.time_zone)
    _point_to_others(taken, path, options)
    _save_mapping(options["save_mapping"], taken)


def _point_to_others(taken: Receipt, path: Path, options: dict[str, Any]) -> None:
    """Say how to bring what was left for a pack this one was swapped with."""
    if options["swapped"] or taken.already_imported:
        return
    from logbook.jobs.era import BY_NOTE

    if any(BY_NOTE in repair.message for repair in taken.repairs):
        say(f"What it left comes to the other pack with  logbook import {path} --swapped  or  --pack NAME")


def _ask_beside(meter: Meter, told: dict[str, str], question: Question) -> str:
    from logbook.cli.questions import ask

    if question.key not in told or question.key == "positive":
        with meter.paused():
            told[question.key] = ask(question)
    return told[question.key]


def _save_mapping(target: Path | None, taken: Receipt) -> None:
    if target is None:
        return
    from logbook.ingest.mapping import mapping_text

    try:
        target.write_text(mapping_text(taken), "utf-8")
    except OSError as error:
        what = f"the mapping cannot be written ({error.strerror}); the import itself is not affected."
        raise CannotWrite(what, where=str(target), mend="Give --save-mapping a file you may write to.") from error
    say(f"Wrote {target}. Check it, then give it with --mapping.")


@click.command("imports")
@click.argument("pack_name", metavar="[PACK]", required=False)
@click.option("--json", "as_json", is_flag=True, help="Print JSON.")
@pass_session
def imports(session: Session, pack_name: str | None, as_json: bool) -> None:
    """List what was imported, of one pack or of all."""
    from logbook.store.imports import list_imports
    from logbook.store.packs import list_packs, pack_named

    with session.store_to_read() as store:
        packs = {pack.id: pack for pack in list_packs(store)}
        rows = list_imports(store, pack_named(store, pack_name).id if pack_name else None)
    if as_json:
        document([_import_document(row, packs[row.pack_id]) for row in rows])
    elif rows:
        columns = ("id", "pack", "file", "imported", "first reading", "last reading")
        table("", columns, (_import_row(row, packs[row.pack_id]) for row in rows), ("id",))
    else:
        say('Nothing was imported yet. Take a file in:  logbook import trip.csv --pack "House battery"')


def _import_row(row: ImportRow, pack: Pack) -> tuple[object, ...]:
    moments = (row.imported_ms, row.first_ms, row.last_ms)
    words = ("-" if when is None else moment(when, pack.time_zone) for when in moments)
    return (row.id, pack.name, row.file_name, *words)


def _import_document(row: ImportRow, pack: Pack) -> dict[str, Any]:
    first, last = (None if when is None else iso_from_ms(when) for when in (row.first_ms, row.last_ms))
    return {
        "id": row.id,
        "pack": pack.name,
        "file_name": row.file_name,
        "sha256": row.sha256,
        "imported": iso_from_ms(row.imported_ms),
        "first": first,
        "last": last,
    }


@click.command("receipt")
@click.argument("import_id", metavar="ID", type=Whole())
@click.option("--rows", "show_rows", is_flag=True, help="Print every row that was set aside, with its line and reason.")
@click.option("--json", "as_json", is_flag=True, help="Print JSON.")
@pass_session
def receipt(session: Session, import_id: int, show_rows: bool, as_json: bool) -> None:
    """Show the receipt of import ID (see `logbook imports`)."""
    from logbook.cli.receipts import print_receipt, print_set_aside
    from logbook.jobs.receipts import receipt_from_json
    from logbook.store.imports import set_aside_rows, stored_receipt

    with session.store_to_read() as store:
        stored = receipt_from_json(stored_receipt(store, import_id))
        zone = _zone_of(store, stored)
        rows = set_aside_rows(store, import_id).to_dict("records") if show_rows else []
    if as_json:
        document({**stored.as_json(), "set_aside": rows} if show_rows else stored.as_json())
        return
    print_receipt(stored, zone)
    if show_rows:
        print_set_aside(rows)


@click.command("undo")
@click.argument("import_id", metavar="ID", type=Whole())
@click.option("--yes", is_flag=True, help="Do not ask; needed without a terminal.")
@pass_session
def undo(session: Session, import_id: int, yes: bool) -> None:
    """Take import ID back (see `logbook imports`).

    Readings that another import also brought stay.
    """
    from logbook.cli.receipts import print_brought
    from logbook.jobs.receipts import receipt_from_json
    from logbook.jobs.undo import undo as take_back
    from logbook.store.imports import stored_receipt

    with session.store() as store:
        stored = receipt_from_json(stored_receipt(store, import_id))
        if not yes:
            print_brought(stored, _zone_of(store, stored))
        if not session.agreed("Take this import back?", yes=yes):
            return
        said: list[str] = []
        with progress(f"Taking back {stored.file_name}") as tick:
            take_back(store, import_id, tick, said.append)
    result(f"Took back import {import_id}: {stored.file_name}.")
    for words in said:
        say(words)


def _zone_of(store: Store, receipt: Receipt) -> str:
    from logbook.store.imports import list_imports
    from logbook.store.packs import pack_by_id

    row = next((row for row in list_imports(store) if row.id == receipt.import_id), None)
    return pack_by_id(store, row.pack_id).time_zone if row else "UTC"
