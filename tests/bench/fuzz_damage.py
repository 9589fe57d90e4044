"""Fuzz of damage: a logbook's file with bytes changed at random, and every command that looks into it.

No command may end with a fault of the program, or not at all. What `logbook check --mend` says was all that is wrong,
and made again, must be sound after it.
"""

from __future__ import annotations

import random
import shutil
import sys
from collections import Counter
from typing import TYPE_CHECKING

import sqlalchemy as sa

from logbook.settings import Settings
from logbook.store import models, open_store
from tests.bench.kills import DATABASE, completed, held

if TYPE_CHECKING:
    from collections.abc import Callable, Iterator
    from pathlib import Path

    from sqlalchemy.engine import Row

OUR_BUG, HANGS = 70, -1
INTERVAL_S = 300
TEXTS = (
    (models.finding, "body"),
    (models.finding_kind, "columns"),
    (models.finding_kind, "kind"),
    (models.imports, "receipt"),
    (models.imports, "file_name"),
    (models.pack, "limits"),
    (models.pack, "time_zone"),
    (models.note, "text"),
)
"""Texts in which a byte is changed."""
DERIVED = (models.hour, models.rollup, models.digest_state, models.stale)
"""Tables of numbers in which a value is changed into another kind."""
MEND = ("check", "--mend")
COMMANDS = (
    ("health", "House"),
    ("pack", "list"),
    ("imports",),
    ("receipt", "1"),
    ("flag", "list", "House"),
    ("note", "list", "House"),
    ("check",),
    ("export", "{folder}/export"),
    ("backup", "{folder}/backups"),
    ("import", "{folder}/trip.csv", "--pack", "House", "--timezone", "UTC", "--positive", "charge", "--dry-run"),
    MEND,
    ("health", "House"),
    ("undo", "2", "--yes"),
    ("rebuild",),
    ("health", "House"),
)
"""What is tried on each copy, in this order: those that change something last."""


def bytes_anywhere(path: Path, rng: random.Random) -> str:
    """Some bytes of the file are others."""
    content = bytearray(path.read_bytes())
    places = [rng.randrange(len(content)) for _ in range(rng.choice((1, 1, 1, 2, 4, 16)))]
    for place in places:
        content[place] ^= rng.choice((1 << rng.randrange(8), rng.randrange(1, 256)))
    path.write_bytes(content)
    return f"bytes at {places}"


def byte_of_a_text(path: Path, rng: random.Random) -> str:
    """A byte within a text is another."""
    table, column = rng.choice(TEXTS)
    rows = _rows(path, sa.select(sa.cast(table.c[column], sa.Text)))
    text = rng.choice(rows)[0].encode() if rows else b""
    content = bytearray(path.read_bytes())
    found = content.find(text) if text else -1
    if found < 0:
        return bytes_anywhere(path, rng)
    place = found + rng.randrange(len(text))
    content[place] = rng.choice((content[place] ^ 1 << rng.randrange(8), rng.randrange(256)))
    path.write_bytes(content)
    return f"{table.name}.{column} at {place - found} of {text[:60]!r}"


def another_kind(path: Path, rng: random.Random) -> str:
    """A value of a derived table is of another kind, as a changed byte in a row's head makes it."""
    table = rng.choice(DERIVED)
    names = [column.name for column in table.c if not column.primary_key]
    name, value = rng.choice(names), rng.choice(("'x'", "x'00ff'", "-1", "1e300", "9223372036854775807", "''"))
    with open_store(str(path)) as store, store.writing() as connection:
        connection.exec_driver_sql("PRAGMA ignore_check_constraints=ON")
        connection.exec_driver_sql(f"UPDATE {table.name} SET {name} = {value} WHERE random() % 3 = 0")
    return f"{table.name}.{name} = {value}"


def page(path: Path, rng: random.Random) -> str:
    """A whole page holds nothing, or what another holds."""
    content = bytearray(path.read_bytes())
    size = int.from_bytes(content[16:18], "big")
    pages = len(content) // size
    first, other = rng.randrange(pages), rng.randrange(pages)
    rest = bytes(size) if rng.random() < 0.5 else content[other * size : (other + 1) * size]
    content[first * size : (first + 1) * size] = rest
    path.write_bytes(content)
    return f"page {first} of {pages}"


def cut(path: Path, rng: random.Random) -> str:
    """The end of the file is gone."""
    size = rng.randrange(path.stat().st_size)
    with path.open("r+b") as file:
        file.truncate(size)
    return f"cut at {size}"


HARMS: tuple[Callable[[Path, random.Random], str], ...] = (
    *(bytes_anywhere, bytes_anywhere, byte_of_a_text, byte_of_a_text, byte_of_a_text),
    *(another_kind, another_kind, page, cut),
)
"""Each as often as it stands here."""


def _rows(path: Path, query: sa.Select[tuple[str]]) -> list[Row[tuple[str]]]:
    with open_store(str(path)) as store, store.reading() as connection:
        return list(connection.execute(query))


def wrong_with(folder: Path, codes: Counter[tuple[str, int]]) -> Iterator[str]:
    """What is not met well by the commands on one copy."""
    mended = False
    for words in COMMANDS:
        ended = completed(folder, words)
        codes[words[0], ended.code] += 1
        if ended.code in {OUR_BUG, HANGS} or "Traceback" in ended.said:
            yield f"{' '.join(words)} ended with {ended.code}: {ended.said}\n{story()}"
        elif mended and ended.code:
            yield f"after all was mended, {' '.join(words)} ended with {ended.code}: {ended.said}"
        mended = mended or (words == MEND and ended.code == 0)
    if mended and (ended := completed(folder, ("check",))).code:
        yield f"after all was mended, check ended with {ended.code}"


def story() -> str:
    """What the program wrote down of a fault."""
    try:
        lines = Settings.resolve().log_file.read_text("utf-8").splitlines()
    except OSError:
        return ""
    return "\n".join(lines[-12:])


def main(runs: int, seed: int, folder: Path) -> int:
    """Damage so many copies; 1 where anything was not met well, which is told and kept."""
    start, copy = folder / "start", folder / "copy"
    start.mkdir(parents=True)
    held(start, INTERVAL_S)
    codes: Counter[tuple[str, int]] = Counter()
    wrong = 0
    for number in range(runs):
        rng = random.Random(f"{seed}-{number}")
        shutil.rmtree(copy, ignore_errors=True)
        shutil.copytree(start, copy)
        harm = rng.choice(HARMS)
        told = harm(copy / DATABASE, rng)
        shutil.copyfile(copy / DATABASE, folder / "damaged")
        problems = list(wrong_with(copy, codes))
        for problem in problems:
            print(f"{number}, {harm.__name__}, {told}: {problem}", file=sys.stderr, flush=True)
        if problems:
            wrong += 1
            (folder / "damaged").rename(folder / f"damaged-{seed}-{number}.sqlite3")
    by_code = ", ".join(f"{name} {code}: {count}" for (name, code), count in sorted(codes.items()))
    print(f"{runs:,} damaged logbooks, {sum(codes.values()):,} commands ({by_code}), {wrong} not met well")
    return bool(wrong)
