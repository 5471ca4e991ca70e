"""What is still missing in a young room, and when that ends."""

from __future__ import annotations

from collections.abc import Iterator
from dataclasses import dataclass

import numpy as np

from ..config.feasible import uncertified
from ..core.calibration.apply import correct_readings
from ..instants import NS
from ..model import Setup, Zone
from ..model.figures import channel_words
from .draft import Draft

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
        yield NextStep(
            None,
            f"certificate of {channel_words(channel)}: without it the zone is not shown and no limit alarms",
        )


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


def corrected_text(draft: Draft, setup: Setup, now_ns: int) -> str:
    """What the probe's last answer is once it is corrected, and how the limits stand to its U; or nothing."""
    channel = next((c for c in draft.channels if c.quantity == "temperature" and c.value), None)
    if channel is None:
        return ""
    raw, indicated = (
        float(draft.numbers[channel.value]),
        f"{draft.numbers[channel.value]} {channel.unit_text}",
    )
    certificates = setup.certificates_of(channel.key)
    if not certificates:
        return f"{indicated} at {channel.probe}. No certificate yet, so no limit can be proven."
    corrected = correct_readings(
        setup.channels[channel.key], certificates, np.asarray([now_ns]), np.asarray([raw])
    )
    rule = next(r for r in setup.rules if r.kind == "limit")
    assert rule.lower is not None  # noqa: S101 (both limits are asked for)
    assert rule.upper is not None  # noqa: S101
    U, width = float(corrected.U[0]), rule.upper - rule.lower
    text = f"{channel.probe} reads {indicated}; corrected {corrected.value[0]:.2f} ± {U:.2f} °C"
    return f"{text}. The limits are {width:.2f} K apart, {width / (2 * U):.1f} times 2U."
