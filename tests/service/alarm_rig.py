"""A room of invented zones, rules and alarms, with verdicts as a test states them."""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from dataclasses import dataclass, field

from logger.acts import alarms as attending
from logger.instants import NS
from logger.model import (
    AlarmSpec,
    Config,
    Conformity,
    MailRoute,
    NoticePlan,
    Room,
    Row,
    Rule,
    RuleState,
    Setup,
    Zone,
)
from logger.notify.outbox import Letter
from logger.store import Store

MINUTE = 60 * NS
START = 1_792_382_400 * NS // MINUTE * MINUTE
LOWER, UPPER, INSIDE, OUTSIDE = 19.5, 20.5, 20.0, 20.9
DUTY = MailRoute("duty", "127.0.0.1", 25, "room@almtal.example", ("greta@almtal.example",), "none")


def rule(key: str, zone: str) -> Rule:
    """A limit of 19.5 to 20.5 °C."""
    return Rule(key, zone, "limit", key, "temperature", "degC", LOWER, UPPER, "manual", 0)


def config(specs: Sequence[AlarmSpec], zones: Sequence[str], plan: NoticePlan | None = None) -> Config:
    """Alarm `<zone>-<n>` looks at the rule `<zone>.<n>`."""
    room = Room("east", "Room East", "Almtal", "Europe/Vienna", (9.0, 6.0, 3.0), "Greta", simulated=True)
    rules = tuple(rule(spec.rule, spec.rule.split(".")[0]) for spec in specs)
    setup = Setup(
        1, "", room, {z: Zone(z, f"Zone {z}", (0.0, 0.0, 4.0, 4.0)) for z in zones},
        {}, {}, {}, (), (), rules, tuple(specs),
    )  # fmt: skip
    return Config(setup, (), (DUTY,), notices=plan or NoticePlan())


@dataclass
class Stated:
    """Verdicts as stated: (rule, minute since START) -> temperature; nothing stated was not judged."""

    setup: Setup
    values: dict[tuple[str, int], float | None] = field(default_factory=dict)

    def rule_states(self, zone: str, at_ns: int, now_ns: int) -> Sequence[RuleState]:
        """A value of None is a rule without evidence in that cell."""
        minute = (at_ns - START) // MINUTE
        return [
            self._state(item.key, minute)
            for item in self.setup.rules
            if item.zone == zone and (item.key, minute) in self.values
        ]

    def _state(self, key: str, minute: int) -> RuleState:
        value, cell_ns = self.values[key, minute], START + minute * MINUTE
        margin = None if value is None else min(value - LOWER, UPPER - value)
        state = Conformity.INDETERMINATE if margin is None else (
            Conformity.NONCONFORMING if margin < 0 else Conformity.CONFORMING
        )  # fmt: skip
        return RuleState(key, key, cell_ns, value, 0.06, margin, "degC", LOWER, UPPER, state, f"probe-{key}")

    def doubts(self, zone: str, at_ns: int, now_ns: int) -> Mapping[str, str]:
        """None of the probes is doubted."""
        return {}


def letters(store: Store) -> list[Letter]:
    """Every letter so far, oldest first, whatever became of it."""
    return attending.outbox(store).waiting(2**62, limit=100_000)


def row(minute: int) -> Row:
    """Any reading of a minute."""
    at = START + minute * MINUTE + 30 * NS
    return Row("P1.temperature", at, at, INSIDE)
