"""Fuzz of the dashboard: a server of its own on loopback, asked all sorts of things, and watched.

No answer may be a fault of the server (5xx), show a trace or a path of this machine, lack the headers that keep a
browser from guessing, or be late; the server must live, not grow, and write nowhere but into its logbook's folder.
"""

from __future__ import annotations

import contextlib
import http.client
import json
import random
import re
import select
import socket
import subprocess
import sys
import threading
import time
from collections import Counter
from dataclasses import dataclass, field
from pathlib import Path
from typing import TYPE_CHECKING, Any
from urllib.parse import quote

from logbook.dashboard.wellformed import fits
from logbook.store import add_note, add_pack, commit_import, open_store
from logbook.store.packs import LIMIT_NAMES
from tests.bench.logs import day_of, recording_of
from tests.bench.measure import PROJECT

if TYPE_CHECKING:
    from collections.abc import Callable, Iterator

LONGEST_S = 20
"""For an answer, on a machine busy with other things."""
LONGEST_ALONE_S = 3
"""For an answer when nothing else is asked."""
ASKED_AGAIN = 30
"""So many of the requests that took longest are asked once more, each alone."""
MOST_GROWTH_MB = 200
"""Of the server, after the first tenth of the requests: caches are filled by then."""
READERS = 4
SLOW = 30
"""Readers beside them who never finish what they say; the server takes 64 in all."""
SHOWN = re.compile(rb'Traceback|File "|\.py\b|site-packages|sqlalchemy|sqlite3?\.|logbook\.sqlite3', re.IGNORECASE)
"""What no answer may hold; the place of the logbook comes on top."""
MARKUP = re.compile(rb"<script>alert|<img src=x")
CODE = re.compile(rb"/(assets|_dash-component-suites)/")
"""Addresses that serve code and pictures, whose words are their authors'."""
BEGUN = 201
UNFORESEEN = b"Something went wrong here"
SENSIBLE = 0.9
"""Share of a page's values that are of the kind they should be."""
FORESEEN_5XX = {501, 507}
"""A way of sending that is not understood (RFC 9112, 6.1); no room on the disk, as a length of gigabytes is told."""
ODD_NUMBERS = (
    "0",
    "-1",
    "1",
    "2",
    "9" * 12,
    "9" * 30,
    "1e9",
    "0x10",
    "1.5",
    "٣",
    "",
    " 1",
    "1;2",
    "nan",
    "%00",
    "../1",
)
ODD_TEXTS = (
    "", " ", "<script>alert(1)</script>", '"><img src=x onerror=alert(1)>', "=1+1", "../../etc/passwd", "..\\..\\x",
    "/etc/passwd", "C:\\x", "\u202egnp.csv", "a" * 300, "a" * 10_000, "\U0001f50b" * 50, "\x00", "\r\nX: y", "%2e%2e%2f",
    "nul", "CON.csv", "2025-01-01", "2025-01-01 10:00", "Europe/Berlin", "lfp", "100", "4", "charge", "2", "-5", "0.5",
    ".", "..", "...", "'; DROP TABLE pack; --", "{{7*7}}", "${7*7}", "House", "2020-01-01T00:00", "1",
)  # fmt: skip
ODD_JSON: tuple[Any, ...] = (
    None, True, False, 0, -1, 1, 1e308, -1e-308, 10**30, "", "x", "1", "2020-01-01", [], [None], [[]], {}, {"a": 1},
    {"x": None}, {"points": [{"x": "x"}]}, {"xaxis.range[0]": "x", "xaxis.range[1]": 5}, {"autosize": True},
    {"xaxis.range[0]": "2020-01-01", "xaxis.range[1]": "2020-01-02"}, ["a"] * 50, "y" * 5000, *ODD_TEXTS,
)  # fmt: skip
PAGES = (
    "/", "/imports", "/settings", "/healthz", "/_dash-layout", "/_dash-dependencies", "/_favicon.ico", "/robots.txt",
    *(f"/pack/1{end}" for end in ("", "/capacity", "/cold", "/parked", "/use", "/monitor", "/attention", "/readings",
      "/details", "/sag", "/swap")),
    *(f"/api/v1/packs/1/{name}.csv" for name in ("capacity", "cold", "protection", "flags", "months", "readings", "x")),
    "/api/v1/imports/1/set-aside.csv", "/imports/1", "/api/v1/jobs/1", "/api/v1/uploads/0123456789abcdef", "/api/v1",
    "/assets/logbook.js", "/assets/logbook.css", "/_dash-component-suites/dash/deps/react.js",
)  # fmt: skip
HEADERS = (
    "Host", "Origin", "Cookie", "Content-Type", "Content-Length", "Transfer-Encoding", "Accept-Encoding", "Range",
    "X-Requested-With", "X-Filename", "If-None-Match", "If-Modified-Since", "Sec-Fetch-Site", "X-Forwarded-Host",
    "X-Forwarded-For", "Referer", "Accept-Language", "Authorization", "Expect", "Connection", "Upgrade", "X-HTTP-Method-Override",
)  # fmt: skip


@dataclass(frozen=True)
class Ask:
    """One request."""

    method: str
    path: str
    headers: dict[str, str] = field(default_factory=dict)
    body: bytes | None = None
    raw: bytes | None = None
    """The very bytes to send, where it is no request that a library would make."""

    def shown(self) -> str:
        """Itself, cut, as a report may hold it."""
        return repr((self.raw or f"{self.method} {self.path} {(self.body or b'')[:1500]!r}".encode())[:1800])


@dataclass
class Told:
    """What was seen."""

    statuses: Counter[int] = field(default_factory=Counter)
    problems: list[str] = field(default_factory=list)
    unforeseen: int = 0
    """Answers in plain words that stand for an exception nobody foresaw, which the server's log has."""
    slowest: list[tuple[float, Ask]] = field(default_factory=list)
    """Seconds and request, of those that took longest."""
    slowest_alone_s: float = 0.0
    grown_mb: float = 0.0
    peak_mb: float = 0.0


class Server:
    """`logbook serve` on a logbook of two days, in a process of its own."""

    def __init__(self, folder: Path) -> None:
        self.home = folder / "place-nobody-may-see"
        self.home.mkdir(parents=True)
        database = self.home / "logbook.sqlite3"
        with open_store(str(database)) as store:
            pack = add_pack(store, name='House <b>"1"</b>', rated_ah=100, cells_in_series=4)
            commit_import(store, pack, recording_of(day_of(0, 60)), None)
            add_pack(store, name="=Spare", rated_ah=100, cells_in_series=4)
            add_note(store, pack.id, 0, "<script>alert(1)</script>")
        self.log = folder / "server.log"
        words = [sys.executable, "-m", "logbook", "--db", str(database), "serve", "--port", "0"]
        with self.log.open("wb") as log:
            self.process = subprocess.Popen(words, cwd=PROJECT, stdout=log, stderr=log)
        self.port = self._port()

    def _port(self) -> int:
        for _ in range(600):
            found = re.search(r"http://127\.0\.0\.1:(\d+)/", self.log.read_text("utf-8"))
            if found:
                return int(found[1])
            time.sleep(0.1)
        raise TimeoutError(self.log.read_text("utf-8"))

    def memory_mb(self) -> float:
        """Resident memory now."""
        status = Path(f"/proc/{self.process.pid}/status").read_text("utf-8")
        return int(re.search(r"VmRSS:\s+(\d+)", status)[1]) / 1024  # type: ignore[index]

    def stop(self) -> None:
        """End it."""
        self.process.terminate()
        self.process.wait(30)


class Asker:
    """Makes requests up; each reader has its own."""

    def __init__(self, seed: int, callbacks: list[dict[str, Any]]) -> None:
        self.rng = random.Random(seed)
        self.callbacks = callbacks
        self.tokens: list[str] = []
        self.kinds: tuple[Callable[[], Ask], ...] = (
            self.page, self.page, self.callback, self.callback, self.callback, self.begin, self.piece, self.mapping,
            self.abuse, self.malformed,
        )  # fmt: skip

    def ask(self) -> Ask:
        """One request."""
        return self.rng.choice(self.kinds)()

    def number(self) -> str:
        """A number, or none."""
        return self.rng.choice(ODD_NUMBERS)

    def text(self) -> str:
        """A text as a stranger may choose it."""
        return self.rng.choice(ODD_TEXTS)

    def page(self) -> Ask:
        """An address, as it is or changed."""
        path = self.rng.choice(PAGES)
        if self.rng.random() < 0.5:
            path = re.sub(r"\d+", lambda _found: quote(self.number()), path, count=1)
        if self.rng.random() < 0.3:
            path += "/" + quote(self.text(), safe=self.rng.choice(("", "/.%")))
        if self.rng.random() < 0.5:
            names = ("from", "to", "watts", "soc", "celsius", "key", "zone", "at", "q", "length", "pack")
            pairs = [(self.rng.choice(names), self.rng.choice((self.number(), self.text()))) for _ in range(3)]
            path += "?" + "&".join(f"{name}={quote(value)}" for name, value in pairs)
        return Ask(self.rng.choice(("GET", "GET", "GET", "HEAD", "POST", "PUT", "DELETE", "OPTIONS", "TRACE")), path)

    def callback(self) -> Ask:
        """What a page sends when something is pressed, with odd values or out of shape."""
        known = self.rng.choice(self.callbacks)
        names: dict[str, list[Any]] = {}
        body: Any = {
            "output": known["output"],
            "outputs": outputs_of(known["output"]),
            "inputs": [self._wired(entry, names) for entry in known["inputs"]],
            "state": [self._wired(entry, names) for entry in known["state"]],
            "changedPropIds": [f"{entry['id']}.{entry['property']}" for entry in known["inputs"][:1]],
        }
        if self.rng.random() < 0.15:
            body = self._broken(body)
        sent = json.dumps(body).encode()
        if self.rng.random() < 0.05:
            sent = sent[: self.rng.randrange(len(sent))]
        return Ask("POST", "/_dash-update-component", {"Content-Type": "application/json"}, sent)

    def _wired(self, entry: dict[str, Any], names: dict[str, list[Any]]) -> Any:
        """One part of a page with its value; of those that share their kind some, the same ones each time."""
        name = entry["id"]
        if not name.startswith("{"):
            return self._valued(name, entry["property"])
        if name not in names or self.rng.random() < 1 - SENSIBLE:
            names[name] = [self._one_of(json.loads(name)) for _ in range(self.rng.choice((0, 1, 1, 2, 30)))]
        if self.rng.random() < 1 - SENSIBLE:
            return self._valued(self._one_of(json.loads(name)), entry["property"])
        return [self._valued(each, entry["property"]) for each in names[name]]

    def _one_of(self, pattern: dict[str, Any]) -> dict[str, Any]:
        """A name of the kind; numbers and limits are often such as there are."""
        there = {"name": LIMIT_NAMES, "job": range(1, 9), "place": range(4), "note": (1,)}
        return {
            key: self.rng.choice(tuple(there[key]) if key in there and self.rng.random() < SENSIBLE else ODD_TEXTS)
            if isinstance(value, list)
            else value
            for key, value in pattern.items()
        }

    def _valued(self, name: Any, of: str) -> dict[str, Any]:
        """A value for a part of a page."""
        fitting = [value for value in ODD_JSON if fits({"id": name, "property": of, "value": value})]
        value = self.rng.choice(fitting if fitting and self.rng.random() < SENSIBLE else ODD_JSON)
        sensible = self.rng.random() < 0.8
        if of == "pathname" and sensible:
            value = self.rng.choice(PAGES)
        elif of == "n_clicks" and sensible:
            value = 1
        elif of == "id" and sensible:
            value = name
        elif str(name).endswith("-pack") and sensible:
            value = self.rng.choice(("1", "2", 1, 2))
        return {"id": name, "property": of, "value": value}

    def _broken(self, body: Any) -> Any:
        """Something inside of it taken away or put in the place of something else."""
        if isinstance(body, dict) and body and self.rng.random() < 0.85:
            key = self.rng.choice(list(body))
            if self.rng.random() < 0.2:
                return {name: value for name, value in body.items() if name != key}
            return {**body, key: self._broken(body[key])}
        if isinstance(body, list) and body and self.rng.random() < 0.85:
            place = self.rng.randrange(len(body))
            return [*body[:place], self._broken(body[place]), *body[place + 1 :]]
        return self.rng.choice(ODD_JSON)

    def begin(self) -> Ask:
        """A file announced."""
        length = self.rng.choice(("100", "1", "3000000", self.number()))
        path = f"/api/v1/uploads?pack={quote(self.rng.choice(('1', '1', self.number())))}&length={quote(length)}"
        path += f"&changed={quote(self.number())}" if self.rng.random() < 0.5 else ""
        return Ask("POST", path, {**self._own(), "X-Filename": quote(self.rng.choice(("a.csv", self.text())))}, b"")

    def piece(self) -> Ask:
        """A piece of a file, perhaps at the wrong place, of the wrong length, of no file."""
        token = self.rng.choice(self.tokens) if self.tokens and self.rng.random() < 0.9 else quote(self.text())
        body = self.rng.choice(
            (b"", b"x", b"Time,Voltage (V)\n2026-02-07 06:00:00,13.2\n" * 3, self.rng.randbytes(200))
        )
        at = self.rng.choice(("0", "0", "1", self.number()))
        return Ask(
            self.rng.choice(("PUT", "PUT", "PUT", "GET")), f"/api/v1/uploads/{token}?at={quote(at)}", self._own(), body
        )

    def mapping(self) -> Ask:
        """A mapping for a job, or a look at one."""
        body = self.rng.choice((b"", b"[time]\n", b"[file]\ndelimiter=1", self.rng.randbytes(50), b"x" * 70_000))
        number = quote(self.rng.choice((str(self.rng.randint(1, 60)), self.number())))
        if self.rng.random() < 0.4:
            return Ask("GET", f"/api/v1/jobs/{number}")
        return Ask("PUT", f"/api/v1/jobs/{number}/mapping", self._own(), body)

    def _own(self) -> dict[str, str]:
        return {"X-Requested-With": "fuzz"} if self.rng.random() < 0.95 else {}

    def abuse(self) -> Ask:
        """An honest address with odd headers."""
        found = {}
        for _ in range(self.rng.randint(1, 4)):
            value = self.rng.choice(
                (self.text(), self.number(), "chunked", "gzip", "bytes=0-", "bytes=9-1", "logbook-zone=x")
            )
            value = value.encode("ascii", "ignore").decode().replace("\r", "").replace("\n", "").replace("\x00", "")
            found[self.rng.choice(HEADERS)] = value[: self.rng.choice((50, 8000))]
        lines = [f"{self.rng.choice(('GET', 'POST', 'PUT'))} {self.rng.choice(PAGES)} HTTP/1.1"]
        lines += [] if "Host" in found else ["Host: 127.0.0.1"]
        lines += [f"{name}: {value}" for name, value in found.items()]
        return Ask("", "", raw="\r\n".join([*lines, "", ""]).encode("latin-1", "ignore"))

    def malformed(self) -> Ask:
        """No request at all, or one that contradicts itself."""
        kind = self.rng.randrange(6)
        head = b"POST /_dash-update-component HTTP/1.1\r\nHost: 127.0.0.1\r\n"
        made = (
            self.rng.randbytes(self.rng.randint(1, 300)) + b"\r\n\r\n",
            head
            + b"Transfer-Encoding: chunked\r\n\r\n"
            + self.rng.choice((b"zz\r\n", b"-1\r\n\r\n", b"5\r\nab", b"FFFFFFFFFFFF\r\n")),
            head + b"Content-Length: " + self.rng.choice((b"-1", b"x", b"5, 6", b"9" * 30, b"100")) + b"\r\n\r\n{}",
            head + b"Content-Length: 2\r\nTransfer-Encoding: chunked\r\n\r\n0\r\n\r\nGET / HTTP/1.1\r\n\r\n",
            b"GET /" + b"a" * self.rng.choice((10, 5000, 300_000)) + b" HTTP/1.1\r\nHost: 127.0.0.1\r\n\r\n",
            b"GET "
            + self.rng.choice((b"http://evil.example/", b"*", b"//evil/..", b"/%", b"/%ff%fe", b"\\", b"/\x00"))
            + b" HTTP/1."
            + self.rng.choice((b"0", b"1", b"9", b""))
            + b"\r\n"
            + b"X: y\r\n" * self.rng.choice((0, 5, 3000))
            + b"\r\n",
        )
        return Ask("", "", raw=made[kind])


def outputs_of(name: str) -> Any:
    """What dash's own page sends as `outputs` for the name of a callback's outputs."""
    single = [part.rsplit(".", 1) for part in name.strip(".").split("...")]
    found = [{"id": json.loads(i) if i.startswith("{") else i, "property": p.split("@")[0]} for i, p in single]
    return found if name.startswith("..") else found[0]


def answer_to(port: int, ask: Ask) -> tuple[int, dict[str, str], bytes] | None:
    """Ask once; None where the server hung up without a word, as it may on what is no request."""
    if ask.raw is not None:
        return raw_answer(port, ask.raw)
    connection = http.client.HTTPConnection("127.0.0.1", port, timeout=LONGEST_S)
    try:
        connection.putrequest(ask.method, ask.path, skip_accept_encoding=True)
        for name, value in ask.headers.items():
            connection.putheader(name, value)
        if ask.body is not None:
            connection.putheader("Content-Length", str(len(ask.body)))
        connection.endheaders(ask.body)
        found = connection.getresponse()
        return found.status, dict(found.getheaders()), found.read()
    finally:
        connection.close()


def raw_answer(port: int, sent: bytes) -> tuple[int, dict[str, str], bytes] | None:
    """Send bytes, say no more, and read what comes."""
    with socket.create_connection(("127.0.0.1", port), timeout=LONGEST_S) as line:
        with contextlib.suppress(OSError):
            line.sendall(sent)
            line.shutdown(socket.SHUT_WR)
        got = b""
        with contextlib.suppress(ConnectionError):
            while block := line.recv(1 << 16):
                got += block
    found = re.match(rb"HTTP/1\.[01] (\d{3})[^\r\n]*\r\n(.*?)\r\n\r\n(.*)", got, re.DOTALL)
    if not found:
        return None
    headers = dict(part.split(": ", 1) for part in found[2].decode("latin-1").split("\r\n") if ": " in part)
    return int(found[1]), headers, found[3]


def looked_at(ask: Ask, answer: tuple[int, dict[str, str], bytes], home: bytes) -> Iterator[str]:
    """What is wrong with an answer."""
    status, headers, body = answer
    if status >= 500 and status not in FORESEEN_5XX:
        yield f"status {status}"
    shown = None if CODE.search(ask.raw or ask.path.encode()) else SHOWN.search(body)
    shown = shown or re.search(re.escape(home), body)
    if shown:
        yield f"shows {shown[0]!r}: {body[max(shown.start() - 60, 0) : shown.end() + 60]!r}"
    if "Server" in headers or "X-Powered-By" in headers:
        yield "says what it is made with"
    if status != 400 and ask.raw is None and headers.get("X-Content-Type-Options") != "nosniff" and status < 500:
        yield f"status {status} without its headers"
    if headers.get("Content-Type", "").startswith("text/html") and MARKUP.search(body):
        yield "markup of a stranger in a page"


def run(runs: int, seed: int, folder: Path, *, again: bool = False) -> Told:
    """Ask so many times, by several readers at once, beside slow ones; then `again` what took longest, alone."""
    server = Server(folder)
    told = Told()
    try:
        answer = answer_to(server.port, Ask("GET", "/_dash-dependencies"))
        callbacks = [entry for entry in json.loads(answer[2]) if not entry.get("clientside_function")] if answer else []
        stop = threading.Event()
        dawdling = threading.Thread(target=dawdle, args=(server.port, stop))
        dawdling.start()
        every = max(runs // READERS, 1)
        warm = Asks(server, callbacks, told)
        warm.all(seed, every // 10 + 1)
        before = server.memory_mb()
        warm.all(seed + 100, every - every // 10)
        stop.set()
        dawdling.join()
        told.peak_mb = server.memory_mb()
        told.grown_mb = told.peak_mb - before
        if told.grown_mb > MOST_GROWTH_MB:
            told.problems.append(f"the server grew by {told.grown_mb:.0f} MB")
        if answer_to(server.port, Ask("GET", "/healthz")) is None or server.process.poll() is not None:
            told.problems.append("the server is gone")
        if again:
            ask_again(server.port, told)
        told.problems += strays(folder)
    finally:
        server.stop()
    return told


def ask_again(port: int, told: Told) -> None:
    """Ask what took longest once more, each alone, once the server has nothing else to do."""
    time.sleep(LONGEST_ALONE_S)
    for _took, ask in told.slowest:
        began = time.perf_counter()
        with contextlib.suppress(OSError, http.client.HTTPException):
            answer_to(port, ask)
        took = time.perf_counter() - began
        told.slowest_alone_s = max(told.slowest_alone_s, took)
        if took > LONGEST_ALONE_S:
            told.problems.append(f"{took:.1f} s alone  <- {ask.shown()}")


class Asks:
    """Readers at one server, and what they saw."""

    def __init__(self, server: Server, callbacks: list[dict[str, Any]], told: Told) -> None:
        self.server, self.callbacks, self.told = server, callbacks, told
        self.lock = threading.Lock()
        self.home = str(server.home).encode()

    def all(self, seed: int, each: int) -> None:
        """So many requests by each reader."""
        readers = [threading.Thread(target=self.some, args=(seed + number, each)) for number in range(READERS)]
        for reader in readers:
            reader.start()
        for reader in readers:
            reader.join()

    def some(self, seed: int, count: int) -> None:
        """The requests of one reader."""
        asker = Asker(seed, self.callbacks)
        for _ in range(count):
            ask = asker.ask()
            began = time.perf_counter()
            try:
                answer, wrong = answer_to(self.server.port, ask), list[str]()
            except (OSError, http.client.HTTPException) as error:
                answer, wrong = None, [f"{type(error).__name__}: {error}"]
            took = time.perf_counter() - began
            if answer:
                wrong += looked_at(ask, answer, self.home)
                if answer[0] == BEGUN:
                    asker.tokens = [*asker.tokens[-5:], json.loads(answer[2])["id"]]
            with self.lock:
                self.told.slowest = sorted([*self.told.slowest, (took, ask)], key=lambda one: -one[0])[:ASKED_AGAIN]
                self.told.statuses[answer[0] if answer else 0] += 1
                self.told.unforeseen += bool(answer) and UNFORESEEN in answer[2]
                self.told.problems += [f"{problem}  <- {ask.shown()}" for problem in wrong]


def dawdle(port: int, stop: threading.Event) -> None:
    """Readers who begin to ask and never end."""
    lines: list[socket.socket] = []
    while not stop.is_set():
        with contextlib.suppress(OSError):
            if len(lines) < SLOW:
                lines.append(socket.create_connection(("127.0.0.1", port), timeout=1))
                lines[-1].sendall(
                    b"PUT /api/v1/uploads/0123456789abcdef?at=0 HTTP/1.1\r\nHost: localhost\r\nContent-Length: 2000000\r\n"
                )
        for line in list(lines):
            try:
                line.sendall(b"X-A: b\r\n" if select.select([], [line], [], 0)[1] else b"")
            except OSError:
                lines.remove(line)
        stop.wait(0.5)
    for line in lines:
        line.close()


def strays(folder: Path) -> Iterator[str]:
    """Files that lie where none should."""
    known = re.compile(r"place-nobody-may-see(/logbook\.sqlite3[^/]*(/.*)?)?|server\.log")
    for path in folder.rglob("*"):
        if not known.fullmatch(str(path.relative_to(folder))):
            yield f"a file where none should be: {path.relative_to(folder)}"


def main(runs: int, seed: int, folder: Path) -> int:
    """Ask, and tell what came of it; 1 where anything was wrong."""
    told = run(runs, seed, folder, again=True)
    for problem in told.problems[:50]:
        print(problem, file=sys.stderr)
    counts = ", ".join(f"{status or 'hung up'}: {count:,}" for status, count in sorted(told.statuses.items()))
    print(f"{sum(told.statuses.values()):,} requests ({counts}), {len(told.problems)} not met well")
    slowest_s = max((took for took, _ask in told.slowest), default=0.0)
    print(f"{told.unforeseen:,} answered with a number of the server's log")
    print(f"the slowest took {slowest_s:.2f} s; of the {len(told.slowest)} slowest, {told.slowest_alone_s:.2f} s alone")
    print(f"the server's memory: {told.peak_mb:.0f} MB, {told.grown_mb:+.0f} MB since the first tenth")
    return bool(told.problems)
