"""Receipt: what did this import bring, what was understood, repaired and set aside; and the way to take it back."""

from __future__ import annotations

from typing import TYPE_CHECKING, Any

from dash import Input, Output, State, dcc, html
from dash.exceptions import PreventUpdate

from logbook.dashboard import parts
from logbook.dashboard.page import Page, Visit, reader_view
from logbook.dashboard.pages.imports import span_words
from logbook.dashboard.pages.job import brought
from logbook.dashboard.view import UNKNOWN, lasting, number, tied, true_minus
from logbook.dashboard.wording import Answer, quantity_words
from logbook.errors import UnknownName
from logbook.units import with_moments

if TYPE_CHECKING:
    from collections.abc import Sequence

    from dash import Dash
    from dash.development.base_component import Component

    from logbook.dashboard.answers import Answers
    from logbook.dashboard.view import View
    from logbook.schema.pack import Pack
    from logbook.store import ImportRow

UNDO, WHICH = "receipt-undo", "receipt-import"
STRENGTH_WORDS = {"given": "You said so", "strong": "Strong", "fair": "Fair", "thin": "Thin"}


def layout(visit: Visit) -> Component:
    """Sentence, counts, how it was understood, what was mended, what was left out, undo."""
    number_ = int(visit.variables["import"])
    row = next((row for row in visit.answers.imports() if row.id == number_), None)
    if row is None:
        raise UnknownName("There is no such import in this logbook.")
    receipt = visit.answers.receipt(number_)
    pack = visit.answers.pack(row.pack_id)
    zone = reader_view(pack.time_zone) if pack else visit.view
    answer = Answer(
        tone_of(receipt),
        f"Came in {zone.moment(row.imported_ms)}",
        brought(receipt),
        span_words(row.first_ms, row.last_ms, zone),
    )
    return html.Div(
        [
            html.Header(
                [
                    html.P(dcc.Link("Bring in readings", href="/imports"), className="over"),
                    html.H1("What did this import bring?"),
                    html.P(row.file_name, className="quiet"),
                ],
                className="page-head",
            ),
            parts.answer_block(answer, ways(pack, row, zone) if pack else None),
            changed(receipt),
            counts(receipt),
            warnings(receipt),
            understood(receipt),
            inferred(receipt),
            repaired(receipt, zone),
            left_out(receipt, number_),
            undo_part(number_),
        ],
        className="sheet",
    )


def ways(pack: Pack, row: ImportRow, view: View) -> Component:
    """To the pack, and to what this import brought."""
    links: list[Component] = [dcc.Link(f"To {pack.name}", href=f"/pack/{pack.id}")]
    if row.first_ms is not None and row.last_ms is not None:
        links.append(parts.readings_link(pack.id, view, row.first_ms, row.last_ms, "See its readings"))
    return html.Div(links, className="row")


def tone_of(receipt: dict[str, Any]) -> str:
    """Rows set aside or warnings ask for a look."""
    return "look" if receipt.get("rows_set_aside") or receipt.get("warnings") else "good"


def changed(receipt: dict[str, Any]) -> Component | None:
    """What it changed in the answers; older imports did not look."""
    found = receipt.get("changes")
    if not found:
        return None
    sentences = found["sentences"] or [found["reason"] or "Nothing beyond rounding."]
    return parts.section(
        "What changed in the answers", html.Ul([html.Li(tied(true_minus(words))) for words in sentences])
    )


def counts(receipt: dict[str, Any]) -> Component:
    """Rows and gaps."""
    interval = receipt.get("interval_s")
    return parts.section(
        "Row by row",
        parts.facts(
            ("Rows read", number(receipt.get("rows_read", 0))),
            ("New readings", number(receipt.get("rows_stored", 0))),
            ("Known already", number(receipt.get("rows_already_known", 0))),
            ("Set aside", number(receipt.get("rows_set_aside", 0))),
            ("Gaps", number(receipt.get("gaps", 0))),
            ("Usual time between readings", UNKNOWN if interval is None else lasting(interval)),
        ),
    )


def warnings(receipt: dict[str, Any]) -> Component | None:
    """What the importer wants its owner to know."""
    found = receipt.get("warnings") or []
    return parts.section("Worth knowing", html.Ul([html.Li(words) for words in found])) if found else None


def understood(receipt: dict[str, Any]) -> Component | None:
    """Which column was taken for what."""
    columns = receipt.get("columns") or []
    if not columns:
        return None
    rows = [
        [
            entry["header"] or "(no name)",
            quantity_words(entry["quantity"]),
            entry["unit"] or "",
            entry["evidence"],
        ]
        for entry in columns
    ]
    return parts.section(
        "How its columns were understood",
        parts.table("Columns of the file", ("Column", "Taken for", "Unit", "Because"), rows),
    )


def inferred(receipt: dict[str, Any]) -> Component | None:
    """What the data decided."""
    found = receipt.get("inferences") or []
    if not found:
        return None
    rows = [
        [
            entry["question"],
            entry["answer"],
            STRENGTH_WORDS.get(entry["strength"], entry["strength"]),
            beside_your_word(entry["evidence"]),
        ]
        for entry in found
    ]
    table = parts.table("Decided from the whole file", ("Question", "Answer", "How sure", "Evidence"), rows)
    return parts.section("What the file does not say", table)


def beside_your_word(evidence: str) -> str:
    """Evidence without the owner's own word, which the column before it has."""
    return evidence.removeprefix("as you said").removeprefix("; ")


def repaired(receipt: dict[str, Any], view: View) -> Component | None:
    """What was mended, counted."""
    found = receipt.get("repairs") or []
    if not found:
        return None
    rows = [
        [
            with_moments(entry["message"], view.moment),
            number(entry["count"]),
            lines_words(entry["lines"], entry["count"]),
        ]
        for entry in found
    ]
    table = parts.table(
        "Repairs, with the first lines they touched", ("What", "How often", "Lines"), rows, numeric=(1,)
    )
    return parts.section("What was repaired", table)


def lines_words(lines: Sequence[int], count: int) -> str:
    """Lines of the file, and that there are more of them."""
    shown = ", ".join(str(line) for line in lines)
    return f"{shown}, \u2026" if shown and count > len(lines) else shown


def left_out(receipt: dict[str, Any], import_id: int) -> Component | None:
    """Rows that were not stored, with their reasons."""
    reasons = receipt.get("set_aside_reasons") or {}
    if not reasons:
        return None
    why = parts.table(
        "Reasons", ("Why", "Rows"), [[words, number(count)] for words, count in reasons.items()], numeric=(1,)
    )
    first = receipt.get("set_aside_first") or []
    rows = [[number(entry["line"]), entry["reason"], html.Code(entry["text"])] for entry in first]
    link = html.A(
        "Download all of them as CSV",
        href=f"/api/v1/imports/{import_id}/set-aside.csv",
        download="",
        className="download",
    )
    return parts.section(
        "What was set aside",
        why,
        parts.folded("The first of them", parts.table("Rows as they stand in the file", ("Line", "Why", "Row"), rows)),
        link,
        lead="Nothing is thrown away: rows that could not be used are kept with their reason.",
    )


def undo_part(import_id: int) -> Component:
    """The way back."""
    return parts.section(
        "Take it back",
        parts.folded(
            "Undo this import",
            html.P("This takes out exactly what this file brought. Readings that another file brought too stay."),
            html.Button("Yes, take it out", id=UNDO, className="main-button danger", n_clicks=0),
            html.Data(id=WHICH, value=str(import_id)),
        ),
    )


def register(app: Dash, answers: Answers) -> None:
    """Wire undo."""

    @app.callback(Output("url", "pathname"), Input(UNDO, "n_clicks"), State(WHICH, "value"), prevent_initial_call=True)
    def undo(clicks: int | None, import_id: str) -> str:
        if not clicks or not str(import_id).isdecimal():
            raise PreventUpdate
        answers.undo(int(import_id))
        return "/imports"


PAGE = Page("receipt", "/imports/<import>", "What did this import bring?", layout, register)
