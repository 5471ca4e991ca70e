"""Acts of people on alarms: shelving ends by itself, proofs leave receipts, links work once."""

from __future__ import annotations

from dataclasses import replace

import pytest

from logger.acts import alarms as attending
from logger.core.alarms.condition import Cell
from logger.core.alarms.lifecycle import Alarm, AlarmState, step
from logger.errors import Refused, UnknownName
from logger.instants import NS
from logger.model import Conformity, NoticePlan
from logger.notify.links import Permit, sign_permit
from logger.service.alarm_engine import AlarmEngine
from logger.store import Store

from .test_alarming import CONFIG, MINUTE, SPEC, START, Told, live, states

HOUR = 60 * MINUTE


def subjects(store: Store) -> list[str]:
    """Every letter so far."""
    return [x.body["subject"] for x in attending.outbox(store).waiting(2**62)]


def test_one_probe_through_all_states_and_the_journal_shows_each(store: Store) -> None:
    """The nine states of IEC 62682, one after the other, by acts and by time."""
    latching = replace(CONFIG, setup=replace(CONFIG.setup, alarms=(replace(SPEC, latching=True),)))
    minute = 0

    def lives(config, *values: float) -> None:  # type: ignore[no-untyped-def]
        nonlocal minute
        rules = Told()
        for value in values:
            rules.values[minute] = value
            AlarmEngine(store, config, rules).turn(START + (minute + 1) * MINUTE)
            minute += 1

    def now() -> int:
        return START + minute * MINUTE + NS

    who = ("Greta Holm", "walk through the states")
    lives(CONFIG, 20.0, 20.9, 20.9)  # normal, unacknowledged
    attending.acknowledge(store, "bay-air", *who, now())  # acknowledged
    lives(CONFIG, 20.0, 20.0)  # normal
    lives(CONFIG, 20.9, 20.9, 20.0, 20.0)  # unacknowledged, returned unacknowledged
    attending.acknowledge(store, "bay-air", *who, now())
    lives(latching, 20.9, 20.9, 20.0, 20.0)  # unacknowledged, latched unacknowledged
    attending.acknowledge(store, "bay-air", *who, now())  # latched acknowledged
    attending.reset(store, "bay-air", *who, now())
    attending.shelve(store, "bay-air", *who, until_ns=now() + MINUTE, now_ns=now())
    lives(CONFIG, 20.0, 20.0)  # shelved, and back by itself
    attending.take_out(store, "bay-air", *who, now())
    attending.put_back(store, "bay-air", *who, now())
    asleep = replace(CONFIG, setup=replace(CONFIG.setup, alarms=(replace(SPEC, hours=_never()),)))
    lives(asleep, 20.0)  # suppressed by design
    lives(CONFIG, 20.0)

    shown = {e.what["is"] for e in store.journal.entries(kind="alarm") if e.what["alarm"] == "bay-air"}
    assert shown == {state.value for state in AlarmState}
    assert states(store)["bay-air"] is AlarmState.NORMAL
    assert store.verify().faults == ()


def _never():  # type: ignore[no-untyped-def]
    from logger.model import HoursOfUse

    return HoursOfUse(((0, 0, 1),), ())


def test_shelved_for_eight_hours_it_comes_back_by_itself_and_tells_what_still_stands(store: Store) -> None:
    """Evaluated all the while: the excursion that began meanwhile is told at 8 h, not lost."""
    rules = live(store, [20.0])
    attending.shelve(
        store, "bay-air", "Greta Holm", "ball bar check", until_ns=START + 8 * HOUR, now_ns=START
    )
    live(store, [20.9] * 3, 1, rules)
    assert (states(store)["bay-air"], subjects(store)) == (AlarmState.SHELVED, [])

    live(store, [20.9] * 3, 478, rules)
    ends = next(e for e in store.journal.entries(kind="alarm", newest_first=True) if "shelf" in e.why)

    assert states(store)["bay-air"] is AlarmState.UNACKNOWLEDGED
    assert "the time on the shelf is over" in ends.why
    assert len([s for s in subjects(store) if "temperature" in s]) == 1


@pytest.mark.parametrize(
    ("reason", "until", "expected"),
    [("", HOUR, "reason"), ("  ", HOUR, "reason"), ("x", 0, "is over"), ("x", 32 * 24 * HOUR, "31 days")],
)
def test_shelving_wants_a_reason_and_an_end(store: Store, reason: str, until: int, expected: str) -> None:
    """Muted for ever is refused, and nothing is journalled."""
    live(store, [20.0])
    head = store.journal.head()

    with pytest.raises(Refused, match=expected):
        attending.shelve(store, "bay-air", "Greta", reason, until_ns=START + until, now_ns=START)
    assert store.journal.head() == head


def test_acts_that_would_change_nothing_are_refused(store: Store) -> None:
    """Nobody believes something was done that was not."""
    live(store, [20.0])

    for act in (attending.unshelve, attending.reset, attending.put_back):
        with pytest.raises(Refused, match="nothing to"):
            act(store, "bay-air", "Greta", "x", START)
    with pytest.raises(UnknownName):
        attending.take_out(store, "bay-aire", "Greta", "x", START)


def test_several_alarms_are_acknowledged_by_one_comment_only_if_they_have_one_cause(store: Store) -> None:
    """A comment for each cause."""
    live(store, [20.0])
    cell = Cell(0, 60 * NS, Conformity.NONCONFORMING, 20.9, 0.06, -0.4, "degC", 20.5, "P1.temperature")
    with store.begin() as conn:
        for key, cause in (("a", "a"), ("b", "a"), ("c", "c")):
            spec = replace(SPEC, key=key, on_delay_s=0)
            raised = step(spec, Alarm(key), [cell], [], 60 * NS).alarm
            attending.put_alarm(conn, replace(raised, cause=cause), 60 * NS)

    with pytest.raises(Refused, match="several causes"):
        attending.acknowledge_many(store, ["a", "b", "c"], "Greta", "door", START)
    after = attending.acknowledge_many(store, ["a", "b"], "Greta", "door", START)

    assert {a.state for a in after} == {AlarmState.ACKNOWLEDGED}


def test_a_link_acknowledges_its_own_occurrence_once(store: Store) -> None:
    """Used, overtaken by a return or by a re-alarm: refused with what happened."""
    live(store, [20.0, 20.9, 20.9])
    permit = Permit("bay-air", 1, "annunciated", "Greta Holm", START + HOUR)

    after = attending.acknowledge_by_mail(store, permit, "on my way", START)

    assert (after.state, after.acknowledged_by) == (AlarmState.ACKNOWLEDGED, "Greta Holm")
    with pytest.raises(Refused, match="Greta Holm has acknowledged it already"):
        attending.acknowledge_by_mail(store, permit, "again", START)
    with pytest.raises(Refused, match="has cleared"):
        attending.acknowledge_by_mail(store, replace(permit, occurrence=2), "x", START)


def test_mails_carry_the_link_when_the_address_of_the_pages_is_known(store: Store) -> None:
    """Signed for this recipient and this step."""
    config = replace(CONFIG, notices=NoticePlan(pages="https://room.almtal.example"))
    rules = Told()
    for minute, value in enumerate([20.9, 20.9]):
        rules.values[minute] = value
        AlarmEngine(store, config, rules).turn(START + (minute + 1) * MINUTE)

    text = attending.outbox(store).of("bay-air")[0].body["text"]
    address = text.rpartition("asks for confirmation): ")[2].strip()
    now = START + 2 * MINUTE
    expected = Permit("bay-air", 1, "annunciated", "greta@almtal.example", now + 3 * 24 * HOUR)
    assert address == f"https://room.almtal.example/acknowledge/{sign_permit(store.folder, expected)}"
