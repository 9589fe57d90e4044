"""Audit: `.ci/audit` itself is tried, against a service of our own on loopback that speaks OSV's query interface.

`python3 -m tests.audit`, with pip-audit on the PATH; needs nothing else. A planted fault must be found and fail the
audit, a service without any fault of ours must let it pass, and one that cannot know must not pass for "no faults".
Interface: OSV, https://google.github.io/osv.dev/post-v1-query/ (from memory), and what pip-audit asks.
"""

from __future__ import annotations

import json
import os
import re
import shutil
import subprocess
import sys
import threading
from dataclasses import dataclass
from http.server import BaseHTTPRequestHandler, ThreadingHTTPServer
from pathlib import Path
from typing import Any

PROJECT = Path(__file__).resolve().parents[1]
OLD = "jinja2==2.4.1"
"""Whose faults every real service knows; the script asks for it first."""
NOT_AUDITED = 3


def fault(name: str) -> dict[str, Any]:
    """A fault of a package, in all its releases."""
    affected = {"package": {"name": name, "ecosystem": "PyPI"}, "ranges": [{"type": "ECOSYSTEM", "events": []}]}
    return {"schema_version": "1.6.0", "id": f"TEST-{name}", "summary": "planted", "affected": [affected]}


class Service(ThreadingHTTPServer):
    """A service that knows faults of some releases, and breaks down when asked for others."""

    def __init__(self, faulty: set[str], breaking: set[str]) -> None:
        super().__init__(("127.0.0.1", 0), Query)
        self.faulty, self.breaking = faulty, breaking
        self.asked: set[str] = set()


class Query(BaseHTTPRequestHandler):
    """One question: a package and its release."""

    server: Service

    def do_POST(self) -> None:
        """Answer with the faults that are known."""
        asked = json.loads(self.rfile.read(int(self.headers["Content-Length"])))
        name = asked["package"]["name"]
        release = f"{name}=={asked['version']}"
        self.server.asked.add(release)
        body = json.dumps({"vulns": [fault(name)]} if release in self.server.faulty else {}).encode()
        self.send_response(500 if release in self.server.breaking else 200)
        self.send_header("Content-Length", str(len(body)))
        self.end_headers()
        self.wfile.write(body)

    def log_message(self, *_words: object) -> None:
        """Say nothing."""


@dataclass(frozen=True)
class Audited:
    """How the script ended."""

    code: int
    said: str
    asked: set[str]
    """Releases the service was asked for."""


def audited(*faulty: str, breaking: str = "", up: bool = True) -> Audited:
    """Run the script beside a service that knows these releases as faulty."""
    service = Service(set(faulty), {breaking})
    serving = threading.Thread(target=service.serve_forever, daemon=True)
    if up:
        serving.start()
    else:
        service.server_close()
    told = {
        **os.environ,
        "PIP_AUDIT_VULNERABILITY_SERVICE": "osv",
        "PIP_AUDIT_OSV_URL": f"http://127.0.0.1:{service.server_port}/v1/query",
        "NO_PROXY": "127.0.0.1",
    }
    words = ["bash", ".ci/audit"]
    done = subprocess.run(words, check=False, cwd=PROJECT, env=told, capture_output=True, text=True, timeout=600)
    if up:
        service.shutdown()
        service.server_close()
    return Audited(done.returncode, done.stdout + done.stderr, service.asked)


def pinned() -> set[str]:
    """What CI installs, named as services name it."""
    lines = (PROJECT / ".ci" / "constraints.txt").read_text("utf-8").split()
    split = (line.split("==") for line in lines)
    return {f"{re.sub('[-_.]+', '-', name).lower()}=={version}" for name, version in split}


def main() -> int:
    """Try the script; 1 where it does not do what it says."""
    if not shutil.which("pip-audit"):
        print("NOT TRIED: pip-audit is not on the PATH: python3 -m pip install 'pip-audit>=2.9,<3'", file=sys.stderr)
        return NOT_AUDITED
    planted = max(pinned())
    sound = audited(OLD)
    cases = (
        ("no release of ours is faulty", sound, {0}, "No known vulnerabilities found"),
        ("every release of ours was asked for", sound, {0} if pinned() <= sound.asked else set(), ""),
        (f"{planted} is faulty", audited(OLD, planted), {1}, f"TEST-{planted.split('==')[0]}"),
        ("the service knows nothing at all", audited(), {NOT_AUDITED}, "NOT AUDITED"),
        ("the service breaks down at the old release", audited(OLD, breaking=OLD), {NOT_AUDITED}, "NOT AUDITED"),
        ("the service breaks down later", audited(OLD, breaking=planted), {1, 2}, ""),
        ("no service answers", audited(up=False), {NOT_AUDITED}, "NOT AUDITED"),
    )
    failed = 0
    for what, found, codes, words in cases:
        held = found.code in codes and words in found.said
        failed += not held
        print(f"{'holds' if held else 'DOES NOT HOLD'}: {what}: ended with {found.code}", flush=True)
        if not held:
            print(found.said, file=sys.stderr)
    return bool(failed)


if __name__ == "__main__":
    sys.exit(main())
