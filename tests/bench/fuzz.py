"""Fuzz: inputs led by what they reach in the importer (atheris), and wounds that keep the shape of an export.

A process of its own reads input after input until one is met with anything but readings that add up or a refusal in
plain words, takes longer than `LONGEST_S`, hangs, or makes the process grow beyond `MOST_MB`; that input is kept.
Where atheris is not installed, `shapes` does the same with the wounds alone.
"""

from __future__ import annotations

import gzip
import importlib
import importlib.util
import io
import pkgutil
import random
import resource
import signal
import subprocess
import sys
import time
import traceback
import zipfile
from dataclasses import dataclass
from pathlib import Path

from logbook.errors import LogbookError

INSTALL = "python -m pip install 'atheris>=3,<4'"
NOT_INSTALLED = 3
LONGEST_S = 5
"""Of CPU for one input."""
HANGS_S = 120
"""For one input by the clock: a machine busy with other things is given its time, one that waits for ever is not."""
MOST_MB = 1500
LONGEST_INPUT = 20_000
SEED_LINES = 20
"""Of each export of the catalogue: enough to be understood, and read in milliseconds."""
HEAD = 2
"""Bytes before the content: what kind of input it is, and which options are given."""
MAPPING_SHARE = 6
"""So many times each of the mappings stands among the seeds."""
MAPPED = b"time,volt,amp,temp,pct\n2024-03-15 21:00:00,13.1,-5.0,7.1,63\n2024-03-15 21:01:00,13.2,-5.1,7.2,63\n"
MAPPINGS = (
    '[time]\ncolumns = ["time"]\nformat = "text"\norder = "year-first"\nzone = "UTC"\n[current]\npositive = "charge"\n[columns.voltage_v]\ncolumn = "volt"\n',
    '[file]\ndelimiter = "comma"\ndecimal = "."\nfirst_row = 2\n[columns]\ncurrent_a = { column = 3, unit = "mA" }\n',
    '[time]\ncolumns = [1]\nformat = "elapsed"\nunit = "h"\nstart = "2026-03-02 09:00:00"\n',
)
KEYS = ("file", "time", "current", "columns", "column", "columns.cell_1_v", "first_row", "decimal", "zone", "start")
VALUES = (
    "1",
    "-1",
    "true",
    "1e999",
    "1.5",
    "{ a = 1 }",
    "9" * 5000,
    "[" * 2000,
    "nan",
    "[[]]",
    "{}",
    '"\\u0000"',
    "2024-01-01",
    '"mV"',
    "[1, 1]",
    "9" * 40,
)
AGAIN = 0.02
"""Share of the inputs that are wounded further."""


@dataclass(frozen=True)
class Input:
    """What is read: the kind of file, options, content."""

    kind: int
    chosen: int
    content: bytes

    @classmethod
    def of(cls, data: bytes) -> Input:
        """Take bytes apart; any bytes are an input."""
        kind, chosen = (*data[:HEAD], 0, 0)[:HEAD]
        return cls(kind % len(KINDS), chosen, data[HEAD:])

    @property
    def data(self) -> bytes:
        """As bytes again."""
        return bytes((self.kind, self.chosen)) + self.content


KINDS = ("text", "gzip", "zip", "mapping", "raw")


def tried(data: bytes) -> None:
    """Read one input; what is neither readings that add up nor a refusal is raised."""
    from logbook.ingest import ImportOptions, parse_mapping  # noqa: PLC0415 - not before it is watched
    from tests.ingest.test_fuzz import accounted  # noqa: PLC0415

    given = Input.of(data)
    low = given.chosen
    options = {
        "time_zone": (None, "UTC", "Europe/Berlin", "+05:45")[low & 3],
        "positive": (None, "charge", "discharge", None)[low >> 2 & 3],
        "cells_in_series": (None, 4)[low >> 4 & 1],
        "rated_ah": (None, 100.0)[low >> 5 & 1],
    }
    answered = bool(low >> 6 & 1)
    if KINDS[given.kind] == "mapping":
        try:
            mapping = parse_mapping(given.content.decode("utf-8", "replace"))
        except LogbookError:
            return
        accounted(MAPPED, ".csv", ImportOptions(**options, mapping=mapping), answered=answered)
        return
    content, suffix = packed(given)
    accounted(content, suffix, ImportOptions(**options), answered=answered)


def packed(given: Input) -> tuple[bytes, str]:
    """The content as the file it stands for."""
    kind = KINDS[given.kind]
    if kind == "gzip":
        return gzip.compress(given.content, 1), ".gz"
    if kind == "zip":
        target = io.BytesIO()
        with zipfile.ZipFile(target, "w", zipfile.ZIP_DEFLATED) as archive:
            # two members: the parts of the content before and after a marker, else the same twice
            for name, part in zip(("a.csv", "b.csv"), (given.content.split(b"\x1e") * 2)[:2], strict=True):
                archive.writestr(zipfile.ZipInfo(name), part)
        return target.getvalue(), ".zip"
    return given.content, ".csv"


def seeds() -> list[bytes]:
    """The catalogue of messy exports, cut short, and mappings."""
    from tests.ingest.fixtures import ALL  # noqa: PLC0415 - loads the importer

    found = []
    for fixture in ALL:
        content = fixture.content
        kind = KINDS.index("text")
        if content.startswith((b"PK", b"\x1f\x8b")):
            kind = KINDS.index("raw")
        else:
            content = b"".join(content.splitlines(keepends=True)[:SEED_LINES])
        chosen = (1 if "time_zone" in fixture.options else 0) | 0b110000
        found.append(Input(kind, chosen, content[:LONGEST_INPUT]).data)
    found += [Input(KINDS.index("mapping"), 0b110000, text.encode()).data for text in MAPPINGS * MAPPING_SHARE]
    return found


class Wounds:
    """Changes that keep an export's shape: cells, columns, rows, line ends, two exports in one."""

    def __init__(self) -> None:
        from tests.ingest.test_fuzz import ENCODINGS, ENDS, ODD_CELLS  # noqa: PLC0415 - loads the importer

        self.cells, self.ends, self.encodings = ODD_CELLS, ENDS, ENCODINGS
        self.seeds = [Input.of(data) for data in seeds()]

    def made(self, data: bytes, rng: random.Random) -> bytes:
        """One input from another."""
        given = Input.of(data) if rng.random() < 0.9 else rng.choice(self.seeds)
        chosen = given.chosen ^ (1 << rng.randrange(7)) if rng.random() < 0.3 else given.chosen
        kind = rng.randrange(3) if given.kind < 3 and rng.random() < 0.1 else given.kind
        if KINDS[kind] == "mapping":
            content = self._mapping(given.content.decode("utf-8", "replace"), rng).encode("utf-8", "replace")
        elif KINDS[kind] == "raw":
            content = torn(given.content, rng)
        else:
            content = self._text(given.content, rng)
        return Input(kind, chosen, content[: LONGEST_INPUT - HEAD]).data

    def _text(self, content: bytes, rng: random.Random) -> bytes:
        encoding = "utf-16" if content.startswith((b"\xff\xfe", b"\xfe\xff")) else "utf-8"
        rows = content.decode(encoding, "surrogateescape" if encoding == "utf-8" else "replace").splitlines() or [""]
        mark = max(",;\t|", key=rows[-1].count)
        for _ in range(rng.randint(1, 5)):
            rows = rng.choice(WOUNDS)(rows, mark, self, rng) or [""]
        end = rng.choice(self.ends) if rng.random() < 0.1 else "\n"
        text = end.join(rows) + end * (rng.random() < 0.8)
        if rng.random() < 0.05:
            encoding = rng.choice(self.encodings)
        made = text.encode(encoding, "surrogateescape" if encoding == "utf-8" else "replace")
        return torn(made, rng) if rng.random() < 0.1 else made

    def cell(self, rng: random.Random) -> str:
        """An odd cell."""
        return rng.choice(self.cells)

    def other(self, rng: random.Random) -> list[str]:
        """The rows of an export of the catalogue."""
        return rng.choice(self.seeds).content.decode("utf-8", "surrogateescape").splitlines()

    @staticmethod
    def _mapping(text: str, rng: random.Random) -> str:
        lines = text.splitlines() or [""]
        place = rng.randrange(len(lines))
        kind = rng.randrange(5)
        if kind == 0:
            lines[place] = f"{lines[place].split('=')[0]}= {rng.choice(VALUES)}"
        elif kind == 1:
            lines[place] = f"{rng.choice(KEYS)} = {rng.choice(VALUES)}"
        elif kind == 2:
            lines.insert(place, f"[{rng.choice(KEYS)}]")
        elif kind == 3:
            del lines[place]
        else:
            lines += rng.choice(MAPPINGS).splitlines()
        return "\n".join(lines)


def one_cell(rows: list[str], mark: str, wounds: Wounds, rng: random.Random) -> list[str]:
    """An odd cell."""
    place = rng.randrange(len(rows))
    return [*rows[:place], with_cell(rows[place], mark, rng.randrange(6), wounds.cell(rng)), *rows[place + 1 :]]


def one_column(rows: list[str], mark: str, wounds: Wounds, rng: random.Random) -> list[str]:
    """A column that says the same in every row."""
    column, cell = rng.randrange(6), wounds.cell(rng)
    return [rows[0], *(with_cell(row, mark, column, cell) for row in rows[1:])]


def cut_row(rows: list[str], _mark: str, _wounds: Wounds, rng: random.Random) -> list[str]:
    """A torn row."""
    place = rng.randrange(len(rows))
    return [*rows[:place], rows[place][: rng.randrange(30)], *rows[place + 1 :]]


def twice(rows: list[str], _mark: str, _wounds: Wounds, rng: random.Random) -> list[str]:
    """Some rows once more, somewhere."""
    first, last, place = (rng.randrange(len(rows)) for _ in range(3))
    return rows[:place] + rows[min(first, last) : max(first, last) + 1] + rows[place:]


def without_some(rows: list[str], _mark: str, _wounds: Wounds, rng: random.Random) -> list[str]:
    """A gap."""
    place = rng.randrange(len(rows))
    return rows[:place] + rows[place + rng.randint(1, 5) :]


def swapped(rows: list[str], _mark: str, _wounds: Wounds, rng: random.Random) -> list[str]:
    """Two rows in each other's place."""
    one, other = rng.randrange(len(rows)), rng.randrange(len(rows))
    rows[one], rows[other] = rows[other], rows[one]
    return rows


def odd_row(rows: list[str], mark: str, wounds: Wounds, rng: random.Random) -> list[str]:
    """A row of odd cells."""
    place = rng.randrange(len(rows))
    return [*rows[:place], mark.join(wounds.cell(rng) for _ in range(rng.randint(1, 8))), *rows[place:]]


def glued(rows: list[str], _mark: str, wounds: Wounds, rng: random.Random) -> list[str]:
    """Another export, in the middle of this one."""
    place = rng.randrange(len(rows))
    return [*rows[:place], *wounds.other(rng)[: rng.randint(1, 30)], *rows[place:]]


def other_mark(rows: list[str], mark: str, _wounds: Wounds, rng: random.Random) -> list[str]:
    """Another delimiter."""
    new = rng.choice((",", ";", "\t", "|", " ", ", ", "\x00"))
    return [row.replace(mark, new) for row in rows]


def without_column(rows: list[str], mark: str, _wounds: Wounds, rng: random.Random) -> list[str]:
    """One column less."""
    column, cells = rng.randrange(6), [row.split(mark) for row in rows]
    return [mark.join(row[: column % len(row)] + row[column % len(row) + 1 :]) for row in cells]


def column_twice(rows: list[str], mark: str, _wounds: Wounds, rng: random.Random) -> list[str]:
    """One column once more."""
    column, cells = rng.randrange(6), [row.split(mark) for row in rows]
    return [mark.join((*row, row[column % len(row)])) for row in cells]


def other_header(rows: list[str], _mark: str, wounds: Wounds, rng: random.Random) -> list[str]:
    """The header of another export."""
    return [*wounds.other(rng)[:1], *rows[1:]]


WOUNDS = (
    one_cell,
    one_column,
    cut_row,
    twice,
    without_some,
    swapped,
    odd_row,
    glued,
    other_mark,
    without_column,
    column_twice,
    other_header,
)


def with_cell(row: str, mark: str, column: int, cell: str) -> str:
    """A row with one cell changed."""
    cells = row.split(mark)
    cells[column % len(cells)] = cell
    return mark.join(cells)


def torn(content: bytes, rng: random.Random) -> bytes:
    """Some bytes lost, changed or put in."""
    whole = bytearray(content)
    for _ in range(rng.randint(1, 3)):
        start = rng.randrange(len(whole) + 1)
        whole[start : start + rng.randint(0, 20)] = rng.randbytes(rng.randint(0, 8))
    return bytes(whole)


def run(runs: int, seed: int, kept: Path, *, guided: bool) -> int:
    """Try so many inputs in a process of its own; gives its exit code, 0 where every one was met well."""
    if guided and importlib.util.find_spec("atheris") is None:
        print(
            f"NOT FUZZED: atheris, which leads the inputs by what they reach, is not installed:  {INSTALL}\n"
            "Without it:  python -m tests.bench fuzz shapes",
            file=sys.stderr,
        )
        return NOT_INSTALLED
    words = ["guided" if guided else "shapes", str(runs), str(seed), str(kept)]
    return subprocess.run([sys.executable, "-m", "tests.bench.fuzz", *words], check=False).returncode


def guided(runs: int, seed: int, kept: Path) -> None:
    """Let atheris choose; ends the process."""
    import atheris  # noqa: PLC0415 - where it is installed

    with atheris.instrument_imports(include=["logbook.ingest"]):
        package = importlib.import_module("logbook.ingest")  # watched from here on, with all it loads only when used
        for module in pkgutil.iter_modules(package.__path__):
            importlib.import_module(f"logbook.ingest.{module.name}")
    wounds = Wounds()
    corpus = kept / "corpus"
    corpus.mkdir(parents=True, exist_ok=True)
    for number, data in enumerate(seeds()):
        (corpus / f"seed-{number}").write_bytes(data)

    def mutated(data: bytes, max_size: int, chance: int) -> bytes:
        rng = random.Random(chance)
        if rng.random() < 0.25:
            return atheris.Mutate(data, max_size)
        return wounds.made(data, rng)[:max_size]

    settings = {
        "runs": runs, "seed": seed, "timeout": HANGS_S, "rss_limit_mb": MOST_MB, "max_len": LONGEST_INPUT,
        "artifact_prefix": f"{kept}/", "len_control": 0, "print_final_stats": 1,
    }  # fmt: skip
    words = [sys.argv[0], *(f"-{name}={value}" for name, value in settings.items()), str(corpus)]
    atheris.Setup(words, tried, custom_mutator=mutated)
    atheris.Fuzz()


def shapes(runs: int, seed: int, kept: Path) -> None:
    """Wounds alone; ends with 1 where an input was not met well, which is told and kept."""
    wounds, rng = Wounds(), random.Random(seed)
    pool = [given.data for given in wounds.seeds]
    slowest_s, wrong = 0.0, 0
    kept.mkdir(parents=True, exist_ok=True)
    for number in range(runs):
        data = wounds.made(rng.choice(pool), rng)
        began = time.process_time()
        trouble = trouble_of(data)
        slowest_s = max(slowest_s, time.process_time() - began)
        if trouble:
            wrong += 1
            (kept / f"input-{seed}-{number}").write_bytes(data)
            print(f"{kept}/input-{seed}-{number}: {trouble}", file=sys.stderr, flush=True)
        if rng.random() < AGAIN:
            pool[rng.randrange(len(pool))] = data
    peak = resource.getrusage(resource.RUSAGE_SELF).ru_maxrss / 1024
    print(
        f"{runs:,} inputs, {wrong} not met well; the slowest took {slowest_s:.2f} s of CPU; peak memory {peak:.0f} MB"
    )
    sys.exit(bool(wrong) or peak > MOST_MB)


def trouble_of(data: bytes) -> str:
    """What is wrong with how one input was met; nothing where it was met well."""

    def late(number: int, _frame: object) -> None:
        raise TimeoutError(
            f"longer than {LONGEST_S} s of CPU" if number == signal.SIGPROF else f"hangs for {HANGS_S} s"
        )

    for number in (signal.SIGPROF, signal.SIGALRM):
        signal.signal(number, late)
    signal.setitimer(signal.ITIMER_PROF, LONGEST_S)
    signal.alarm(HANGS_S)
    try:
        tried(data)
    except Exception as error:  # noqa: BLE001 - whatever it is, it is what is looked for
        frame = traceback.extract_tb(error.__traceback__)[-1]
        return f"{type(error).__name__}: {error} ({Path(frame.filename).name}:{frame.lineno} {frame.line})"
    finally:
        signal.alarm(0)
        signal.setitimer(signal.ITIMER_PROF, 0)
    return ""


def main(how: str, runs: str, seed: str, kept: str) -> None:
    """Begin in the process of its own."""
    {"guided": guided, "shapes": shapes}[how](int(runs), int(seed), Path(kept))


if __name__ == "__main__":
    main(*sys.argv[1:])
