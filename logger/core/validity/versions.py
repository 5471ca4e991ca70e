"""The setup to judge by, from all versions: what was in force at each instant, as known at a given one.

Each version states everything; only what differs from the version before is a change. In force at t
is the newest change that had begun by t:

    limits, decision rules      from their `valid_from`, but not before the approval of their version
    zones, channels             from the approval: settling of zones, tests of readings
    certificates, placements    from their own dates, which may lie before the approval
    positions, names, alarms    as in the newest version

A change that had not begun when a later version changed the same thing again never begins. The first
version is in force as written. A correction of an entry error replaces what it corrects from its begin on.
"""

from __future__ import annotations

import hashlib
import json
from collections.abc import Callable, Mapping, Sequence
from dataclasses import dataclass, replace
from itertools import pairwise
from typing import TypeVar

from ...errors import Refused
from ...model import Certificate, Channel, Correction, Placement, Rule, Settings, Setup, Zone
from .timeline import first_affected

# Fields of a rule that do not change its requirement.
_DESCRIPTIVE = {"approver": ""}
T = TypeVar("T")


@dataclass(frozen=True)
class Version:
    """One approved version of the setup: its content, who approved it and when."""

    setup: Setup
    approved_ns: int
    author: str = ""
    approver: str = ""
    reason: str = ""
    correction: bool = False


def effective_setup(versions: Sequence[Version], known_ns: int | None = None) -> Setup:
    """What was in force at each instant, from versions in order, as known at `known_ns` (None: now).

    Refused where nothing was approved by then.
    """
    last = max((i for i, v in enumerate(versions) if _was_approved(v, known_ns)), default=None)
    if last is None:
        raise Refused("No version of the setup was approved by then; name a later time.")
    approved = versions[: last + 1]
    corrections = tuple(_correction(approved, i) for i, v in enumerate(approved) if i and v.correction)
    return replace(_merge(approved), corrections=corrections)


def _merge(versions: Sequence[Version]) -> Setup:
    newest = versions[-1].setup
    if len(versions) == 1:
        return newest
    *earlier, settings = _settings(versions)
    return replace(
        newest,
        digest=_digest(versions),
        zones=settings.zones,
        channels=settings.channels,
        positions=_unite([v.setup.positions for v in versions]),
        probes=_unite([v.setup.probes for v in versions]),
        placements=_placements(versions),
        certificates=_certificates(versions),
        rules=_rules(versions),
        earlier=tuple(earlier),
    )


def _was_approved(version: Version, known_ns: int | None) -> bool:
    return known_ns is None or version.approved_ns <= known_ns


def _digest(versions: Sequence[Version]) -> str:
    facts = [[v.setup.version, v.setup.digest, v.approved_ns, v.correction] for v in versions]
    return hashlib.sha256(json.dumps(facts, separators=(",", ":")).encode()).hexdigest()


def _unite(by_version: Sequence[Mapping[str, T]]) -> dict[str, T]:
    """Every key of any version, in the order of the newest; removed ones last."""
    united: dict[str, T] = dict(by_version[-1])
    for older in reversed(by_version[:-1]):
        united |= {key: thing for key, thing in older.items() if key not in united}
    return united


# Rules


@dataclass(frozen=True)
class _Claim:
    """From `from_ns` on a rule is as one version states it; None: the rule is removed."""

    from_ns: int
    rule: Rule | None


def _rules(versions: Sequence[Version]) -> tuple[Rule, ...]:
    """Every rule, one part for each change of it, parts of a key ascending in time."""
    claims: dict[str, list[_Claim]] = {}
    stated: dict[str, Rule] = {}
    for number, version in enumerate(versions):
        rules = {rule.key: rule for rule in version.setup.rules}
        for key in [*rules, *(k for k in stated if k not in rules)]:
            old, new = stated.get(key), rules.get(key)
            if not _same_rule(old, new):
                rule_claims = claims.setdefault(key, [])
                start = _start(version, old, new, rule_claims) if number else _first_start(new)
                claims[key] = _add_claim(rule_claims, start, version, new, first=number == 0)
        stated = rules
    order = _unite([{rule.key: rule for rule in v.setup.rules} for v in versions])
    return tuple(part for key in order for part in _parts(claims[key]))


def _same_rule(old: Rule | None, new: Rule | None) -> bool:
    if old is None or new is None:
        return old is new
    return replace(old, **_DESCRIPTIVE) == replace(new, **_DESCRIPTIVE)  # type: ignore[arg-type]


def _first_start(rule: Rule | None) -> int:
    return 0 if rule is None else rule.from_ns


def _start(version: Version, old: Rule | None, new: Rule | None, claims: Sequence[_Claim]) -> int:
    """First instant in ns at which a changed rule is as this version states it."""
    if not version.correction:
        return version.approved_ns if new is None else max(new.from_ns, version.approved_ns)
    before = claims[-1].from_ns if claims else 0
    if new is None:
        return before
    # A rule whose begin was not touched is corrected where its error began, and not in older versions.
    untouched = old is None or new.from_ns == old.from_ns
    return max(new.from_ns, before) if untouched and claims else new.from_ns


def _add_claim(
    claims: Sequence[_Claim], start_ns: int, version: Version, rule: Rule | None, *, first: bool
) -> list[_Claim]:
    earlier = [c for c in claims if c.from_ns <= version.approved_ns and c.from_ns < start_ns]
    if rule is not None and not first:
        rule = replace(rule, approver=version.approver or rule.approver)
    return [*earlier, _Claim(start_ns, rule)]


def _parts(claims: Sequence[_Claim]) -> list[Rule]:
    parts = []
    ends = [c.from_ns for c in claims[1:]]
    for claim, end_ns in zip(claims, [*ends, None], strict=True):
        if claim.rule is None:
            continue
        part = replace(claim.rule, from_ns=claim.from_ns, to_ns=_first_end(claim.rule.to_ns, end_ns))
        if part.to_ns is None or part.from_ns < part.to_ns:
            parts.append(part)
    return parts


def _first_end(*ends: int | None) -> int | None:
    return min((end for end in ends if end is not None), default=None)


# Zones and channels


def _settings(versions: Sequence[Version]) -> list[Settings]:
    """Zones and channels under each version, every key in all of them; the last has no true end."""
    zones = _by_version([v.setup.zones for v in versions], versions, _gone_zone)
    channels = _by_version([v.setup.channels for v in versions], versions, _gone_channel)
    ends = [v.approved_ns for v in versions[1:]] + [versions[-1].approved_ns]
    by_version = [Settings(end, z, c) for end, z, c in zip(ends, zones, channels, strict=True)]
    distinct = [
        s for s, after in pairwise(by_version) if (s.zones, s.channels) != (after.zones, after.channels)
    ]
    return [*distinct, by_version[-1]]


def _gone_zone(zone: Zone, at_ns: int) -> Zone:
    return replace(zone, to_ns=at_ns if zone.to_ns is None else zone.to_ns)


def _gone_channel(channel: Channel, _at_ns: int) -> Channel:
    return channel


def _by_version(
    stated: Sequence[Mapping[str, T]], versions: Sequence[Version], gone: Callable[[T, int], T]
) -> list[dict[str, T]]:
    """Value of every key in each version; before its first version, the value of that one."""
    by_version: list[dict[str, T]] = [{} for _ in stated]
    for key in _unite(stated):
        values = _fill_gaps([stating.get(key) for stating in stated], versions, gone)
        for i, version in enumerate(versions):
            if i and version.correction and values[i] != values[i - 1]:
                _correct_backwards(values, i)
        for place, value in zip(by_version, values, strict=True):
            place[key] = value
    return by_version


def _fill_gaps(
    stated: Sequence[T | None], versions: Sequence[Version], gone: Callable[[T, int], T]
) -> list[T]:
    values: list[T] = []
    first = next(value for value in stated if value is not None)
    for value, version in zip(stated, versions, strict=True):
        if value is not None:
            values.append(value)
        elif values and any(v is not None for v in stated[: len(values)]):
            values.append(gone(values[-1], version.approved_ns))
        else:
            values.append(first)
    return values


def _correct_backwards(values: list[T], at: int) -> None:
    """Replace a wrong value by that of its correction, in place, back to where it began."""
    wrong, place = values[at - 1], at - 1
    while place >= 0 and values[place] == wrong:
        values[place] = values[at]
        place -= 1


# What may begin before its approval


def _placements(versions: Sequence[Version]) -> tuple[Placement, ...]:
    """Placements: a newer version replaces those from its earliest begin on."""
    by_probe: dict[str, list[Placement]] = {}
    for version in versions:
        stated: dict[str, list[Placement]] = {}
        for placement in version.setup.placements:
            stated.setdefault(placement.probe, []).append(placement)
        for probe in [*stated, *(p for p in by_probe if p not in stated)]:
            before, new = by_probe.get(probe, []), stated.get(probe, [])
            begin = min((p.from_ns for p in new), default=version.approved_ns)
            by_probe[probe] = ([] if version.correction else _end_at(before, begin)) + new
    return tuple(p for of_probe in by_probe.values() for p in of_probe)


def _end_at(placements: Sequence[Placement], at_ns: int) -> list[Placement]:
    return [replace(p, to_ns=_first_end(p.to_ns, at_ns)) for p in placements if p.from_ns < at_ns]


def _certificates(versions: Sequence[Version]) -> tuple[Certificate, ...]:
    """Each as in its newest version; one removed from the files is withdrawn at that approval."""
    # One certificate may cover several channels: the number alone is no key.
    by_key: dict[tuple[str, str], Certificate] = {}
    for version in versions:
        stated = {(c.number, c.channel): c for c in version.setup.certificates}
        for key in [c for c in by_key if c not in stated]:
            if version.correction:
                del by_key[key]
            else:
                gone_ns = _first_end(by_key[key].withdrawn_ns, version.approved_ns)
                by_key[key] = replace(by_key[key], withdrawn_ns=gone_ns)
        by_key |= stated
    return tuple(by_key.values())


def _correction(versions: Sequence[Version], place: int) -> Correction:
    version = versions[place]
    before, after = _merge(versions[:place]), _merge(versions[: place + 1])
    affected = [first_affected(before, after, zone) for zone in after.zones]
    from_ns = min((ns for ns in affected if ns is not None), default=version.approved_ns)
    number = version.setup.version
    return Correction(number, from_ns, version.approved_ns, version.author, version.approver, version.reason)


def contradictions(before: Setup, after: Setup) -> list[str]:
    """Changes that a new version must not make, because stored readings would change their meaning."""
    problems = []
    for key, channel in after.channels.items():
        old = before.channels.get(key)
        if old and (old.quantity, old.unit) != (channel.quantity, channel.unit):
            problems.append(
                f"channel {key} was {old.quantity} in {old.unit}, now {channel.quantity} in {channel.unit}: "
                "its stored readings would be read wrongly; give the new channel another name"
            )
    for key, probe in after.probes.items():
        old_probe = before.probes.get(key)
        if old_probe and old_probe.serial != probe.serial:
            problems.append(
                f"probe {key} was {old_probe.serial} and is now {probe.serial}: another instrument needs a "
                "probe of its own, and the old one an end of its placement"
            )
    return problems
