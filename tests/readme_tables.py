"""README's tables that are made from the code: `python -m tests.readme_tables` writes them anew."""

from __future__ import annotations

import re
from pathlib import Path

from logbook import errors
from logbook.schema.reading import QUANTITIES

README = Path(__file__).parents[1] / "README.md"
OUTCOMES = {0: "done, also when there was nothing new", 1: "finished, but some files failed", 2: "wrong usage"}
OTHER_ENDS = {70: "a fault of logbook, not of yours", 130: "interrupted"}


def table(*rows: tuple[str, ...]) -> str:
    lines = [f"| {' | '.join(row)} |" for row in rows]
    return "\n".join([lines[0], f"|{' --- |' * len(rows[0])}", *lines[1:]]) + "\n"


def columns() -> str:
    rows = [
        (f"`{entry.name}`", entry.unit, entry.meaning, f"{entry.lowest:g} to {entry.highest:g}") for entry in QUANTITIES
    ]
    return table(("column", "unit", "what", "range"), *rows)


def exit_code_meanings() -> dict[int, str]:
    kinds: dict[int, list[str]] = {}
    for kind in errors.LogbookError.__subclasses__():
        meaning = (kind.__doc__ or "").rstrip(".")
        kinds.setdefault(kind.exit_code, []).append(meaning[:1].lower() + meaning[1:])
    told = {code: "; ".join(meanings) for code, meanings in kinds.items()}
    return dict(sorted({**OUTCOMES, **told, **OTHER_ENDS}.items()))


def exit_codes() -> str:
    return table(("code", "meaning"), *((str(code), meaning) for code, meaning in exit_code_meanings().items()))


TABLES = {"columns": columns, "exit codes": exit_codes}


def between(name: str, text: str) -> str:
    return text.split(f"<!-- {name} -->\n")[1].split(f"<!-- /{name} -->", maxsplit=1)[0]


def main() -> None:
    text = README.read_text("utf-8")
    for name, made in TABLES.items():
        text = re.sub(
            rf"(<!-- {name} -->\n).*?(<!-- /{name} -->)",
            lambda m, made=made: m[1] + made() + m[2],
            text,
            flags=re.DOTALL,
        )
    README.write_text(text, "utf-8")


if __name__ == "__main__":
    main()
