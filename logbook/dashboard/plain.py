"""Plain: what an importer says for a terminal, in words for a page: no options to type, but what to do right there."""

from __future__ import annotations

import re

RULES = tuple(
    (re.compile(pattern), words)
    for pattern, words in (
        (r"See why with\s+--dry-run\s+on a shorter export, or ", "Try a shorter export, or "),
        (r"raise the limit with\s+--max-[\w-]+ \w+\s+or ", ""),
        (r"Say which is which in a mapping given with\s+--mapping FILE", "Say below which is which."),
        (r"(mapping (?:\([^)]*\))?)\s*(?:given )?with\s+--mapping FILE", r"\1, below"),
        (r"describe it with\s+--mapping FILE", "say below what its columns are"),
        (r"with\s+--mapping FILE", "in a mapping, below"),
        (r"--mapping FILE\s+with\s+", "a mapping, below, with  "),
        (r"--timezone ZONE", "a time zone"),
        (r"--positive (\w+)", r"positive is \1"),
        (r"see --mapping", "Say below what its columns are"),
        (r"Check --from and --until against the times in the file", "Check the times in the file"),
        (r"logbook pack edit \w+ --cells \w+", "on the page of its rating and limits"),
        (r"Add it with: logbook pack add[^.]*", "Add it under Bring in."),
        (r"List the packs with: logbook pack list", "Go to the list of packs."),
        (r"List them with: logbook imports", "They are listed under Bring in."),
        (r"Leave --device out where a file holds one device\.", ""),
        (r"--pack (\"[^\"]*\"|\w+)", r"\1"),
        (
            r"take that import back and import it again: logbook undo.*",
            "take that import back on its receipt, then send it.",
        ),
        (r"another place with --db or LOGBOOK_DB", "another place for the logbook"),
        (r"(another file|another logbook) with --db or LOGBOOK_DB", r"\1"),
    )
)
"""What is said for a terminal, to what is said on a page."""
LEFT_OVER = re.compile(
    r"\s*\([^()]*(?<!\w)--[a-z][^()]*\)|[:\s]*(?:\bwith\s+)?(?<![\w-])--[a-z][\w-]*(?:\s+[A-Z]+\b)?"
    r"|[:\s]*\blogbook (?:pack|imports?|undo|restore|backup|check|demo|serve)\b[^.;]*"
)
"""Any option or command no rule knows is left out: on a page nobody can type it."""


def page_words(text: str) -> str:
    """A message as the page says it."""
    for pattern, words in RULES:
        text = pattern.sub(words, text)
    text = LEFT_OVER.sub("", text)
    return re.sub(r"\s+([,.;])", r"\1", re.sub(r"[ ]{2,}", " ", text)).strip()


def error_words(what: str, mend: str = "") -> str:
    """What is wrong and how to mend it, as sentences of a page: in a terminal they follow upon the word Error."""
    text = f"{what} {mend}".strip()
    end = "." if text[-1:].isalnum() else ""
    return f"{text[:1].upper()}{text[1:]}{end}"
