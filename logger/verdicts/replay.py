"""A recorded time once more, under other limits and delays, beside what was: alarms, hours, inspections lost.

Source of the method: IEC 62682, rationalisation of alarms; what is compared is ours.
"""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from dataclasses import dataclass, replace
from typing import Any

from ..acts import inspections as actions
from ..config import load_texts
from ..core.alarms.replay import Occurrence, Replay, counting
from ..errors import Refused, UnknownName
from ..instants import NS, rfc3339
from ..model import AlarmSpec, Config, Rule, Setup
from ..store import Store
from .ledger import Ledger


@dataclass(frozen=True)
class Delay:
    """Delays in s and a deadband in the rule's unit, where they are to be other than declared."""

    on_s: int | None = None
    off_s: int | None = None
    deadband: float | None = None


@dataclass(frozen=True)
class Outcome:
    """One side of the comparison."""

    alarms: Mapping[str, Sequence[Occurrence]]  # by rule
    hours: Mapping[str, float]  # by verdict, all zones together
    inspections: int
    lost: tuple[str, ...]  # keys of inspections that were not stable throughout

    def to_json(self) -> dict[str, Any]:
        """Plain values; instants in UTC."""
        return {
            "alarms": {rule: [_plain(o) for o in found] for rule, found in self.alarms.items()},
            "hours": dict(self.hours),
            "inspections": self.inspections,
            "inspections_lost": list(self.lost),
        }


def _plain(found: Occurrence) -> dict[str, str | None]:
    ends = None if found.to_ns is None else rfc3339(found.to_ns)
    return {"from": rfc3339(found.from_ns), "annunciated": rfc3339(found.annunciated_ns), "returned": ends}


def replay(store: Store, setup: Setup, from_ns: int, to_ns: int, delays: Mapping[str, Delay]) -> Outcome:
    """The alarms of every rule of a setup over [from, to), judged anew; nothing is stored.

    `delays` by rule; "" for all others. A rule without an alarm is counted as if it had one with
    the delays that an alarm has when nothing is said.
    """
    replays = [_zone(store, setup, zone.key, (from_ns, to_ns), delays) for zone in setup.zones_now()]
    jobs = [
        job for job in actions.inspections(store)
        if job.to_ns is not None and job.from_ns >= from_ns and job.to_ns <= to_ns
    ]  # fmt: skip
    by_zone = {r.zone: r for r in replays}
    lost = [
        job.key for job in jobs
        if job.zone in by_zone and not by_zone[job.zone].supported(job.from_ns, job.to_ns or 0)
    ]  # fmt: skip
    hours: dict[str, float] = {}
    for one in replays:
        for verdict, seconds in one.seconds.items():
            hours[verdict] = hours.get(verdict, 0.0) + seconds / 3600
    alarms = {rule: counted.found for one in replays for rule, counted in one.alarms.items()}
    return Outcome(alarms, hours, len(jobs), tuple(lost))


def _zone(
    store: Store, setup: Setup, zone: str, span: tuple[int, int], delays: Mapping[str, Delay]
) -> Replay:
    specs = {key: _spec(setup, key, delays) for key in dict.fromkeys(r.key for r in setup.rules_of(zone))}
    found = Replay(zone, {key: counting(spec, setup.step_s) for key, spec in specs.items()})
    for judgement in Ledger(store, setup).over(zone, *span, span[1]):
        found.take(judgement, *span)
    return found


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


def with_limits(config: Config, text: str) -> Setup:
    """The setup with the rules of another limits.toml in place of its own, as if they had always held."""
    kept = {f: t for f, t in config.texts.items() if not f.startswith(("limits", "alarms"))}
    if not kept:
        raise Refused("Other limits can be tried only on a setup whose files are known.")
    rules = load_texts({**kept, "limits.toml": text}).setup.rules
    return replace(config.setup, rules=tuple(_always(rule) for rule in rules))


def _always(rule: Rule) -> Rule:
    return replace(rule, from_ns=0, to_ns=None)


def delays_of(texts: Sequence[str], setup: Setup) -> dict[str, Delay]:
    """Delays as people write them: "300", "300/600", "300/600/0.1", each also with "RULE=" before it.

    >>> from types import SimpleNamespace
    >>> delays_of(["600/300"], SimpleNamespace(rules=()))
    {'': Delay(on_s=600, off_s=300, deadband=None)}
    """
    known = list(dict.fromkeys(r.key for r in setup.rules))
    found = {}
    for text in texts:
        rule, _, figures = text.rpartition("=")
        if rule and rule not in known:
            raise UnknownName("rule", rule, known)
        found[rule] = _delay(figures, text)
    return found


def _delay(figures: str, text: str) -> Delay:
    parts = figures.split("/")
    try:
        on_s, off_s = int(parts[0]), int(parts[1]) if len(parts) > 1 else None
        deadband = float(parts[2]) if len(parts) > 2 else None
        if len(parts) > 3 or on_s < 0 or (off_s or 0) < 0 or not 0 <= (deadband or 0.0) < 1e6:
            raise ValueError
    except ValueError:
        wanted = "on-delay/off-delay/deadband as in 300, 300/600 or machine-bay.temperature=300/600/0.1"
        raise Refused(f"--delays {text!r}: wanted {wanted}.") from None
    return Delay(on_s, off_s, deadband)


def whole_cells(from_ns: int, to_ns: int, setup: Setup) -> tuple[int, int]:
    """The interval in whole cells."""
    step_ns = setup.step_s * NS
    return from_ns // step_ns * step_ns, to_ns // step_ns * step_ns
