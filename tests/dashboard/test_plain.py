"""No page names an option to type: every message of the rooms below is put into words of the page."""

from __future__ import annotations

import ast
import re
from pathlib import Path

import pytest

import logbook
from logbook.dashboard.plain import error_words, page_words

ROOMS = ("ingest", "store", "jobs")
TYPED = re.compile(r"(?<![\w-])--[a-z]|\blogbook (?:pack|import|imports|undo|restore|backup|check|demo|serve)\b")
NOT_SAID_ON_A_PAGE = ("backup.py", "check.py", "export.py", "demo.py", "migrate.py", "engine.py")
"""They speak only to who typed a command: before a page can be there, or of a command of their own."""


def messages():
    """Text that an error, a question or a warning of these rooms may hold, with its place."""
    for room in ROOMS:
        for path in sorted((Path(logbook.__file__).parent / room).glob("*.py")):
            if path.name in NOT_SAID_ON_A_PAGE:
                continue
            tree = ast.parse(path.read_text("utf-8"))
            nodes = list(ast.walk(tree))
            passed = {id(node.value) for node in nodes if isinstance(node, ast.Expr)}  # docstrings
            passed |= {id(part) for node in nodes if isinstance(node, ast.JoinedStr) for part in node.values}
            for node in nodes:
                if id(node) not in passed and (text := text_of(node)) and TYPED.search(text):
                    yield pytest.param(text, id=f"{path.name}:{node.lineno}")


def text_of(node):
    """The text of a literal, with a word wherever a value is put in."""
    if isinstance(node, ast.JoinedStr):
        return "".join(part.value if isinstance(part, ast.Constant) else "WORD" for part in node.values)
    return node.value if isinstance(node, ast.Constant) and isinstance(node.value, str) else ""


@pytest.mark.parametrize("text", list(messages()))
def test_a_message_names_no_option(text):
    said = page_words(text)

    assert not TYPED.search(said), said
    assert "  " not in said


def test_there_are_such_messages():
    assert len(list(messages())) > 10


@pytest.mark.parametrize(
    ("typed", "said"),
    [
        ("if so, describe it with  --mapping FILE", "if so, say below what its columns are"),
        ("Say which is which in a mapping given with  --mapping FILE", "Say below which is which."),
        (
            "If you trust it, raise the limit with  --max-ratio NUMBER  or unpack it yourself.",
            "If you trust it, unpack it yourself.",
        ),
        ("Export it again.", "Export it again."),
        ('Import it for the other pack: --pack "Old"', 'Import it for the other pack: "Old"'),
        ("Do a thing with  --some-new-option VALUE  or another.", "Do a thing or another."),
        ("Do a thing (first --try it).", "Do a thing."),
    ],
)
def test_it_says_what_to_do_in_the_page(typed, said):
    assert page_words(typed) == said


@pytest.mark.parametrize(
    ("what", "mend", "said"),
    [
        ("the file is empty.", "Export it again", "The file is empty. Export it again."),
        ("There is none.", "Is it there?", "There is none. Is it there?"),
        ("", "", ""),
    ],
)
def test_an_error_is_told_in_whole_sentences(what, mend, said):
    assert error_words(what, mend) == said
