"""From judged cells to stored alarms, journal entries and queued notices."""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from dataclasses import replace

import pytest

from logger.acts import alarms as attending
from logger.acts import inspections as actions
from logger.core.alarms.lifecycle import AlarmState
from logger.instants import NS
from logger.model import (
    AlarmSpec,
    AsciiLine,
    Channel,
    Config,
    Conformity,
    Inspection,
    MailRoute,
    Placement,
    Position,
    Probe,
    Room,
    Row,
    Rule,
    RuleState,
    Setup,
    Zone,
)
from logger.service.alarm_engine import AlarmEngine
from logger.store import Store

MINUTE = 60 * NS
START = 1_792_382_400 * NS // MINUTE * MINUTE
LINE = AsciiLine("P1", "/dev/a", "query", "T=(?P<t>.*)", {"t": "P1.temperature"})
ROUTE = MailRoute("duty", "127.0.0.1", 25, "room@almtal.example", ("greta@almtal.example",), "none")
SPEC = AlarmSpec(
    "bay-air",
    "bay.temperature",
    "high",
    "Wrong lengths.",
    "Stop measuring.",
    120,
    120,
    0.05,
    ("screen", "duty"),
)
CONFIG = Config(
    Setup(
        1, "", Room("east", "Measuring room East", "Almtal Gearworks", "Europe/Vienna", (9.0, 6.0, 3.0),
                    "Greta Holm", simulated=True),
        {"bay": Zone("bay", "Machine bay", (0.8, 0.8, 5.2, 5.2))},
        {"bridge": Position("bridge", "bridge table", "bay", "air", (2.0, 2.0, 0.9))},
        {"P1": Probe("P1", "AG-0411", "air", ("P1.temperature",))},
        {"P1.temperature": Channel("P1.temperature", "P1", "temperature", "degC", 60.0, 180.0, 0.01, 0.01,
                                   (-40.0, 60.0))},
        (Placement("P1", "bridge", 0),), (),
        (Rule("bay.temperature", "bay", "limit", "temperature", "temperature", "degC", 19.5, 20.5, "manual",
              0),),
        (SPEC,),
    ),
    (LINE,), (ROUTE,),
)  # fmt: skip


class Told:
    """Verdicts as told: the temperature of each minute since START; none means nothing was judged."""

    def __init__(self) -> None:
        self.values: dict[int, float] = {}
        self.minutes: list[int] = []

    def rule_states(self, zone: str, at_ns: int, now_ns: int) -> Sequence[RuleState]:
        minute = (at_ns - START) // MINUTE
        self.minutes.append(minute)
        value = self.values.get(minute)
        if value is None:
            return []
        margin = min(value - 19.5, 20.5 - value)
        result = Conformity.NONCONFORMING if margin < 0 else Conformity.CONFORMING
        cell_ns = START + minute * MINUTE
        return [
            RuleState("bay.temperature", "temperature", cell_ns, value, 0.06, margin, "degC", 19.5, 20.5,
                      result, "P1.temperature")
        ]  # fmt: skip

    def doubts(self, zone: str, at_ns: int, now_ns: int) -> Mapping[str, str]:
        return {}


def live(store: Store, values: Sequence[float], first: int = 0, rules: Told | None = None) -> Told:
    """Minute after minute, readings coming in, a turn a few seconds after each cell's end."""
    rules = rules or Told()
    alarming = AlarmEngine(store, CONFIG, rules)
    for minute, value in enumerate(values, first):
        rules.values[minute] = value
        at = START + minute * MINUTE + 30 * NS
        store.append("poll", [Row("P1.temperature", at, at, value)])
        alarming.turn(START + (minute + 1) * MINUTE + 3 * NS)
    return rules


def states(store: Store) -> dict[str, AlarmState]:
    """State of each alarm."""
    return {alarm.key: alarm.state for alarm in attending.alarm_list(store)}


def test_an_excursion_is_stored_journalled_and_queued(store: Store) -> None:
    """Two minutes out: one alarm, one entry, one letter that says it is simulated."""
    live(store, [20.0, 20.9, 20.9, 20.9])

    letters = attending.outbox(store).waiting(2**62)
    others = {key: state for key, state in states(store).items() if state is not AlarmState.NORMAL}
    assert others == {"bay-air": AlarmState.UNACKNOWLEDGED}
    assert [letter.body["subject"] for letter in letters] == [
        "SIMULATED: Machine bay: temperature 20.90 °C, 0.40 K above the limit 20.50 °C"
    ]
    entry = store.journal.entries(kind="alarm")[0]
    assert (entry.who, entry.what["was"], entry.what["is"]) == ("service", "normal", "unacknowledged")
    assert "on-delay 120 s" in entry.why


def test_all_probes_that_are_out_are_named(store: Store) -> None:
    """Twelve probes out because of one thing are one notice that lists them."""

    class Both(Told):
        def rule_states(self, zone: str, at_ns: int, now_ns: int) -> Sequence[RuleState]:
            states_alone = super().rule_states(zone, at_ns, now_ns)
            return [replace(state, outside=("P1.temperature", "P2.temperature")) for state in states_alone]

    live(store, [20.9, 20.9], rules=Both())

    text = attending.outbox(store).waiting(2**62)[0].body["text"]
    assert "At 2 probes: P1 (bridge table) and P2.temperature;" in text


def test_the_notice_names_the_running_inspection(store: Store) -> None:
    """Whoever is told sees at once whose job it spoils."""
    job = Inspection("J-17", "bay", START, None, "Gear housing", person="Radek Sova")
    actions.add_inspection(store, CONFIG.setup, job, "Radek Sova")

    live(store, [20.0, 20.9, 20.9, 20.9])

    text = attending.outbox(store).waiting(2**62)[0].body["text"]
    assert "Inspections running here: Gear housing (J-17, Radek Sova)." in text


def test_a_person_and_the_service_do_not_overwrite_each_other(store: Store) -> None:
    """Acknowledged between two turns: the next turn goes on from there, and the return makes it normal."""
    rules = live(store, [20.0, 20.9, 20.9, 20.9])
    attending.acknowledge(store, "bay-air", "Greta Holm", "door was open", START + 4 * MINUTE)

    live(store, [20.0, 20.0, 20.0], 4, rules)

    assert states(store)["bay-air"] is AlarmState.NORMAL
    assert [e.what["is"] for e in store.journal.entries(kind="alarm")] == [
        "unacknowledged", "acknowledged", "normal"
    ]  # fmt: skip
    assert len(attending.outbox(store).waiting(2**62)) == 2


def test_a_new_service_goes_on_where_the_old_one_was(store: Store) -> None:
    """Out for one minute before the restart and one after it are two."""
    rules = live(store, [20.0, 20.9])
    live(store, [20.9], 2, rules)

    assert states(store)["bay-air"] is AlarmState.UNACKNOWLEDGED


def test_a_turn_without_a_new_cell_writes_nothing(store: Store) -> None:
    """The loop comes every few seconds, a cell every minute."""
    rules = live(store, [20.0, 20.0])
    head, count = store.journal.head(), len(rules.minutes)

    for second in range(5, 60, 5):
        AlarmEngine(store, CONFIG, rules).turn(START + 2 * MINUTE + second * NS)

    assert len(rules.minutes) == count
    assert store.journal.head() == head


def test_after_a_day_away_only_the_last_hour_is_looked_at(store: Store) -> None:
    """What is older is in the record, not in the alarms."""
    rules = live(store, [20.0])
    rules.minutes.clear()

    AlarmEngine(store, CONFIG, rules).turn(START + 1441 * MINUTE)

    assert rules.minutes == list(range(1381, 1441))
    assert states(store)["bay-air"] is AlarmState.NORMAL


def test_a_silent_probe_raises_the_alarm_of_its_zone_and_takes_it_back(store: Store) -> None:
    """No readings for 3 min and two minutes of delay: told by name; readings again: told as well."""
    rules = live(store, [20.0])
    alarming = AlarmEngine(store, CONFIG, rules)
    for minute in range(1, 8):
        alarming.turn(START + (minute + 1) * MINUTE)

    subjects = [letter.body["subject"] for letter in attending.outbox(store).waiting(2**62)]
    assert subjects == ["SIMULATED: Machine bay: no readings from P1 (bridge table)"]
    live(store, [20.0, 20.0], 8, rules)
    assert states(store)["bay.evidence"] is AlarmState.RETURNED_UNACKNOWLEDGED


def test_channels_that_nobody_polls_are_not_missed(store: Store) -> None:
    """A probe that only comes by imported files is not silent."""
    alarming = AlarmEngine(store, replace(CONFIG, lines=()), Told())

    for minute in range(10):
        alarming.turn(START + (minute + 1) * MINUTE)

    assert states(store)["bay.evidence"] is AlarmState.NORMAL
    assert attending.outbox(store).waiting(2**62) == []


def test_a_probe_is_not_silent_for_the_time_before_it_was_polled(store: Store) -> None:
    """The service was down for an hour; silence counts from its start, and from then on it is told."""
    live(store, [20.0, 20.0])
    since = START + 62 * MINUTE
    alarming = AlarmEngine(store, CONFIG, Told(), since)

    alarming.turn(since + MINUTE)
    first = states(store)["bay.evidence"]
    for minute in range(2, 12):
        alarming.turn(since + minute * MINUTE)

    assert first is AlarmState.NORMAL
    assert states(store)["bay.evidence"] is AlarmState.UNACKNOWLEDGED


def test_a_rule_that_is_not_in_force_any_more_ends_its_alarm(store: Store) -> None:
    """The zone is judged, without that rule: nothing is left to be outside of."""
    live(store, [20.9, 20.9, 20.9])

    class Other(Told):
        def rule_states(self, zone: str, at_ns: int, now_ns: int) -> Sequence[RuleState]:
            cell_ns = at_ns // MINUTE * MINUTE
            return [
                RuleState("bay.humidity", "humidity", cell_ns, 50.0, 1.2, 10.0, "%RH", 40.0, 60.0,
                          Conformity.CONFORMING, "P1.relative_humidity")
            ]  # fmt: skip

    live(store, [20.9, 20.9, 20.9], 3, Other())

    assert states(store)["bay-air"] is AlarmState.RETURNED_UNACKNOWLEDGED


@pytest.mark.slow
def test_what_comes_off_the_shelf_is_told_once_and_nobody_is_blamed_yet(store: Store) -> None:
    """Out all the while: at the shelf's end one notice, the second person only after their own 15 min."""
    spec = replace(SPEC, escalate_after_s=900, escalate_to=("duty",), repeat_after_s=2400)
    config = replace(CONFIG, setup=replace(CONFIG.setup, alarms=(spec,)))
    rules, ends = Told(), START + 50 * MINUTE + 20 * NS
    live(store, [20.0], rules=rules)
    attending.shelve(store, "bay-air", "Greta Holm", "fan is changed", until_ns=ends, now_ns=START + MINUTE)
    for minute in range(1, 68):
        rules.values[minute] = 20.9
        at = START + minute * MINUTE + 30 * NS
        store.append("poll", [Row("P1.temperature", at, at, 20.9)])
        # Each turn by a service of its own: a restart at any moment changes nothing.
        AlarmEngine(store, config, rules).turn(ends - 1 if minute == 49 else at + 33 * NS)
        if minute == 49:
            assert attending.outbox(store).waiting(2**62) == []
            AlarmEngine(store, config, rules).turn(ends)

    result = attending.outbox(store).waiting(2**62)
    assert [(x.body["step"], x.body["queued_ns"]) for x in result] == [
        ("annunciated", ends), ("escalated", START + 66 * MINUTE + 3 * NS)
    ]  # fmt: skip


def test_a_zone_whose_verdicts_fail_does_not_silence_the_watch_over_sources(store: Store) -> None:
    """That a probe is silent is said though the judge raises; its error is raised all the same."""

    class Failing(Told):
        def rule_states(self, zone: str, at_ns: int, now_ns: int) -> Sequence[RuleState]:
            raise ValueError("no verdict")

    store.append("poll", [Row("P1.temperature", START, START, 20.0)])
    alarming = AlarmEngine(store, CONFIG, Failing(), since_ns=START)
    for minute in range(1, 8):
        with pytest.raises(ValueError, match="no verdict"):
            alarming.turn(START + minute * MINUTE + 3 * NS)
    assert states(store)["bay.evidence"] is AlarmState.UNACKNOWLEDGED
    assert "bay.evidence" in [letter.alarm for letter in attending.outbox(store).waiting(2**62)]
