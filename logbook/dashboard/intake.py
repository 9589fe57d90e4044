"""Intake: files that came through the browser, imported one after the other by one worker; jobs outlive a reload."""

from __future__ import annotations

import json
import logging
import queue
import re
import secrets
import shutil
import threading
import time
from dataclasses import asdict, dataclass, field, replace
from pathlib import Path
from typing import IO, TYPE_CHECKING, Any

from logbook.dashboard.page import pack_numbered
from logbook.dashboard.sketch import sketch
from logbook.errors import BadData, CannotWrite, LogbookError, UnknownName
from logbook.ingest import ImportOptions

if TYPE_CHECKING:
    from logbook.dashboard.answers import Answers
    from logbook.ingest import Question
    from logbook.schema.pack import Pack

log = logging.getLogger(__name__)

CHUNK_BYTES = 1 << 20
LONGEST_UPLOAD_BYTES = 4 << 30
"""The largest file taken through the browser; larger ones go through the command line."""
KEPT_JOBS = 20


@dataclass(frozen=True)
class Job:
    """One file on its way in."""

    id: str
    pack_id: int
    file_name: str
    state: str = "waiting"
    """`waiting`, `running`, `asking`, `done` or `failed`."""
    progress: float = 0.0
    created_ms: int = 0
    answers: dict[str, str] = field(default_factory=dict)
    """Question key to what the owner answered."""
    question: dict[str, Any] | None = None
    previews: list[dict[str, Any]] = field(default_factory=list)
    """What the file would say under each choice."""
    receipt: dict[str, Any] | None = None
    error: dict[str, str] | None = None

    @property
    def active(self) -> bool:
        """Whether the worker has still to do with it."""
        return self.state in {"waiting", "running"}


class Paused(Exception):
    """The file cannot be understood without an answer."""

    def __init__(self, question: Question) -> None:
        super().__init__(question.key)
        self.question = question


class Intake:
    """The jobs of one logbook: a folder each, written down at every change, done in the order they came."""

    def __init__(self, answers: Answers) -> None:
        self.answers = answers
        self.folder = answers.uploads
        self._lock = threading.Lock()
        self._queue: queue.SimpleQueue[str] = queue.SimpleQueue()
        self._worker: threading.Thread | None = None
        self._jobs: dict[str, Job] = {}
        for job in self._written():
            self._jobs[job.id] = job
            if job.active:
                self._enqueue(job.id)

    def jobs(self) -> list[Job]:
        """Every job that was not put aside, newest first."""
        with self._lock:
            return sorted(self._jobs.values(), key=lambda job: (job.created_ms, job.id), reverse=True)

    def job(self, job_id: str) -> Job:
        """One job; UnknownName where there is none."""
        with self._lock:
            if job_id not in self._jobs:
                raise UnknownName("There is no such import under way.")
            return self._jobs[job_id]

    def receive(self, stream: IO[bytes], length: int, pack_id: int, file_name: str) -> Job:
        """Write a file down as it comes and put it in the queue; a broken-off one leaves nothing behind."""
        if self.folder is None:
            raise CannotWrite("This logbook was opened for reading only.")
        self._need_room(length)
        job = Job(secrets.token_hex(8), pack_id, safe_name(file_name), created_ms=int(time.time() * 1000))
        target = self._file_of(job)
        target.parent.mkdir(parents=True, mode=0o700)
        try:
            complete = write_down(stream, length, target)
        except BaseException:
            shutil.rmtree(self._folder_of(job.id), ignore_errors=True)
            raise
        if not complete:
            shutil.rmtree(self._folder_of(job.id), ignore_errors=True)
            raise BadData("The file broke off on its way here.", mend="Send it again.")
        self._put(job)
        self._enqueue(job.id)
        return job

    def reply(self, job_id: str, answer: str) -> Job:
        """Take the owner's answer to the question a job waits for, and go on."""
        job = self.job(job_id)
        if job.state != "asking" or job.question is None:
            return job
        choices = job.question["choices"]
        if choices and answer not in choices:
            raise BadData("This is not one of the choices.")
        told = {**job.answers, job.question["key"]: answer.strip()[:200]}
        job = self._put(replace(job, state="waiting", answers=told, question=None, previews=[], error=None))
        self._enqueue(job_id)
        return job

    def put_aside(self, job_id: str) -> None:
        """Forget a job that is not under way, and its file."""
        job = self.job(job_id)
        if job.active:
            return
        with self._lock:
            self._jobs.pop(job_id, None)
        shutil.rmtree(self._folder_of(job_id), ignore_errors=True)

    def _need_room(self, length: int) -> None:
        folder = self.folder or Path()
        folder.mkdir(parents=True, exist_ok=True, mode=0o700)
        if shutil.disk_usage(folder).free < 2 * length + (64 << 20):
            raise CannotWrite(
                "There is not enough room on the disk for this file.", mend="Make room and send it again."
            )

    def _folder_of(self, job_id: str) -> Path:
        return (self.folder or Path()) / job_id

    def _file_of(self, job: Job) -> Path:
        return self._folder_of(job.id) / "file" / job.file_name

    def _put(self, job: Job) -> Job:
        """Write a job down; the file changes at one stroke."""
        path = self._folder_of(job.id) / "job.json"
        fresh = path.with_suffix(".new")
        with self._lock:
            fresh.write_text(json.dumps(asdict(job)), "utf-8")
            fresh.replace(path)
            self._jobs[job.id] = job
        return job

    def _written(self) -> list[Job]:
        found = []
        for path in sorted((self.folder or Path("/nonexistent")).glob("*/job.json")):
            try:
                found.append(Job(**json.loads(path.read_text("utf-8"))))
            except (ValueError, TypeError):
                log.warning("an upload was left unreadable: %s", path)
        return found

    def _enqueue(self, job_id: str) -> None:
        self._queue.put(job_id)
        with self._lock:
            if self._worker is None:
                self._worker = threading.Thread(target=self._work, name="import worker", daemon=True)
                self._worker.start()

    def _work(self) -> None:
        while True:
            job_id = self._queue.get()
            try:
                self._run(self.job(job_id))
            except UnknownName:
                continue
            except Exception:
                log.exception("the import worker failed on %s", job_id)

    def _run(self, job: Job) -> None:
        job = self._put(replace(job, state="running", progress=0.0))
        path = self._file_of(job)
        try:
            pack = pack_numbered(self.answers, job.pack_id)
            receipt = self.answers.import_file(
                path, pack, options_for(pack), ask=asker(job.answers), progress=self._progress_of(job)
            )
            self.answers.health(pack)
        except Paused as paused:
            question = asdict(paused.question)
            previews = [self._preview(job, choice, paused.question.key) for choice in paused.question.choices]
            self._put(replace(job, state="asking", question=question, previews=[item for item in previews if item]))
        except LogbookError as error:
            self._put(replace(job, state="failed", error=told(error, path, job.file_name)))
        except Exception:
            number = secrets.token_hex(3)
            log.exception("import of %s failed (%s)", job.file_name, number)
            words = f"Something went wrong here. It is in the log of the server as {number}. Nothing was stored."
            self._put(replace(job, state="failed", error={"what": words, "mend": ""}))
        else:
            self._put(replace(job, state="done", progress=1.0, receipt=receipt.as_json()))
            shutil.rmtree(path.parent, ignore_errors=True)
            self._forget_oldest()

    def _progress_of(self, job: Job) -> Any:
        def progress(done: float) -> None:
            with self._lock:
                if job.id in self._jobs:
                    self._jobs[job.id] = replace(self._jobs[job.id], progress=min(max(done, 0.0), 1.0))

        return progress

    def _preview(self, job: Job, choice: str, key: str) -> dict[str, Any] | None:
        """What the file would say if this were the answer; None where that cannot be told without another question."""
        try:
            pack = pack_numbered(self.answers, job.pack_id)
            recording = self.answers.read_file(
                self._file_of(job), options_for(pack), ask=asker({**job.answers, key: choice})
            )
        except (Paused, LogbookError):
            return None
        return {"choice": choice, **sketch(recording.readings)}

    def _forget_oldest(self) -> None:
        for job in [job for job in self.jobs() if job.state == "done"][KEPT_JOBS:]:
            self.put_aside(job.id)


def write_down(stream: IO[bytes], length: int, target: Path) -> bool:
    """Write a stream to a new file piece by piece; whether all of it came."""
    left = length
    with target.open("xb") as out:
        while left and (chunk := stream.read(min(CHUNK_BYTES, left))):
            out.write(chunk)
            left -= len(chunk)
    return left == 0


def options_for(pack: Pack) -> ImportOptions:
    """What is known of the pack before its file is read."""
    return ImportOptions(cells_in_series=pack.cells_in_series, rated_ah=pack.rated_ah, default_time_zone=pack.time_zone)


def asker(answers: dict[str, str]) -> Any:
    """Answer what was answered before and pause at anything new."""

    def ask(question: Question) -> str:
        if question.key not in answers:
            raise Paused(question)
        return answers[question.key]

    return ask


def told(error: LogbookError, path: Path, label: str) -> dict[str, str]:
    """An error as the owner may read it: the file by its own name, no path of this machine."""

    def clean(text: str) -> str:
        return text.replace(str(path), label).replace(str(path.parent), "")

    return {"what": clean(error.what), "mend": clean(error.mend)}


def safe_name(name: str) -> str:
    """The last part of a name, in letters every system can bear; a label and a file's name, never a path."""
    last = re.split(r"[\\/]", name)[-1]
    kept = re.sub(r"[^\w .,()+-]", "_", last).strip(" .")
    return kept[-120:] or "upload"
