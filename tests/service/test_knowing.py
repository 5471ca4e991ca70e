"""What the service knows of its notices: those that nobody takes, and ways that were never proven."""

from __future__ import annotations

from dataclasses import replace

import pytest

from logger.acts import alarms as attending
from logger.acts import inspections as actions
from logger.config import example_folder, load_texts, read_texts
from logger.core.alarms.system import UNDELIVERED_S, WATCHED
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


@pytest.fixture(scope="module")
def config() -> Config:
    return load_texts(read_texts(example_folder()))


def tried(store: Store, config: Config, *at_s: int) -> None:
    """A letter of the start, tried at those seconds after it at a server that is silent."""
    box = attending.outbox(store)
    with store.begin() as conn:
        box.put_letter(conn, "test", Wording("test", "test\n"), config.mail, START)
    for second in at_s:
        box.send_due(SILENT, config.routes, START + second * NS)


def test_a_letter_that_is_put_back_between_two_attempts_still_waits(store: Store, config: Config) -> None:
    """A silent server is told after a quarter of an hour, though the letter is due only now and then."""
    tried(store, config, 0, 30, 90, 210, 450)
    knowing = SelfCheck(store, config, {})

    assert WATCHED["notices"].out(knowing.facts(START + UNDELIVERED_S * NS)) == ""
    message = WATCHED["notices"].out(knowing.facts(START + (UNDELIVERED_S + 60) * NS))
    assert message == "a notice has not been delivered for 16 min"


def test_a_letter_that_was_given_up_after_a_day_is_told_for_a_day(store: Store, config: Config) -> None:
    """It is older than a day when it is given up: what counts is when that was."""
    tried(store, config, 0, GIVE_UP_NS // NS + 1)
    knowing, given_up = SelfCheck(store, config, {}), START + GIVE_UP_NS + NS

    assert [x.state for x in attending.outbox(store).of("test")] == ["failed"]
    assert GRETA in WATCHED["notices"].out(knowing.facts(given_up + DAY_NS - 60 * NS))
    assert WATCHED["notices"].out(knowing.facts(given_up + DAY_NS + 60 * NS)) == ""


def test_a_new_version_of_the_setup_does_not_prove_a_way(store: Store, config: Config) -> None:
    """36 days with a route that took nothing are told, though another limit came in force on day 20."""
    wider = config.texts["limits.toml"].replace("upper_degC = 20.5", "upper_degC = 20.6")
    for day, limits in ((0, config.texts["limits.toml"]), (20, wider)):
        texts = {**config.texts, "limits.toml": limits}
        actions.apply_setup(store, texts, "Greta Holm", "set up", "Ines Faber", START + day * DAY_NS)
    assert len(store.setups.versions()) == 2
    knowing = SelfCheck(store, config, {})

    assert knowing.facts(START + 35 * DAY_NS).unproven == {}
    assert knowing.facts(START + 36 * DAY_NS).unproven == {"duty": 36.0}
    box = attending.outbox(store)
    with store.begin() as conn:
        box.put_letter(conn, "proof.9", Wording("test", "test\n"), config.mail, START + 36 * DAY_NS)
    box.send_due(MemorySender(), config.routes, START + 36 * DAY_NS)
    assert knowing.facts(START + 36 * DAY_NS + NS).unproven == {}
    without = replace(config, mail=())
    assert SelfCheck(store, without, {}).facts(START + 90 * DAY_NS).unproven == {}
