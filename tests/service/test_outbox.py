"""Notices on their way: none is lost, each is tried until it is certain what became of it."""

from __future__ import annotations

from collections.abc import Iterator
from pathlib import Path

import pytest

from logger.acts import alarms as attending
from logger.core.alarms.lifecycle import AlarmNotice, Cell
from logger.instants import NS
from logger.model import Conformity, MailRoute
from logger.notify.mail import MemorySender, SendOutcome
from logger.notify.outbox import GIVE_UP_NS, Outbox
from logger.notify.text import Wording
from logger.store import Store

CELL = Cell(0, 60 * NS, Conformity.NONCONFORMING, 20.9, 0.06, -0.4, "degC", 20.5, "P1.temperature")
NOTICE = AlarmNotice("air", 1, "annunciated", 60 * NS, 0, CELL, CELL)
WORDS = Wording("Machine bay: 20.90 °C", "Stop measuring.\n")
ROUTE = MailRoute(
    "duty", "127.0.0.1", 25, "room@almtal.example", ("greta@almtal.example", "radek@almtal.example")
)
ROUTES = {"duty": ROUTE}
LATER = SendOutcome("later", 451, "try again later")


@pytest.fixture
def box(tmp_path: Path) -> Iterator[Outbox]:
    """The outbox of a new store with one notice for two recipients."""
    with Store.open(tmp_path / "data", create=True, simulated=True) as store:
        item = attending.outbox(store)
        with store.begin() as conn:
            item.queue(conn, NOTICE, WORDS, [ROUTE], now_ns=0)
        yield item


def test_each_recipient_has_a_letter_of_their_own(box: Outbox) -> None:
    """One refuses, the other still gets it, and the refusal is told to a person."""
    twin = MemorySender({"radek@almtal.example": SendOutcome("refused", 550, "no such user")})

    box.send_due(twin, ROUTES, now_ns=1)

    assert [m["To"] for _, m in twin.accepted] == ["greta@almtal.example"]
    assert [(f.body["recipient"], f.error) for f in box.failed_letters()] == [
        ("radek@almtal.example", "550 no such user")
    ]
    assert box.waiting(2**60) == []


def test_later_is_tried_again_at_growing_distance_with_the_same_name(box: Outbox) -> None:
    """30 s, 60 s, 120 s after the attempts; the third is taken."""
    everybody = {"greta@almtal.example": LATER, "radek@almtal.example": LATER}
    busy, open_ = MemorySender(everybody), MemorySender()

    box.send_due(busy, ROUTES, now_ns=0)
    assert box.waiting(29 * NS) == []
    box.send_due(busy, ROUTES, now_ns=30 * NS)
    assert box.waiting(89 * NS) == []
    box.send_due(open_, ROUTES, now_ns=90 * NS)

    assert len({m["Message-ID"] for _, m in open_.accepted}) == 2
    assert box.waiting(2**60) == []
    assert box.failed_letters() == []


def test_a_crash_between_acceptance_and_commit_repeats_under_one_name(box: Outbox) -> None:
    """The server has it, we do not know: sent twice, recognisable as one."""
    twin = MemorySender()
    real_begin = box.begin

    def crash() -> None:
        raise KeyboardInterrupt

    broken = Outbox(crash, box.read, box.table, box.simulated)  # type: ignore[arg-type]
    with pytest.raises(KeyboardInterrupt):
        broken.send_due(twin, ROUTES, now_ns=1)
    Outbox(real_begin, box.read, box.table, box.simulated).send_due(twin, ROUTES, now_ns=2)

    to_greta = [m["Message-ID"] for _, m in twin.accepted if m["To"] == "greta@almtal.example"]
    assert len(to_greta) == 2
    assert len(set(to_greta)) == 1


def test_nobody_takes_it_for_a_day(box: Outbox) -> None:
    """Then a person is told on the screen instead of trying for ever."""
    busy = MemorySender({"greta@almtal.example": LATER, "radek@almtal.example": LATER})

    box.send_due(busy, ROUTES, now_ns=GIVE_UP_NS + 1)

    assert [f.error for f in box.failed_letters()] == ["451 try again later"] * 2


def test_a_route_that_is_gone_is_told(box: Outbox) -> None:
    """The setup changed while the notice was waiting."""
    box.send_due(MemorySender(), {}, now_ns=1)

    assert "Route 'duty' was removed" in box.failed_letters()[0].error


def test_the_letter_of_a_simulated_room_says_so(box: Outbox) -> None:
    """Besides its words, a header that a filter can see."""
    twin = MemorySender()

    box.send_due(twin, ROUTES, now_ns=1)

    assert twin.accepted[0][1]["X-Simulated"] == "yes"


def test_a_transaction_that_fails_queues_nothing(tmp_path: Path) -> None:
    """Alarm and notice are stored together or not at all."""
    with Store.open(tmp_path / "data", create=True) as store:
        box = attending.outbox(store)

        def interrupted() -> None:
            with store.begin() as conn:
                box.queue(conn, NOTICE, WORDS, [ROUTE], now_ns=0)
                raise ZeroDivisionError

        with pytest.raises(ZeroDivisionError):
            interrupted()
        assert box.waiting(2**60) == []
