"""Replay of a recorded time under other limits and delays: alarms, hours, inspections lost.

Source of the method: IEC 62682, rationalisation of alarms; the compared figures are our own choice.
"""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from dataclasses import dataclass, replace
from typing import Any

from ..acts import inspections as actions
from ..config import load_texts
from ..core.alarms.replay import Occurrence, Replay, new_counter
from ..errors import Refused, UnknownName
from ..instants import NS, rfc3339
from ..model import AlarmSpec, Config, Rule, Setup
from ..store import Store
from .ledger import Ledger


@dataclass(frozen=True)
class Delay:
    """Delays in s and deadband in the rule's unit; None: as declared."""

    on_s: int | None = None
    off_s: int | None = None
    deadband: float | None = None


@dataclass(frozen=True)
class ReplayResult:
    """One side of the comparison."""

    alarms: Mapping[str, Sequence[Occurrence]]  # by rule
    hours: Mapping[str, float]  # by verdict, all zones together
    inspections: int
    lost: tuple[str, ...]  # keys of inspections that were not stable throughout

    def to_dict(self) -> dict[str, Any]:
        """Plain values; instants in UTC."""
        return {
            "alarms": {
                rule: [_occurrence_dict(o) for o in occurrences] for rule, occurrences in self.alarms.items()
            },
            "hours": dict(self.hours),
            "inspections": self.inspections,
            "inspections_lost": list(self.lost),
        }


def _occurrence_dict(occurrence: Occurrence) -> dict[str, str | None]:
    ends = None if occurrence.to_ns is None else rfc3339(occurrence.to_ns)
    return {
        "from": rfc3339(occurrence.from_ns),
        "annunciated": rfc3339(occurrence.annunciated_ns),
        "returned": ends,
    }


def replay_alarms(
    store: Store, setup: Setup, from_ns: int, to_ns: int, delays: Mapping[str, Delay]
) -> ReplayResult:
    """The alarms of every rule of a setup over [from, to), judged anew; nothing is stored.

    `delays` by rule; "" for all others. A rule without an alarm is counted as if it had one with
    the default delays.
    """
    replays = [_replay_zone(store, setup, zone.key, (from_ns, to_ns), delays) for zone in setup.zones_now()]
    inspections = [
        i for i in actions.inspections(store)
        if i.to_ns is not None and i.from_ns >= from_ns and i.to_ns <= to_ns
    ]  # fmt: skip
    by_zone = {r.zone: r for r in replays}
    lost = [
        i.key for i in inspections
        if i.zone in by_zone and not by_zone[i.zone].supported(i.from_ns, i.to_ns or 0)
    ]  # fmt: skip
    hours: dict[str, float] = {}
    for zone_replay in replays:
        for verdict, seconds in zone_replay.seconds.items():
            hours[verdict] = hours.get(verdict, 0.0) + seconds / 3600
    alarms = {
        rule: counted.occurrences for zone_replay in replays for rule, counted in zone_replay.alarms.items()
    }
    return ReplayResult(alarms, hours, len(inspections), tuple(lost))


def _replay_zone(
    store: Store, setup: Setup, zone: str, span: tuple[int, int], delays: Mapping[str, Delay]
) -> Replay:
    specs = {key: _spec(setup, key, delays) for key in dict.fromkeys(r.key for r in setup.rules_of(zone))}
    result = Replay(zone, {key: new_counter(spec, setup.step_s) for key, spec in specs.items()})
    for judgement in Ledger(store, setup).over(zone, *span, span[1]):
        result.take(judgement, *span)
    return result


def _spec(setup: Setup, rule: str, delays: Mapping[str, Delay]) -> AlarmSpec:
    declared = [s for s in setup.alarms if s.rule == rule]
    spec = declared[0] if declared else AlarmSpec(rule, rule, "medium", "", "none declared")
    other = delays.get(rule, delays.get("", Delay()))
    return replace(
        spec,
        on_delay_s=spec.on_delay_s if other.on_s is None else other.on_s,
        off_delay_s=spec.off_delay_s if other.off_s is None else other.off_s,
        deadband=spec.deadband if other.deadband is None else other.deadband,
    )


def setup_with_limits(config: Config, text: str) -> Setup:
    """The setup with the rules of another limits.toml in place of its own, as if always in force."""
    files = {f: t for f, t in config.texts.items() if not f.startswith(("limits", "alarms"))}
    if not files:
        raise Refused("Other limits can be tried only on a setup whose files are known.")
    rules = load_texts({**files, "limits.toml": text}).setup.rules
    return replace(config.setup, rules=tuple(_always(rule) for rule in rules))


def _always(rule: Rule) -> Rule:
    return replace(rule, from_ns=0, to_ns=None)


def delays_of(texts: Sequence[str], setup: Setup) -> dict[str, Delay]:
    """Delays from texts such as "300", "300/600", "300/600/0.1", each also with "RULE=" before it.

    >>> from types import SimpleNamespace
    >>> delays_of(["600/300"], SimpleNamespace(rules=()))
    {'': Delay(on_s=600, off_s=300, deadband=None)}
    """
    rules = list(dict.fromkeys(r.key for r in setup.rules))
    delays = {}
    for text in texts:
        rule, _, figures = text.rpartition("=")
        if rule and rule not in rules:
            raise UnknownName("rule", rule, rules)
        delays[rule] = _delay(figures, text)
    return delays


def _delay(figures: str, text: str) -> Delay:
    parts = figures.split("/")
    try:
        on_s, off_s = int(parts[0]), int(parts[1]) if len(parts) > 1 else None
        deadband = float(parts[2]) if len(parts) > 2 else None
        if len(parts) > 3 or on_s < 0 or (off_s or 0) < 0 or not 0 <= (deadband or 0.0) < 1e6:
            raise ValueError
    except ValueError:
        expected = "on-delay/off-delay/deadband as in 300, 300/600 or machine-bay.temperature=300/600/0.1"
        raise Refused(f"--delays {text!r}: expected {expected}.") from None
    return Delay(on_s, off_s, deadband)


def whole_cells(from_ns: int, to_ns: int, setup: Setup) -> tuple[int, int]:
    """The interval in whole cells."""
    step_ns = setup.step_s * NS
    return from_ns // step_ns * step_ns, to_ns // step_ns * step_ns
