"""A way out that is silent holds up itself and nothing else."""

from __future__ import annotations

import threading

from logger.service.jobs import Jobs
from logger.service.senders import Senders

LONG_S = 30.0


def test_a_silent_way_does_not_hold_up_another_and_is_not_gone_twice() -> None:
    """The mail server takes no leave; the horn sounds all the same, each time it is asked to."""
    answers, horn, mails = threading.Event(), threading.Semaphore(0), []

    def carry(route: str) -> None:
        if route == "horn":
            horn.release()
        else:
            mails.append(route)
            answers.wait(LONG_S)

    couriers = Senders(Jobs(lambda _kind, _what: None), carry)
    couriers.send(["duty", "horn"])
    assert horn.acquire(timeout=LONG_S)
    assert not couriers.wait(0.0)
    couriers.send(["duty"])
    assert mails == ["duty"]
    answers.set()
    assert couriers.wait(LONG_S)
    couriers.send(["duty", "horn"])
    assert couriers.wait(LONG_S)
    assert mails == ["duty", "duty"]
    assert horn.acquire(timeout=LONG_S)


def test_a_courier_that_stumbles_is_told_of_and_sent_again() -> None:
    """What fails in it fails by the name of its way."""
    jobs = Jobs(lambda _kind, _what: None)

    def carry(route: str) -> None:
        raise OSError(f"{route} is shut")

    couriers = Senders(jobs, carry)
    couriers.send(["horn"])
    assert couriers.wait(LONG_S)
    assert jobs.failing == {"send notices by horn": "OSError: horn is shut"}
