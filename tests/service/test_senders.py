"""A notice route that hangs delays itself and nothing else."""

from __future__ import annotations

import threading

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
    assert jobs.failing == {"send notices by horn": "OSError: horn is shut"}
