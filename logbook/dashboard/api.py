"""API: what is not a page: uploads in, tables and readings out; plain HTTP that a script may use too."""

from __future__ import annotations

import csv
import io
import logging
import secrets
from typing import TYPE_CHECKING, Any
from urllib.parse import unquote

from flask import Response, abort, jsonify, request
from werkzeug.exceptions import HTTPException

from logbook.dashboard.figures.use import monthly
from logbook.dashboard.intake import LONGEST_MAPPING, Intake, Job
from logbook.dashboard.page import pack_numbered, reader_view
from logbook.dashboard.plain import error_words, page_words
from logbook.dashboard.shell import plain_page
from logbook.dashboard.uploads import LONGEST_UPLOAD_BYTES, PIECE_BYTES
from logbook.dashboard.wellformed import ADDRESS
from logbook.errors import BadData, CannotWrite, LogbookError, UnknownName
from logbook.schema.reading import QUANTITY_NAMES
from logbook.units import MS_PER_DAY, iso_from_ms

if TYPE_CHECKING:
    from collections.abc import Callable, Iterable, Iterator, Sequence

    from dash import Dash

    from logbook.dashboard.answers import Answers
    from logbook.dashboard.view import View
    from logbook.schema.health import Health
    from logbook.schema.pack import Pack

log = logging.getLogger(__name__)

OWN_HEADER = "X-Requested-With"
"""A header a stranger's page cannot set without being asked first."""
READ_DAYS = 30
"""Readings are exported in parts of this many days, so that memory stays small."""


def add_api(app: Dash, answers: Answers, intake: Intake) -> None:
    """Put the routes on the server."""
    add_intake(app, answers, intake)
    add_downloads(app, answers)
    app.server.register_error_handler(LogbookError, told)
    app.server.register_error_handler(HTTPException, refused)
    app.server.register_error_handler(Exception, unforeseen)
    app.server.add_url_rule("/api/<path:_rest>", view_func=nothing_here)


def nothing_here(_rest: str) -> None:
    """Answer an address under /api that is none."""
    abort(404, "There is nothing at this address.")


def unforeseen(error: Exception) -> Any:
    """What nobody foresaw: a request that dash cannot take apart is its sender's fault, anything else is ours."""
    if request.path.startswith("/_dash-component-suites/"):
        return jsonify(error="There is no such file."), 404
    if request.path == ADDRESS:  # what happens inside of a callback is told there
        log.warning("a request to change a page was malformed: %s", type(error).__name__)
        return jsonify(error="This request is malformed."), 400
    number = secrets.token_hex(3)
    log.error("%s failed (%s)", request.path, number, exc_info=error)
    words = f"Something went wrong here. It is in the log of the server as {number}."
    if request.path.startswith("/api/"):
        return jsonify(error=words), 500
    return plain_page(500, "Not done", words)


def add_intake(app: Dash, answers: Answers, intake: Intake) -> None:
    """Files in, piece by piece, and how far they are."""

    def begin() -> tuple[Response, int]:
        refuse_strange(longest=0)
        pack = pack_numbered(answers, request.args.get("pack", ""))
        length, changed_ms = request.args.get("length", 0, type=int), request.args.get("changed", 0, type=int)
        if length < 1:
            raise BadData("This file is empty.", mend="Export it again, and check that it has a size.")
        if length > LONGEST_UPLOAD_BYTES:
            abort(413, "This file is too large for the browser; use: logbook import")
        name = unquote(request.headers.get("X-Filename", "upload"))
        upload = intake.uploads.begin(pack.id, name, length, changed_ms)
        return jsonify(id=upload.token, received=intake.uploads.received(upload.token), piece=PIECE_BYTES), 201

    def piece(token: str) -> tuple[Response, int]:
        size = refuse_strange(longest=PIECE_BYTES)
        received = intake.uploads.add(token, request.args.get("at", 0, type=int), request.stream, size)
        if received < intake.uploads.upload(token).length:
            return jsonify(id=token, received=received), 200
        return jsonify(job_json(intake.enqueue(token))), 202

    def received(token: str) -> Response:
        return jsonify(id=token, received=intake.uploads.received(token))

    def one_job(job_id: str) -> Response:
        return jsonify(job_json(intake.job(job_id)))

    def mapping(job_id: str) -> Response:
        refuse_strange(longest=LONGEST_MAPPING)
        try:
            intake.describe(job_id, request.get_data().decode("utf-8-sig"))
        except UnicodeDecodeError:
            raise BadData("The mapping is not UTF-8 text.", mend="Save it as UTF-8.") from None
        return jsonify(job_json(intake.job(job_id)))

    rule = app.server.add_url_rule
    rule("/api/v1/uploads", view_func=begin, methods=["POST"])
    rule("/api/v1/uploads/<token>", view_func=piece, methods=["PUT"])
    rule("/api/v1/uploads/<token>", view_func=received, endpoint="received")
    rule("/api/v1/jobs/<job_id>", view_func=one_job)
    rule("/api/v1/jobs/<job_id>/mapping", view_func=mapping, methods=["PUT"])


def refuse_strange(longest: int) -> int:
    """Refuse a write that lacks our own header, its length, or is too long; gives the length."""
    length = request.content_length
    if request.headers.get(OWN_HEADER) is None:
        abort(403, f"The header {OWN_HEADER} is missing.")
    if length is None and longest:
        abort(411, "The length is missing.")
    if (length or 0) > longest:
        abort(413, f"Send it in pieces of at most {longest} bytes.")
    return length or 0


def add_downloads(app: Dash, answers: Answers) -> None:
    """Tables, readings and rows set aside, as CSV."""

    def table(pack_id: int, name: str) -> Response:
        if name not in TABLES:
            abort(404)
        pack = pack_numbered(answers, pack_id)
        heads, rows = TABLES[name](answers, pack)
        return as_csv(f"{name}.csv", lines(heads, rows))

    def readings(pack_id: int) -> Response:
        pack = pack_numbered(answers, pack_id)
        span = answers.health(pack).readings
        first, last = span.first_ms or 0, span.last_ms or 0
        start = max(request.args.get("from", first, type=int), first)
        end = min(request.args.get("to", last + 1, type=int), last + 1)
        return as_csv("readings.csv", reading_lines(answers, pack, start, end, reader_view(pack.time_zone)))

    def set_aside(import_id: int) -> Response:
        frame = answers.set_aside(import_id)
        rows = frame[["line", "reason", "text"]].itertuples(index=False, name=None)
        return as_csv(f"set-aside-{import_id}.csv", lines(("line", "reason", "text"), rows))

    app.server.add_url_rule("/api/v1/packs/<int:pack_id>/<name>.csv", view_func=table)
    app.server.add_url_rule("/api/v1/packs/<int:pack_id>/readings.csv", view_func=readings)
    app.server.add_url_rule("/api/v1/imports/<int:import_id>/set-aside.csv", view_func=set_aside)


def told(error: LogbookError) -> tuple[Response, int]:
    """An error as JSON, without where on this machine it happened."""
    status = 404 if isinstance(error, UnknownName) else 507 if isinstance(error, CannotWrite) else 400
    return jsonify(error=error_words(page_words(f"{error.what} {error.mend}"))), status


def refused(error: HTTPException) -> Any:
    """What HTTP itself refuses: as JSON under /api, else as a page without a trace."""
    if request.path.startswith(("/api/", "/_dash")):
        return jsonify(error=error.description or error.name), error.code or 500
    return plain_page(error.code or 500, error.name, error.description or "")


def job_json(job: Job) -> dict[str, Any]:
    """A job for those who ask by HTTP."""
    return {
        "id": job.id,
        "state": job.state,
        "progress": job.progress,
        "error": job.error,
        "receipt": job.receipt,
        "question": job.question,
        "previews": job.previews,
    }


def as_csv(name: str, content: Iterable[str]) -> Response:
    """Return lines as a file to keep, made while it is sent."""
    response = Response(content, mimetype="text/csv")
    response.headers["Content-Disposition"] = f'attachment; filename="{name}"'
    return response


def lines(heads: Sequence[str], rows: Iterable[Sequence[Any]]) -> Iterator[str]:
    """Lines of RFC 4180; text that a spreadsheet would run as a formula gets an apostrophe in front."""
    yield written(heads)
    for row in rows:
        yield written([harmless(cell) for cell in row])


def written(row: Sequence[Any]) -> str:
    """One line."""
    out = io.StringIO()
    csv.writer(out).writerow(row)
    return out.getvalue()


def harmless(cell: Any) -> Any:
    """A cell no spreadsheet takes for a formula; numbers stay numbers."""
    if isinstance(cell, str) and cell[:1] in {"=", "+", "-", "@", "\t", "\r"}:
        return f"'{cell}"
    return "" if cell is None else cell


def moment(ts_ms: int | None) -> str:
    """UTC, ISO 8601."""
    return "" if ts_ms is None else iso_from_ms(ts_ms)


def health_table(
    heads: tuple[str, ...], rows: Callable[[Health], Iterable[Sequence[Any]]]
) -> Callable[[Answers, Pack], tuple[Sequence[str], Iterable[Sequence[Any]]]]:
    """A table that is all in the health answer."""
    return lambda answers, pack: (heads, rows(answers.health(pack)))


def months(answers: Answers, pack: Pack) -> tuple[Sequence[str], Iterable[Sequence[Any]]]:
    """Charge by month of the reader's zone."""
    frame = monthly(answers.hours(pack.id), reader_view(pack.time_zone))
    return ("month", "charge_ah", "discharge_ah", "logged_s"), frame.itertuples(index=False, name=None)


TABLES: dict[str, Callable[[Answers, Pack], tuple[Sequence[str], Iterable[Sequence[Any]]]]] = {
    "capacity": health_table(
        ("start", "end", "ah", "low_ah", "high_ah", "method", "temperature_c", "used", "note"),
        lambda health: (
            (moment(o.start_ms), moment(o.end_ms), o.ah, o.low, o.high, o.method, o.temperature_c, o.used, o.note)
            for o in health.capacity.observations
        ),
    ),
    "cold": health_table(
        ("start", "end", "duration_s", "charge_ah", "min_temperature_c", "max_current_a", "severity"),
        lambda health: (
            (
                moment(e.start_ms),
                moment(e.end_ms),
                e.duration_s,
                e.charge_ah,
                e.min_temperature_c,
                e.max_current_a,
                e.severity,
            )
            for e in health.cold_charging.events
        ),
    ),
    "protection": health_table(
        ("start", "end", "kind", "source", "cause"),
        lambda health: (
            (moment(e.start_ms), moment(e.end_ms), e.kind, e.source, e.cause) for e in health.protection.events
        ),
    ),
    "flags": health_table(
        ("code", "severity", "message", "start", "end", "advice", "acknowledged"),
        lambda health: (
            (f.code, f.severity, f.message, moment(f.start_ms), moment(f.end_ms), f.advice, f.acknowledged)
            for f in health.flags
        ),
    ),
    "months": months,
}
"""Name of a download to how its rows are made; times in UTC, °C, A, V and Ah."""


def reading_lines(answers: Answers, pack: Pack, start_ms: int, end_ms: int, view: View) -> Iterator[str]:
    """Readings of a window, part by part: UTC, local time, then the quantities as they were measured."""
    yield written(("time_utc", f"time_local ({view.zone})", *QUANTITY_NAMES))
    part_ms = READ_DAYS * MS_PER_DAY
    for begin in range(start_ms, end_ms, part_ms):
        part = answers.readings(pack.id, begin, min(begin + part_ms, end_ms))
        columns = [getattr(part, name) for name in QUANTITY_NAMES]
        out = io.StringIO()
        writer = csv.writer(out)
        for place, ts_ms in enumerate(part.ts_ms.tolist()):
            values = ["" if column[place] != column[place] else round(float(column[place]), 3) for column in columns]
            writer.writerow((iso_from_ms(ts_ms), view.wall(ts_ms), *values))
        yield out.getvalue()
