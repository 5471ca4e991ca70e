"""A proof of the routes: every route of every alarm, every person, and by name what was not proven."""

from __future__ import annotations

from dataclasses import replace

import pytest

from logger.acts import alarms as attending
from logger.acts.route_tests import prove, receipts, unproven_recipients
from logger.errors import UnknownName
from logger.model import Away, CommandRoute, Duty, HoursOfUse, MailRoute, NoticePlan, Person, Shift
from logger.notify.mail import MemorySender, SendOutcome
from logger.notify.ways import Ways
from logger.store import Store

from .test_alarming import CONFIG, ROUTE, SPEC, START

NIGHT = HoursOfUse(tuple((day, 22 * 60, 30 * 60) for day in range(7)))
PEOPLE = tuple(
    Person(key, key.capitalize(), f"{key}@almtal.example") for key in ("greta", "radek", "ines", "per")
)
DUTY = Duty("room", "carrier", (Shift(NIGHT, ("radek",)),), ("greta",), (Away("greta", 0, 1, "ines"),))
CARRIER = MailRoute("carrier", "127.0.0.1", 25, "room@almtal.example", (), "none")
HORN = CommandRoute("horn", ("/bin/false",))
OF_ONE = replace(SPEC, key="bay-horn", routes=("screen", "horn"), escalate_after_s=60, escalate_to=("room",))
PLANNED = replace(
    CONFIG,
    setup=replace(CONFIG.setup, alarms=(SPEC, OF_ONE)),
    mail=(ROUTE, CARRIER), ways=(HORN,), people=PEOPLE, duties=(DUTY,),
    notices=NoticePlan(routes=("screen", "duty")),
)  # fmt: skip


def test_the_route_of_a_single_alarm_is_proven_too(store: Store) -> None:
    """The plan names one route for all notices; a horn of one alarm and its escalation are tested, too."""
    key, _ = prove(store, PLANNED, "Greta Holm", START)
    attending.outbox(store).send_due(MemorySender(), PLANNED.routes, START, ways=Ways())

    result = {(r.route, r.recipient): r.state for r in receipts(store, key)}

    assert result["horn", ""] != "sent"
    assert result["duty", "greta@almtal.example"] == "sent"
    sentences = unproven_recipients(PLANNED, receipts(store, key))
    assert any("horn" in text and "bay-horn" in text for text in sentences)


def test_everybody_of_a_calendar_is_tried_whoever_is_on_duty_now(store: Store) -> None:
    """The night's person by day, and who stands in; somebody in no calendar is named as not proven."""
    key, _ = prove(store, PLANNED, "Greta Holm", START)
    attending.outbox(store).send_due(MemorySender(), PLANNED.routes, START, ways=Ways())

    recipients = {r.recipient for r in receipts(store, key) if r.route == "carrier"}

    assert recipients == {"greta@almtal.example", "radek@almtal.example", "ines@almtal.example"}
    assert any("Per" in text for text in unproven_recipients(PLANNED, receipts(store, key)))


def test_a_proof_of_one_route_names_all_others(store: Store) -> None:
    """Whoever tried one route has not proven the rest."""
    key, number = prove(store, PLANNED, "Greta Holm", START, ["duty"])
    attending.outbox(store).send_due(MemorySender(), PLANNED.routes, START)

    sentences = unproven_recipients(PLANNED, receipts(store, key))

    assert number == 1
    assert any(text.startswith("Route horn") for text in sentences)
    assert any("Radek" in text for text in sentences)


def test_alarms_that_only_the_screen_shows_are_named(store: Store) -> None:
    """No test can show that anybody looks at a screen."""
    alone = replace(PLANNED, setup=replace(PLANNED.setup, alarms=(replace(SPEC, routes=("screen",)),)))
    key, _ = prove(store, alone, "Greta Holm", START)

    unproven = unproven_recipients(alone, receipts(store, key))
    assert any("screen" in text and SPEC.key in text for text in unproven)


def test_a_proof_test_leaves_a_receipt_for_each_recipient(store: Store) -> None:
    """What the server said, per recipient, and the journal says who asked for it."""
    key, number = prove(store, CONFIG, "Greta Holm", START)
    assert (number, [r.state for r in receipts(store, key)]) == (1, ["waiting"])

    attending.outbox(store).send_due(MemorySender(), CONFIG.routes, START)

    assert [(r.route, r.recipient, r.state) for r in receipts(store, key)] == [
        ("duty", "greta@almtal.example", "sent")
    ]
    assert attending.outbox(store).receipts() == {"duty": START}
    assert store.journal.entries(kind="proof")[0].who == "Greta Holm"


def test_a_proof_that_is_refused_says_by_whom(store: Store) -> None:
    """The reply stands in the receipt."""
    key, _ = prove(store, CONFIG, "Greta Holm", START, ["duty"])
    twin = MemorySender({"greta@almtal.example": SendOutcome("refused", 550, "no such user")})

    attending.outbox(store).send_due(twin, CONFIG.routes, START)

    assert [(r.state, r.answer) for r in receipts(store, key)] == [("failed", "550 no such user")]
    with pytest.raises(UnknownName):
        prove(store, CONFIG, "Greta Holm", START, ["dutty"])
