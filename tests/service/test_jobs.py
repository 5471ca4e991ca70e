"""The job loop and the heartbeat."""

from __future__ import annotations

import threading
from collections.abc import Mapping
from pathlib import Path

import pytest

from logger.errors import StoreGone
from logger.service.heartbeat import FILE, beat, read
from logger.service.jobs import Jobs, Loop


@pytest.fixture
def events() -> list[tuple[str, Mapping[str, object]]]:
    """Events as they come."""
    return []


@pytest.fixture
def jobs(events: list[tuple[str, Mapping[str, object]]]) -> Jobs:
    """A job loop that tells into the list."""
    return Jobs(lambda kind, what: events.append((kind, what)))


def test_a_failure_is_told_once_and_so_is_its_end(
    jobs: Jobs, events: list[tuple[str, Mapping[str, object]]]
) -> None:
    """Five failures of one kind and a success are two events."""

    def fail() -> None:
        raise ZeroDivisionError("no readings")

    results = [jobs.run("judge", fail) for _ in range(5)]
    assert jobs.failing == {"judge": "ZeroDivisionError: no readings"}
    results.append(jobs.run("judge", lambda: None))

    assert results == [False] * 5 + [True]
    assert [kind for kind, _ in events] == ["job-failed", "job-works-again"]
    assert events[0][1] == {"job": "judge", "error": "ZeroDivisionError: no readings"}
    assert jobs.failing == {}


def test_a_loop_goes_on_after_a_failure_and_ends_when_told(jobs: Jobs) -> None:
    """The first turn fails, the third ends it."""
    turns: list[int] = []
    enough = threading.Event()

    def work() -> None:
        turns.append(len(turns))
        if len(turns) == 1:
            raise ValueError("first")
        if len(turns) == 3:
            enough.set()

    loop = Loop("judge", jobs, work, every_s=0.01)
    loop.start()
    assert enough.wait(60)

    assert loop.stop(5)
    assert not loop.alive


def test_waking_does_not_wait_for_the_turn(jobs: Jobs) -> None:
    """A notice goes out at once, not when the minute is over."""
    turns = threading.Semaphore(0)
    loop = Loop("send", jobs, turns.release, every_s=60)
    loop.start()
    assert turns.acquire(timeout=60)

    loop.wake()

    assert turns.acquire(timeout=60)
    assert loop.stop(5)


def test_a_heartbeat_is_whole_or_the_one_before(tmp_path: Path) -> None:
    """Replaced in one step; what is no heartbeat is none."""
    assert read(tmp_path) is None
    beat(tmp_path, {"at": "2026-10-19T08:00:00Z", "queue": 0})
    beat(tmp_path, {"at": "2026-10-19T08:00:05Z", "queue": 0})

    assert read(tmp_path) == {"at": "2026-10-19T08:00:05Z", "queue": 0}
    assert [p.name for p in tmp_path.iterdir()] == [FILE]
    (tmp_path / FILE).write_text("{half", encoding="utf-8")
    assert read(tmp_path) is None


@pytest.mark.parametrize(
    ("error", "line"),
    [
        (StoreGone("The data folder /srv/room is gone: …"), "job x waits: the data folder is gone"),
        (FileNotFoundError(2, "No such file", "/srv/a"), "job x failed: /srv/a: No such file"),
        (OSError(28, "No space left on device"),
         "job x failed: the disk of the data folder is full; make room on it"),
        (OSError(5, "Input/output error"), "job x failed: Input/output error"),
        (OSError("http://watch.example/ rejected it: Broken pipe"),
         "job x failed: http://watch.example/ rejected it: Broken pipe"),
    ],
)  # fmt: skip
def test_a_line_of_the_log_is_a_sentence(
    caplog: pytest.LogCaptureFixture, error: Exception, line: str
) -> None:
    """No class of an exception, no number of an error, no trace; what to do about a folder is said once."""

    def fail() -> None:
        raise error

    Jobs(lambda *_: None).run("x", fail)
    assert [(record.getMessage(), record.exc_info) for record in caplog.records] == [(line, None)]
