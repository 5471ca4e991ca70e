"""What is still missing in a young room, and when that ends."""

from __future__ import annotations

from collections.abc import Iterator
from dataclasses import dataclass

from ..config.feasible import uncertified
from ..instants import NS
from ..model import Setup, Zone

MINUTE_S = 60


@dataclass(frozen=True)
class NextStep:
    """Something that comes at `at_ns`; None: when a person has done it."""

    at_ns: int | None
    text: str


def next_steps(setup: Setup, zone: Zone, from_ns: int) -> tuple[NextStep, ...]:
    """Of a zone whose readings begin at `from_ns`: what a person must do first, then the hours in order."""
    missing = tuple(_missing(setup, zone))
    hours = _hours(setup, zone, from_ns, "with a certificate, stable" if missing else "stable")
    return (*missing, *sorted(hours, key=lambda step: step.at_ns or 0))


def _missing(setup: Setup, zone: Zone) -> Iterator[NextStep]:
    rules = [rule for rule in setup.rules if rule.zone == zone.key and rule.to_ns is None]
    if not rules:
        yield NextStep(None, "limits: none are in force, so nothing is judged")
    bare = dict.fromkeys(channel for rule in rules for channel in uncertified(rule, setup))
    for channel in bare:
        yield NextStep(None, f"certificate of {channel}: values are shown, the zone stays not shown")


def _hours(setup: Setup, zone: Zone, from_ns: int, stable: str) -> Iterator[NextStep]:
    yield NextStep(from_ns, "first reading")
    longest_s = MINUTE_S
    for rule in setup.rules:
        if rule.zone == zone.key and rule.window_s and rule.to_ns is None:
            longest_s = max(longest_s, rule.window_s)
            yield NextStep(from_ns + rule.window_s * NS, f"{rule.name} is known")
    if zone.bodies:
        yield NextStep(from_ns + longest_s * NS, "all limits are known; machine and parts follow the air")
        return
    last_s = max(longest_s, zone.settling_s)
    settling = f": machine and parts settle for {zone.settling_s / 3600:g} h" if zone.settling_s else ""
    yield NextStep(from_ns + last_s * NS, f"{stable} for the first time, if all limits are kept{settling}")
