"""A notice route that hangs delays itself and nothing else."""

from __future__ import annotations

import threading
from collections.abc import Callable, Mapping

from logger.errors import StoreDamaged
from logger.processes.deadline import DeadlineExceeded
from logger.service.jobs import Jobs
from logger.service.senders import Senders

LONG_S = 30.0


def test_a_route_that_hangs_delays_no_other_and_is_not_begun_twice() -> None:
    """The mail server does not answer; the horn sounds all the same, each time."""
    answers, horn, mails = threading.Event(), threading.Semaphore(0), []

    def send_by(route: str) -> None:
        if route == "horn":
            horn.release()
        else:
            mails.append(route)
            answers.wait(LONG_S)

    senders = Senders(Jobs(lambda _kind, _what: None), send_by)
    senders.send(["duty", "horn"])
    assert horn.acquire(timeout=LONG_S)
    assert not senders.wait(0.0)
    senders.send(["duty"])
    assert mails == ["duty"]
    answers.set()
    assert senders.wait(LONG_S)
    senders.send(["duty", "horn"])
    assert senders.wait(LONG_S)
    assert mails == ["duty", "duty"]
    assert horn.acquire(timeout=LONG_S)


def test_a_route_that_fails_is_named() -> None:
    """What fails in a thread fails under the name of its route."""
    jobs = Jobs(lambda _kind, _what: None)

    def send_by(route: str) -> None:
        raise OSError(f"{route} is shut")

    senders = Senders(jobs, send_by)
    senders.send(["horn"])
    assert senders.wait(LONG_S)
    assert jobs.failing == {"send notices by horn": "horn is shut"}


def test_a_failing_job_is_named_in_a_sentence_without_the_class_of_its_error() -> None:
    """As it reaches the text of the alarm `system.jobs`, page Health and the heartbeat."""
    events: list[Mapping[str, object]] = []
    jobs = Jobs(lambda _kind, what: events.append(what))

    def fail(error: Exception) -> Callable[[], None]:
        def work() -> None:
            raise error

        return work

    jobs.run("judge now", fail(StoreDamaged("The setup in force cannot be read.")))
    jobs.run("back up", fail(DeadlineExceeded("the folder of the backups /mnt did not end within 10 s")))
    jobs.run("seal", fail(KeyError("month")))
    assert jobs.failing == {
        "judge now": "The setup in force cannot be read.",
        "back up": "the folder of the backups /mnt did not end within 10 s",
        "seal": "KeyError: 'month'",  # nobody foresaw it: a developer wants to know the class
    }
    assert [what["error"] for what in events] == list(jobs.failing.values())
    assert jobs.overdue() == {"back up": "the folder of the backups /mnt did not end within 10 s"}
    jobs.run("back up", fail(OSError("refused")))
    assert jobs.overdue() == {}
