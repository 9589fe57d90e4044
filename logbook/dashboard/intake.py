"""Intake: files that came through the browser, imported one after the other; the list of them is kept in the logbook.

One worker takes the oldest file that waits. It pauses at a question, and goes on when its owner answered, whatever
happened to page or program in between.
"""

from __future__ import annotations

import contextlib
import logging
import re
import secrets
import threading
import time
from dataclasses import asdict, dataclass
from typing import TYPE_CHECKING, Any

from logbook.dashboard.page import pack_numbered
from logbook.dashboard.plain import error_words, page_words
from logbook.dashboard.sketch import first_lines, sketch
from logbook.dashboard.uploads import Uploads
from logbook.dashboard.view import known_zone
from logbook.errors import BadData, CannotWrite, LogbookError, UnknownName
from logbook.ingest import ImportOptions, parse_mapping

if TYPE_CHECKING:
    from collections.abc import Callable, Mapping
    from pathlib import Path

    from logbook.dashboard.answers import Answers
    from logbook.ingest import Question
    from logbook.schema.pack import Pack

log = logging.getLogger(__name__)

INTAKE = "logbook-intake"
"""Where an app keeps its intake among its extensions."""
KIND = "import"
ACTIVE = ("waiting", "running")
KEPT_JOBS = 20
LONGEST_ANSWER = 200
LONGEST_MAPPING = 1 << 16
MOST_PREVIEWS = 6
PAUSE_S = 1.0
"""How often to look whether another program has let go of its file."""
SIGN_S = 0.5
"""How often the worker says how far it is."""


@dataclass(frozen=True)
class Job:
    """One file on its way in, as the pages see it."""

    id: int
    state: str
    """`waiting`, `running`, `asking`, `done` or `failed`."""
    progress: float
    body: Mapping[str, Any]
    outcome: Mapping[str, Any]
    changed_ms: int

    @property
    def active(self) -> bool:
        """Whether the worker has still to do with it."""
        return self.state in ACTIVE

    @property
    def pack_id(self) -> int:
        """The pack it is of."""
        return int(self.body["pack_id"])

    @property
    def file_name(self) -> str:
        """Its name, as far as names are let through."""
        return str(self.body["file_name"])

    @property
    def folder(self) -> str:
        """Where its file lies among the uploads."""
        return str(self.body["folder"])

    @property
    def answers(self) -> dict[str, str]:
        """Question key to what the owner answered."""
        return dict(self.body.get("answers", {}))

    @property
    def question(self) -> dict[str, Any] | None:
        """What it asks."""
        return self.outcome.get("question")

    @property
    def previews(self) -> list[dict[str, Any]]:
        """What the file would say under each answer."""
        return list(self.outcome.get("previews", ()))

    @property
    def lines(self) -> list[str]:
        """The first lines of the file as they stand."""
        return list(self.outcome.get("lines", ()))

    @property
    def receipt(self) -> dict[str, Any] | None:
        """What it brought."""
        return self.outcome.get("receipt")

    @property
    def error(self) -> dict[str, str] | None:
        """What is wrong, and how to mend it."""
        return self.outcome.get("error")


class Paused(Exception):
    """The file cannot be understood without an answer."""

    def __init__(self, question: Question) -> None:
        super().__init__(question.key)
        self.question = question


class Lost(Exception):
    """Another program has taken the file over."""


class Intake:
    """The files of one logbook on their way in, and the worker that sees to them."""

    def __init__(self, answers: Answers) -> None:
        self.answers = answers
        self.work = answers.work
        self.uploads = Uploads(answers.uploads)
        self._name = secrets.token_hex(8)
        self._lock = threading.Lock()
        self._wake = threading.Event()
        self._worker: threading.Thread | None = None
        self._stopped = False
        self.uploads.tidy({job.folder for job in self.jobs()})
        self.wake()

    def wake(self) -> None:
        """See to what waits, should the worker have stopped."""
        if self._waits():
            self._start()

    def jobs(self) -> list[Job]:
        """Every job that was not put aside, newest first."""
        return [job_of(task) for task in self.work.list_tasks(KIND)] if self.work else []

    def _waits(self) -> bool:
        """Whether some worker has still something to do."""
        return bool(self.work and self.work.list_tasks(KIND, states=ACTIVE))

    def job(self, job_id: Any) -> Job:
        """One job; UnknownName where there is none."""
        digits = str(job_id)
        if self.work is None or not (digits.isascii() and digits.isdecimal() and len(digits) <= 12):
            raise UnknownName("There is no such import under way.")
        task = self.work.task_by_id(int(digits))
        if task.kind != KIND:
            raise UnknownName("There is no such import under way.")
        return job_of(task)

    def enqueue(self, token: str) -> Job:
        """Put a file that is here in the queue."""
        upload = self.uploads.upload(token)
        if self.work is None:
            raise CannotWrite("This logbook was opened for reading only.")
        self.uploads.complete(token)
        body = {"pack_id": upload.pack_id, "file_name": upload.file_name, "folder": token}
        task = self.work.add_task(KIND, body)
        self._start()
        return job_of(task)

    def reply(self, job_id: Any, answer: str) -> None:
        """Take the owner's answer to the question a job waits for, and go on."""
        job = self.job(job_id)
        if job.state != "asking" or job.question is None:
            return
        choices = job.question["choices"]
        if choices and answer not in choices:
            raise BadData("This is not one of the choices.")
        told = {**job.answers, job.question["key"]: answer.strip()[:LONGEST_ANSWER]}
        self._resume(job, answers=told, trial=None, shown=shown_of(job))

    def try_out(self, job_id: Any, answer: str) -> None:
        """Show what the file would say if this were the answer."""
        job = self.job(job_id)
        if job.state == "asking" and answer.strip():
            self._resume(job, trial=answer.strip()[:LONGEST_ANSWER], shown=shown_of(job))

    def describe(self, job_id: Any, mapping: str) -> None:
        """Take a mapping that says what the columns of the file are, and read it again."""
        job = self.job(job_id)
        if job.state not in {"asking", "failed"}:
            raise BadData("This file is not waiting for a mapping.")
        if len(mapping.encode()) > LONGEST_MAPPING:
            raise BadData("This mapping is too large.", mend="A mapping is a small text file.")
        parse_mapping(mapping, "the mapping")
        self.uploads.keep_mapping(job.folder, mapping)
        self._resume(job, mapping=True, trial=None, shown=None)

    def put_aside(self, job_id: Any) -> None:
        """Forget a job that is not under way, and its file."""
        job = self.job(job_id)
        if not job.active and self.work and self.work.forget_task(job.id):
            self.uploads.drop(job.folder)

    def stop(self) -> None:
        """Let go of what is under way, so that the next program need not wait for it."""
        self._stopped = True
        self._wake.set()
        if self.work:
            self.work.release_tasks(self._name)

    def _resume(self, job: Job, **changes: Any) -> None:
        if self.work:
            self.work.resume_task(job.id, {**job.body, **changes})
            self._start()

    def _start(self) -> None:
        with self._lock:
            self._wake.set()
            if self._worker is None or not self._worker.is_alive():
                self._worker = threading.Thread(target=self._work, name="import worker", daemon=True)
                self._worker.start()

    def _work(self) -> None:
        """Do what waits; look again where another program has a file, else sleep until called."""
        while not self._stopped and self.work:
            self._wake.clear()
            try:
                task = self.work.claim_task(KIND, self._name)
                if task is not None:
                    self._run(job_of(task))
                    continue
                busy = self._waits()
            except Exception:
                log.exception("the import worker stopped")
                return
            self._wake.wait(PAUSE_S if busy else None)

    def _run(self, job: Job) -> None:
        """One file: read and stored, or brought to a question or an error."""
        path = self.uploads.path(job.folder, job.file_name)
        try:
            question = self._attempt(job, path)
            if question:
                self._asked(job, path, question)
        except Lost:
            log.warning("another program took over the import of %s", job.file_name)
        except LogbookError as error:
            self._failed(job, path, told(error, path, job.file_name))
        except Exception:
            number = secrets.token_hex(3)
            log.exception("import of %s failed (%s)", job.file_name, number)
            words = f"Something went wrong here. It is in the log of the server as {number}. Nothing was stored."
            self._failed(job, path, {"what": words, "mend": ""})

    def _attempt(self, job: Job, path: Path) -> Question | None:
        """Do what the job is about; a question where one is open.

        When it returns, what was read of the file is let go of, so that the previews do not hold it twice.
        """
        try:
            pack = pack_numbered(self.answers, job.pack_id)
            if job.body.get("trial"):
                self._shown(job, path, pack)
            else:
                self._taken_in(job, path, pack)
        except Paused as paused:
            return paused.question
        return None

    def _taken_in(self, job: Job, path: Path, pack: Pack) -> None:
        """Read and store a file, and work the answers out."""
        options = self._options(job, pack)
        receipt = self.answers.import_file(path, pack, options, ask=asker(job.answers), progress=self._sign(job))
        self.answers.health(pack)
        self._say("finish_task", job, {"receipt": receipt.as_json()})
        self.uploads.drop(job.folder)
        self._forget_oldest()

    def _asked(self, job: Job, path: Path, question: Question) -> None:
        """Put a question to the owner, with what the file would say under each answer that can be foreseen."""
        document = asdict(question)
        choices = [choice for choice in question.choices if not choice.startswith("see --")]
        document |= {"choices": choices, "text": page_words(question.text), "evidence": page_words(question.evidence)}
        pack = pack_numbered(self.answers, job.pack_id)
        likely = choices or suggestions(question, pack)
        previews = [self._preview(job, path, choice, question.key) for choice in likely[:MOST_PREVIEWS]]
        self._say("ask_owner", job, {"question": document, "previews": previews, "lines": first_lines(path)})

    def _shown(self, job: Job, path: Path, pack: Pack) -> None:
        """Put the same question again, with what the file would say under the answer that was tried."""
        shown, trial = dict(job.body["shown"]), str(job.body["trial"])
        error = None
        try:
            tried = self._read(job, path, pack, trial, shown["question"]["key"])
            others = [item for item in shown["previews"] if item["choice"] != trial]
            shown["previews"] = [tried, *others][:MOST_PREVIEWS]
        except LogbookError as trouble:
            error = told(trouble, path, job.file_name)
        self._say("ask_owner", job, {**shown, "typed": trial, "error": error})

    def _failed(self, job: Job, path: Path, error: dict[str, str]) -> None:
        """Tell what is wrong; where the owner's own words were not understood, ask again."""
        shown = job.body.get("shown")
        typed = job.answers.get(shown["question"]["key"]) if shown else None
        if shown and typed and not shown["question"]["choices"] and f'"{typed}"' in error["what"]:
            self._say("ask_owner", job, {**shown, "typed": typed, "error": error})
            return
        self._say("fail_task", job, {"error": error, "lines": first_lines(path)})

    def _preview(self, job: Job, path: Path, choice: str, key: str) -> dict[str, Any]:
        """What the file would say if this were the answer, or why that cannot be told."""
        try:
            return self._read(job, path, pack_numbered(self.answers, job.pack_id), choice, key)
        except LogbookError as error:
            return {"choice": choice, "words": told(error, path, job.file_name)["what"]}

    def _read(self, job: Job, path: Path, pack: Pack, choice: str, key: str) -> dict[str, Any]:
        """The readings under one answer, in a few lines."""
        try:
            recording = self.answers.read_file(
                path, pack, self._options(job, pack), ask=asker({**job.answers, key: choice}), progress=self._sign(job)
            )
        except Paused:
            return {"choice": choice, "words": "One more question comes after this one."}
        return {"choice": choice, **sketch(recording.readings, key)}

    def _options(self, job: Job, pack: Pack) -> ImportOptions:
        """What is known before the file is read: of the pack, and by the owner's mapping."""
        mapping = self.uploads.mapping(job.folder) if job.body.get("mapping") else None
        return ImportOptions(
            cells_in_series=pack.cells_in_series,
            rated_ah=pack.rated_ah,
            default_time_zone=pack.time_zone,
            mapping=parse_mapping(mapping.read_text("utf-8"), "the mapping") if mapping else None,
        )

    def _sign(self, job: Job) -> Callable[[float], None]:
        """A progress that is written down now and then; it stops the work where the file is no longer ours."""
        last = 0.0

        def progress(share: float) -> None:
            nonlocal last
            if self.work is None or time.monotonic() - last < SIGN_S:
                return
            last = time.monotonic()
            with contextlib.suppress(CannotWrite):  # somebody else writes: the next sign will do
                if not self.work.keep_claim(job.id, self._name, min(max(share, 0.0), 1.0)):
                    raise Lost

        return progress

    def _say(self, verb: str, job: Job, outcome: dict[str, Any]) -> None:
        getattr(self.work, verb)(job.id, self._name, outcome)

    def _forget_oldest(self) -> None:
        for job in [job for job in self.jobs() if job.state == "done"][KEPT_JOBS:]:
            self.put_aside(job.id)


def job_of(task: Any) -> Job:
    """A row of the work list as a job."""
    return Job(task.id, task.state, task.progress, task.body, task.outcome or {}, task.changed_ms)


def shown_of(job: Job) -> dict[str, Any]:
    """What its owner sees of a job that asks."""
    return {"question": job.question, "previews": job.previews, "lines": job.lines}


def suggestions(question: Question, pack: Pack) -> list[str]:
    """Answers to try where any text may be given: zones the question itself speaks of, and the pack's own."""
    if question.key != "time_zone":
        return []
    named = re.findall(r"[A-Za-z_]+/[A-Za-z_/]+", question.evidence)
    return list(dict.fromkeys(zone for zone in (*named, pack.time_zone, "UTC") if known_zone(zone)))


def asker(answers: dict[str, str]) -> Any:
    """Answer what was answered before and pause at anything new."""

    def ask(question: Question) -> str:
        if question.key not in answers:
            raise Paused(question)
        return answers[question.key]

    return ask


def told(error: LogbookError, path: Path, label: str) -> dict[str, str]:
    """An error as the owner may read it: the file by its own name, no path of this machine, nothing to type."""

    def clean(text: str) -> str:
        return error_words(page_words(text.replace(str(path), label).replace(str(path.parent), "")))

    return {"what": clean(error.what), "mend": clean(error.mend)}
