"""The database refuses: told directly, once an hour, and tried again while nobody took it."""

from __future__ import annotations

from dataclasses import replace

from logger.notify.mail import MemorySender, SendOutcome
from logger.service.store_failure import AGAIN_S, NOTIFIED_AFTER_S, StoreFailure

from .test_alarming import CONFIG, ROUTE

FULL = "database or disk is full"


def test_it_is_told_after_a_minute_and_then_hourly_while_it_lasts() -> None:
    """A moment's trouble calls nobody; within a minute somebody is called; the end of it begins anew."""
    twin = MemorySender()
    failure = StoreFailure(twin)

    assert NOTIFIED_AFTER_S < 55.0  # beside the 5 s of the loop that looks
    each = [
        failure.turn(CONFIG, FULL, 42, monotonic_s=s, now_ns=int(s))
        for s in (0.0, NOTIFIED_AFTER_S - 1, NOTIFIED_AFTER_S, 300.0, NOTIFIED_AFTER_S + AGAIN_S)
    ]
    assert each == [0, 0, 1, 0, 1]
    assert failure.turn(CONFIG, "", 0, monotonic_s=4000.0, now_ns=1) == 0
    assert failure.turn(CONFIG, FULL, 1, monotonic_s=4001.0, now_ns=1) == 0

    text = twin.accepted[0][1].get_content()
    assert FULL in text
    assert "42 readings wait in memory" in text
    assert len({m["Message-ID"] for _, m in twin.accepted}) == 2


def test_what_no_server_took_is_tried_at_the_next_turn() -> None:
    """Nothing can be queued, so memory has to remember it."""
    busy = MemorySender({"greta@almtal.example": SendOutcome("later", 451, "busy")})
    failure = StoreFailure(busy)
    failure.turn(CONFIG, FULL, 1, monotonic_s=0.0, now_ns=1)

    assert failure.turn(CONFIG, FULL, 1, monotonic_s=61.0, now_ns=1) == 0
    busy.answers.clear()
    assert failure.turn(CONFIG, FULL, 1, monotonic_s=66.0, now_ns=1) == 1


def test_a_route_that_works_is_not_asked_again_for_one_that_does_not() -> None:
    """Two recipients, one of them refused for a while: each is reached once."""
    two = replace(CONFIG, mail=(replace(ROUTE, recipients=("greta@almtal.example", "radek@almtal.example")),))
    twin = MemorySender({"radek@almtal.example": SendOutcome("later", 451, "busy")})
    failure = StoreFailure(twin)
    failure.turn(two, FULL, 1, monotonic_s=0.0, now_ns=1)

    assert failure.turn(two, FULL, 1, monotonic_s=61.0, now_ns=1) == 1
    assert failure.turn(two, FULL, 1, monotonic_s=66.0, now_ns=1) == 0
    twin.answers.clear()
    assert failure.turn(two, FULL, 1, monotonic_s=71.0, now_ns=1) == 1
    assert sorted(str(m["To"]) for _, m in twin.accepted) == ["greta@almtal.example", "radek@almtal.example"]
