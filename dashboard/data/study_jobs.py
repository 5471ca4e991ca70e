"""Studies that run beside the pages, each a process of its own, one after the other."""

from __future__ import annotations

import subprocess
import tempfile
import threading
import time
from collections import deque
from collections.abc import Callable, Sequence
from dataclasses import dataclass, field
from pathlib import Path
from typing import IO

from logger.errors import Refused, StillroomError
from logger.processes.children import module

MOST_WAITING = 20
LONGEST_S = 1800
REMEMBERED_S = 600


@dataclass
class StudyJob:
    """One study on its way: `state` waiting, running, done or refused; `word`: what it says of itself.

    number: which one of its queue it was to end, from 1; 0 before it has.
    use: what is to be done with its answer, given as the JSON text that the command prints.
    """

    name: str
    arguments: Sequence[str]
    use: Callable[[str], object] | None = None
    state: str = "waiting"
    word: str = ""
    begun_s: float = field(default_factory=time.monotonic)
    ended_s: float | None = None
    number: int = 0

    @property
    def open(self) -> bool:
        """Whether it has not ended."""
        return self.state in ("waiting", "running")

    @property
    def seconds(self) -> float:
        """How long it has been on its way."""
        return (self.ended_s or time.monotonic()) - self.begun_s


class StudyJobs:
    """The queue of one data folder. May be called from any thread."""

    def __init__(self, folder: Path) -> None:
        self._folder = folder
        self._waiting: deque[StudyJob] = deque()
        self._listed: list[StudyJob] = []
        self._guard = threading.Lock()
        self._busy = False
        self._ended = 0

    def start(self, name: str, arguments: Sequence[str], use: Callable[[str], object] | None = None) -> None:
        """Put a study at the end of the queue; Refused where the same one, or too many, are in it.

        use: gets the answer as JSON text, in the thread of the queue; what it refuses is the job's last word.
        """
        with self._guard:
            waiting = [job for job in self._listed if job.open]
            if any(job.name == name for job in waiting):
                raise Refused(f"{name} is being computed already. Its answer appears here.")
            if len(waiting) >= MOST_WAITING:
                raise Refused(f"{len(waiting)} studies are waiting. Start this one when they are done.")
            job = StudyJob(name, tuple(arguments), use)
            self._listed.append(job)
            self._waiting.append(job)
            if not self._busy:
                self._busy = True
                threading.Thread(target=self._work, name="studies", daemon=True).start()

    def listed(self) -> list[StudyJob]:
        """Studies on their way, and those that ended within ten minutes, oldest first."""
        now_s = time.monotonic()
        with self._guard:
            self._listed = [
                job for job in self._listed if job.ended_s is None or now_s - job.ended_s < REMEMBERED_S
            ]
            return list(self._listed)

    @property
    def ended(self) -> int:
        """How many have ended since the queue began; a page that sees it grow asks for `done_since`."""
        return self._ended

    def done_since(self, number: int) -> list[StudyJob]:
        """Those that ended with an answer after so many had ended."""
        return [job for job in self.listed() if job.state == "done" and job.number > number]

    def _work(self) -> None:
        while True:
            with self._guard:
                if not self._waiting:
                    self._busy = False
                    return
                job = self._waiting.popleft()
                job.state, job.begun_s = "running", time.monotonic()
            try:
                self._run(job)
            except OSError as error:
                job.state, job.word = "refused", f"The study could not be started: {error.strerror or error}."
            except StillroomError as refused:
                job.state, job.word = "refused", str(refused)
            finally:
                with self._guard:
                    self._ended += 1
                    job.number, job.ended_s = self._ended, time.monotonic()

    def _run(self, job: StudyJob) -> None:
        with tempfile.TemporaryFile("w+", encoding="utf-8") as answer:
            code = self._compute(job, answer)
            if code == 0 and job.use is not None:
                answer.seek(0)
                job.use(answer.read())
        job.state = "done" if code == 0 else "refused"
        if code == 0:
            job.word = ""
        elif not job.word:
            job.word = f"The study ended with code {code} and without a message."

    def _compute(self, job: StudyJob, answer: IO[str]) -> int:
        """The code with which the child ended; its answer is in the file."""
        command = module("logger.cli", "study", *job.arguments, "--json", "--data", str(self._folder))
        process = subprocess.Popen(
            command,
            stdin=subprocess.DEVNULL,
            stdout=answer,
            stderr=subprocess.PIPE,
            encoding="utf-8",
            errors="replace",
            start_new_session=True,
        )
        timer = threading.Timer(LONGEST_S, process.kill)
        timer.start()
        assert process.stderr is not None  # noqa: S101 (a pipe was asked for)
        with process.stderr as spoken:
            for line in spoken:
                job.word = line.strip() or job.word
        code = process.wait()
        timer.cancel()
        return code
