"""The bench: prints the design's aims beside what was measured, each with its baseline in the same run.

`python -m tests.bench aims` is the table; `history`, `length` and `packs` show how cost grows; `fill` makes a logbook;
`kills` kills every command that writes, at each of its statements or at random, and looks at what it left; `fuzz`
feeds importer or dashboard with any input at all, or damages logbooks, and keeps what was not met well.
Everything but `fill` and `fuzz` works in a temporary folder and leaves nothing.
"""

from __future__ import annotations

import argparse
import shutil
import sys
import tempfile
from pathlib import Path

from tests.bench.measure import PACK, RATED_AH, Measured, logbook, measured, step

SAID = ("--timezone", "UTC", "--positive", "charge")
WEEK_ROWS = 604_800
YEAR_MINUTES = 525_600
TIMES_AS_LONG = 4
"""By so much the export is longer whose import shows whether memory grows with the file."""
MOST_MB = 700
REPEATS = 3
"""Runs of the shell and of the import, in turn: other work on the machine disturbs both alike."""
BARE = "CREATE TABLE reading (time TEXT, voltage REAL, current REAL, temperature REAL, soc REAL)"


def main() -> None:
    """Run the bench that is asked for."""
    parser = argparse.ArgumentParser(prog="python -m tests.bench", description=__doc__)
    commands = parser.add_subparsers(dest="command", required=True)
    aims_ = commands.add_parser("aims", help="the table of aims")
    aims_.add_argument("--rows", type=int, default=3_000_000, help="readings of the export (%(default)s)")
    aims_.add_argument("--history", type=int, default=10_000_000, help="readings of the long logbook (%(default)s)")
    lengths = commands.add_parser("length", help="import and first answer by length of the file")
    lengths.add_argument("rows", type=int, nargs="*", default=[300_000, 1_000_000, 3_000_000])
    histories = commands.add_parser("history", help="a week's import by readings stored before")
    histories.add_argument("rows", type=int, nargs="*", default=[0, 1_000_000, 10_000_000])
    packs_ = commands.add_parser("packs", help="a week's import by other packs in the logbook")
    packs_.add_argument("packs", type=int, nargs="*", default=[1, 10, 30])
    filling = commands.add_parser("fill", help="make a logbook of so many readings")
    filling.add_argument("database", type=Path)
    filling.add_argument("rows", type=int)
    filling.add_argument("--packs", type=int, default=1)
    killing = commands.add_parser("kills", help="kill commands half way and look at what they left")
    killing.add_argument("--count", type=int, default=200, help="kills at random, over all commands (%(default)s)")
    killing.add_argument("--every-boundary", action="store_true", help="besides, one kill at each statement of each")
    killing.add_argument("--interval", type=int, default=10, help="seconds from reading to reading (%(default)s)")
    killing.add_argument("--seed", type=int, default=1)
    killing.add_argument("--only", nargs="*", default=[], help="of these commands alone")
    fuzzing = commands.add_parser(
        "fuzz", help="any input at all into the importer or the dashboard, or damage to logbooks"
    )
    fuzzing.add_argument(
        "how",
        choices=["guided", "shapes", "http", "damage"],
        help="importer, led by what inputs reach (atheris); importer, wounds alone; dashboard; damaged logbooks",
    )
    fuzzing.add_argument("--runs", type=int, default=10_000, help="inputs (%(default)s)")
    fuzzing.add_argument("--seed", type=int, default=1)
    fuzzing.add_argument("--keep", type=Path, help="new folder for inputs not met well and for the server's log")
    chosen = parser.parse_args()
    if chosen.command == "fuzz":
        sys.exit(fuzz(chosen))
    if chosen.command == "fill":
        step("stored", chosen.database.absolute(), chosen.rows, chosen.packs)
        return
    with tempfile.TemporaryDirectory(prefix="logbook-bench-") as folder:
        run(chosen, Path(folder))


def run(chosen: argparse.Namespace, folder: Path) -> None:
    """Run one bench in a folder."""
    if chosen.command == "aims":
        heading("what", "wall s", "CPU s", "peak MB", "aim", "")
        aims_of_an_export(folder, chosen.rows)
        aim_of_a_long_export(folder, TIMES_AS_LONG * chosen.rows)
        aims_of_history(folder, chosen.history)
        aims_of_commands(folder)
    elif chosen.command == "length":
        heading("readings", "shell s", "import s", "CPU s", "peak MB", "first health s", "peak MB")
        for rows in chosen.rows:
            by_length(folder, rows)
    elif chosen.command == "history":
        heading("readings before", "import s", "refresh s", "answer s", "peak MB")
        for rows in chosen.rows:
            grown(folder, f"{rows:,}", rows)
    elif chosen.command == "packs":
        heading("packs", "import s", "refresh s", "answer s", "peak MB")
        for number in chosen.packs:
            grown(folder, str(number), 100_000, packs=number)
    else:
        kill(folder, chosen)


def kill(folder: Path, chosen: argparse.Namespace) -> None:
    """Kill, and tell by command how often and what was wrong after it; ends with 1 where anything was."""
    from tests.bench import kills  # noqa: PLC0415 - loads the whole program

    settings = {"every_boundary": chosen.every_boundary, "interval_s": chosen.interval, "seed": chosen.seed}
    done: list[kills.Kill] = []
    known = {case.name: case for case in (*kills.CASES, *kills.LONG_CASES)}
    cases = [known[name] for name in chosen.only or known]
    for each in kills.run(folder, cases, chosen.count, **settings):
        done.append(each)
        for problem in each.problems:
            print(f"{each.case} {each.where}: {problem}", file=sys.stderr, flush=True)
    heading("command", "kills", "died of it", "with problems")
    for case in cases:
        mine = [each for each in done if each.case == case.name]
        wrong = sum(bool(each.problems) for each in mine)
        line(case.name, str(len(mine)), str(sum(each.landed for each in mine)), str(wrong))
    if any(each.problems for each in done):
        sys.exit(1)


def fuzz(chosen: argparse.Namespace) -> int:
    """Fuzz; gives the exit code, 0 where every input was met well."""
    from tests.bench import fuzz as importer  # noqa: PLC0415 - loads the whole program
    from tests.bench import fuzz_damage, fuzz_http  # noqa: PLC0415

    kept = chosen.keep or Path(tempfile.mkdtemp(prefix="logbook-fuzz-"))
    kept.mkdir(parents=True, exist_ok=True)
    if chosen.how == "http":
        code = fuzz_http.main(chosen.runs, chosen.seed, kept)
    elif chosen.how == "damage":
        code = fuzz_damage.main(chosen.runs, chosen.seed, kept)
    else:
        code = importer.run(chosen.runs, chosen.seed, kept, guided=chosen.how == "guided")
    if not chosen.keep and not code:
        shutil.rmtree(kept)
    return code


def heading(*names: str) -> None:
    """Begin a table."""
    line(*names)
    line(*("---" for _ in names))


def line(*cells: str) -> None:
    """One row of a table in Markdown, shown as soon as it is known."""
    print("| " + " | ".join(cells) + " |", flush=True)


def show(what: str, took: Measured, aim: str = "", *, holds: bool | None = None) -> None:
    """One row: what, how long, how large, the aim and whether it holds."""
    verdict = "" if holds is None else "holds" if holds else "**does not hold**"
    line(what, f"{took.wall_s:.2f}", f"{took.cpu_s:.2f}", f"{took.peak_mb:.0f}", aim, verdict)


def say(what: str, value: str, aim: str, *, holds: bool) -> None:
    """One row for what is no run of a command."""
    line(what, value, "", "", aim, "holds" if holds else "**does not hold**")


def shell_import(export: Path, database: Path) -> Measured:
    """The baseline: the shell's import of the same file into a bare table, time as text."""
    if not shutil.which("sqlite3"):
        sys.exit("The baseline needs the sqlite3 shell: install the package sqlite3.")
    return measured(["sqlite3", database, BARE, f".import --csv --skip 1 {export} reading"])


def new_logbook(database: Path) -> None:
    """A logbook with one pack."""
    logbook(database, "pack", "add", PACK, "--rated-ah", str(RATED_AH), "--cells", "4")


def aims_of_an_export(folder: Path, rows: int) -> None:
    """First import, the same again, size and reading back."""
    export = folder / "export.csv"
    step("export", export, rows)
    size = export.stat().st_size / 1e6
    shells, firsts = [], []
    for number in range(REPEATS):
        shells.append(shell_import(export, folder / f"bare-{number}"))
        database = folder / f"export-{number}.sqlite3"
        new_logbook(database)
        firsts.append(logbook(database, "import", export, "--pack", PACK, *SAID))
    shell, first = (min(took, key=lambda each: each.wall_s) for took in (shells, firsts))
    show(f"`sqlite3` shell, `.import` of {rows:,} rows ({size:.0f} MB), quickest of {REPEATS}", shell)
    show("Arrow's CSV reader alone, one thread (outer limit)", step("parse", export))
    show("recognise, read and repair, nothing stored", step("read", export))
    show("`logbook import` of the same file", first, "≤ shell's wall time", holds=first.wall_s <= shell.wall_s)
    say("its peak memory", f"{first.peak_mb:.0f} MB", f"≤ {MOST_MB} MB", holds=first.peak_mb <= MOST_MB)
    again = logbook(database, "import", export, "--pack", PACK, *SAID)
    show("the same file again", again, "≤ 0.5 s", holds=again.wall_s <= 0.5)
    each = sum(file.stat().st_size for file in folder.glob(f"{database.name}*") if file.is_file()) / rows
    say("store, by reading, with rollups", f"{each:.1f} bytes", "≤ 32 bytes", holds=each <= 32)
    show("ADBC, all readings to Arrow (outer limit)", step("adbc", database))
    show("`read_readings`, all, in plain units", step("readings", database))
    answered = step("answer", database)
    show("first health", answered)
    first_s, again_s = answered.told["first_s"], answered.told["again_s"]
    say(
        "health again in the same program",
        f"{1000 * again_s:.0f} ms",
        "≤ 1/10 of the first",
        holds=again_s <= first_s / 10,
    )
    for file in folder.iterdir():
        shutil.rmtree(file) if file.is_dir() else file.unlink()


def aim_of_a_long_export(folder: Path, rows: int) -> None:
    """Memory does not grow with the file: a longer one stays below the same bound."""
    export, database = folder / "export.csv", folder / "export.sqlite3"
    step("export", export, rows)
    new_logbook(database)
    took = logbook(database, "import", export, "--pack", PACK, "--forget-original", *SAID)
    show(f"`logbook import` of {rows:,} rows: its peak memory", took, f"≤ {MOST_MB} MB", holds=took.peak_mb <= MOST_MB)
    for file in folder.iterdir():
        shutil.rmtree(file) if file.is_dir() else file.unlink()


def aims_of_history(folder: Path, rows: int) -> None:
    """A week on a long history against the same into an empty logbook; charts."""
    export, long, empty = folder / "week.csv", folder / "long.sqlite3", folder / "empty.sqlite3"
    step("stored", long, rows)
    show(f"first health of {rows:,} readings", step("answer", long))
    step("export", export, WEEK_ROWS, rows // 86_400 + 2)
    new_logbook(empty)
    alone = step("add", empty, export)
    show("a week at 1 Hz into an empty logbook, answers refreshed", alone)
    added = step("add", long, export)
    ratio = sum(added.told.values()) / sum(alone.told.values())
    show(f"the same on {rows:,} readings", added, f"≤ 1.5 × ({ratio:.2f} ×)", holds=ratio <= 1.5)
    charts = step("windows", long).told
    what = f"chart windows of an hour to everything, on {rows:,}: 95th percentile"
    say(what, f"{charts['p95_ms']:.0f} ms", "≤ 150 ms", holds=charts["p95_ms"] <= 150)
    for file in folder.iterdir():
        shutil.rmtree(file) if file.is_dir() else file.unlink()


def aims_of_commands(folder: Path) -> None:
    """Help and the health of a year of minutes."""
    shown = min((logbook(folder / "none", "--help") for _ in range(3)), key=lambda took: took.wall_s)
    show("`logbook --help`", shown, "≤ 0.3 s", holds=shown.wall_s <= 0.3)
    year = folder / "year.sqlite3"
    step("stored", year, YEAR_MINUTES, 1, 60)
    first = logbook(year, "health", PACK)
    show("`logbook health`, a year of minutes, first", first)
    again = logbook(year, "health", PACK)
    show("`logbook health`, a year of minutes", again, "≤ 1 s", holds=again.wall_s <= 1)


def by_length(folder: Path, rows: int) -> None:
    """Import and first answer of one file."""
    export, database, bare = (folder / f"{rows}{end}" for end in (".csv", ".sqlite3", ".bare"))
    step("export", export, rows)
    shell = shell_import(export, bare)
    bare.unlink()
    new_logbook(database)
    took = logbook(database, "import", export, "--pack", PACK, "--forget-original", *SAID)
    first = step("answer", database)
    figures = (shell.wall_s, took.wall_s, took.cpu_s, took.peak_mb, first.wall_s, first.peak_mb)
    line(f"{rows:,}", *(f"{value:.0f}" if value >= 50 else f"{value:.2f}" for value in figures))
    export.unlink()
    database.unlink()


def grown(folder: Path, name: str, rows: int, *, packs: int = 1) -> None:
    """A week on what is there already; the findings of what is there are made before."""
    export, database = folder / "week.csv", folder / f"{rows}-{packs}.sqlite3"
    if rows:
        step("stored", database, rows, packs)
        step("answer", database)
    else:
        new_logbook(database)
    step("export", export, WEEK_ROWS, rows // 86_400 + 2)
    took = step("add", database, export)
    line(name, *(f"{took.told[key]:.2f}" for key in ("import_s", "refresh_s", "answer_s")), f"{took.peak_mb:.0f}")
    database.unlink()


if __name__ == "__main__":
    main()
