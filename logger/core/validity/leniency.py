"""Which settings decide how easily a room is shown to be stable: printed beside every verdict.

Some are always printed (guard factor, settling, pre-window, a band that disturbs nothing, quick bodies), the
others where they differ from their defaults. A reader sees at once by which settings a room was judged.
"""

from __future__ import annotations

from collections.abc import Iterator, Sequence

from ...model import Channel, Rule, Setup, Zone
from ...model.ceilings import DEFAULT_GAP_S, default_age_s, longest_gap_s

# Defaults of the configuration that are printed when another value is set.
COMPLETENESS = 0.95
CLOCK_S = 30.0
INTERVAL_S = 60.0
SETTLING_S = 4 * 3600


def evidence_settings(
    setup: Setup, zone: str, rules: Sequence[Rule], span: tuple[int, int], pre_window_s: int
) -> tuple[str, ...]:
    """The settings by which a zone was judged over [from, to) ns, one phrase each; rules: in force then."""
    variants = [s for s in setup.by_settings() if s.channels] if setup.earlier else [setup]
    relevant = [
        s for s in (setup.at(span[0]), setup.at(max(span[0], span[1] - 1))) if zone in s.zones
    ] or variants
    phrases: list[str] = []
    for variant in relevant:
        phrases += [*_of_zone(variant.zones[zone], pre_window_s), *_of_readings(variant, zone, span)]
    phrases[1:1] = _guards(rules)
    phrases += _of_rules(setup, rules)
    phrases += _of_certificates(setup, zone, span) + list(setup.bounded)
    return tuple(dict.fromkeys(phrases))


def _of_zone(zone: Zone, pre_window_s: int) -> Iterator[str]:
    taus = [body.tau_s for body in zone.bodies]
    if not zone.bodies:
        yield f"settling {_duration_text(zone.settling_s)}" if zone.settling_s else "no settling time"
    for body in zone.bodies:
        quick = ", quicker than the usual settling time of 4 h" if body.tau_s < SETTLING_S else ""
        yield f"{body.name} follows the air with a time constant of {_duration_text(body.tau_s)}{quick}"
    yield f"pre-window {_duration_text(pre_window_s)}"
    longest_s = longest_gap_s(zone.settling_s, taus)
    usual_s = DEFAULT_GAP_S if longest_s is None else min(DEFAULT_GAP_S, int(longest_s))
    if longest_s is not None and zone.body_gap_s != usual_s:
        yield (
            f"up to {_duration_text(zone.body_gap_s)} without readings leave machine and parts known "
            f"(default {_duration_text(usual_s)})"
        )


def _guards(rules: Sequence[Rule]) -> list[str]:
    factors = sorted({rule.r for rule in rules})
    return [f"guard factor r = {', '.join(f'{r:g}' for r in factors)}"] if factors else []


def _of_rules(setup: Setup, rules: Sequence[Rule]) -> list[str]:
    phrases = []
    for rule in rules:
        if rule.kind == "limit" and rule.quantity == "temperature" and not rule.disturbs:
            phrases.append(f"{rule.name}: a value out of limits starts no settling")
        if rule.completeness != COMPLETENESS:
            phrases.append(f"{rule.name}: completeness {rule.completeness:g} (default {COMPLETENESS:g})")
        count = len(setup.channels_of(rule))
        if rule.need is not None and rule.need < count:
            phrases.append(f"{rule.name}: needs {rule.need} of {count} channels")
    return phrases


def _of_readings(setup: Setup, zone: str, span: tuple[int, int]) -> Iterator[str]:
    if setup.clock_limit_s != CLOCK_S:
        yield f"clock trusted within {setup.clock_limit_s:g} s (default {CLOCK_S:g} s)"
    for key in setup.channels_in(zone):
        channel = setup.channels[key]
        placements = setup.placements_of(key)
        current = [s for s in placements if s.from_ns < span[1] and (s.to_ns is None or s.to_ns > span[0])]
        if any(setup.positions[stay.position].zone == zone for stay in current):
            yield from _of_channel(channel)


def _of_channel(channel: Channel) -> Iterator[str]:
    if channel.interval_s > INTERVAL_S:
        interval, shortest = _duration_text(channel.interval_s), _duration_text(2 * channel.interval_s)
        yield f"{channel.key}: read every {interval}; a cycle quicker than {shortest} is not seen"
    if channel.rate is None and channel.quantity in ("temperature", "relative_humidity"):
        yield f"{channel.key}: no test for a change that is too fast"
    usual_s = default_age_s(channel.interval_s)
    if channel.max_age_s != usual_s:
        age, usual = _duration_text(channel.max_age_s), _duration_text(usual_s)
        yield f"{channel.key}: a reading holds for {age} (default {usual})"


def _of_certificates(setup: Setup, zone: str, span: tuple[int, int]) -> list[str]:
    return [
        f"{certificate.channel}: certificate {certificate.number} has no due date"
        for key in setup.channels_in(zone)
        for certificate in setup.certificates_of(key)
        if certificate.due_ns is None and certificate.valid_from_ns < span[1]
    ]


def _duration_text(seconds: float) -> str:
    """A duration in words.

    >>> _duration_text(5400), _duration_text(14_400), _duration_text(90)
    ('1 h 30 min', '4 h', '1 min 30 s')
    """
    hours, rest = divmod(round(seconds), 3600)
    parts = [(hours, "h"), (rest // 60, "min"), (rest % 60, "s")]
    return " ".join(f"{n} {unit}" for n, unit in parts if n) or "0 s"
