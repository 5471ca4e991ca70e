"""What the service knows of its notices: those that nobody takes, and ways that were never proven."""

from __future__ import annotations

from dataclasses import replace

from logger.acts import alarms as attending
from logger.acts import inspections as actions
from logger.core.alarms.system import UNTOLD_S, WATCHED
from logger.instants import NS
from logger.model import Config
from logger.notify.mail import MemorySender, SendOutcome
from logger.notify.outbox import GIVE_UP_NS
from logger.notify.text import Wording
from logger.service.self_check import DAY_NS, SelfCheck
from logger.store import Store

START = 1_793_000_000 * NS
GRETA = "greta.holm@almtal-gearworks.example"
SILENT = MemorySender({GRETA: SendOutcome("later", 0, "timed out")})


def tried(store: Store, example: Config, *at_s: int) -> None:
    """A letter of the start, tried at those seconds after it at a server that is silent."""
    box = attending.outbox(store)
    with store.begin() as conn:
        box.tell(conn, "test", Wording("test", "test\n"), example.mail, START)
    for second in at_s:
        box.send_due(SILENT, example.routes, START + second * NS)


def test_a_letter_that_is_put_back_between_two_attempts_still_waits(store: Store, example: Config) -> None:
    """A silent server is told after a quarter of an hour, though the letter is due only now and then."""
    tried(store, example, 0, 30, 90, 210, 450)
    knowing = SelfCheck(store, example, {})

    assert WATCHED["notices"].out(knowing.facts(START + UNTOLD_S * NS)) == ""
    told = WATCHED["notices"].out(knowing.facts(START + (UNTOLD_S + 60) * NS))
    assert told == "a notice has waited 16 min for a way out"


def test_a_letter_that_was_given_up_after_a_day_is_told_for_a_day(store: Store, example: Config) -> None:
    """It is older than a day when it is given up: what counts is when that was."""
    tried(store, example, 0, GIVE_UP_NS // NS + 1)
    knowing, given_up = SelfCheck(store, example, {}), START + GIVE_UP_NS + NS

    assert [x.state for x in attending.outbox(store).of("test")] == ["failed"]
    assert GRETA in WATCHED["notices"].out(knowing.facts(given_up + DAY_NS - 60 * NS))
    assert WATCHED["notices"].out(knowing.facts(given_up + DAY_NS + 60 * NS)) == ""


def test_a_new_version_of_the_setup_does_not_prove_a_way(store: Store, example: Config) -> None:
    """36 days with a route that took nothing are told, though another limit came in force on day 20."""
    wider = example.texts["limits.toml"].replace("upper_degC = 20.5", "upper_degC = 20.6")
    for day, limits in ((0, example.texts["limits.toml"]), (20, wider)):
        texts = {**example.texts, "limits.toml": limits}
        actions.apply_setup(store, texts, "Greta Holm", "set up", "Ines Faber", START + day * DAY_NS)
    assert len(store.setups()) == 2
    knowing = SelfCheck(store, example, {})

    assert knowing.facts(START + 35 * DAY_NS).unproven == {}
    assert knowing.facts(START + 36 * DAY_NS).unproven == {"duty": 36.0}
    box = attending.outbox(store)
    with store.begin() as conn:
        box.tell(conn, "proof.9", Wording("test", "test\n"), example.mail, START + 36 * DAY_NS)
    box.send_due(MemorySender(), example.routes, START + 36 * DAY_NS)
    assert knowing.facts(START + 36 * DAY_NS + NS).unproven == {}
    without = replace(example, mail=())
    assert SelfCheck(store, without, {}).facts(START + 90 * DAY_NS).unproven == {}
