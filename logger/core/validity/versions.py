"""Versions of the setup to the one setup to judge by: what was in force at each instant, as known at one.

Each version states everything; only what differs from the version before is a change. In force at t
is the newest change that had begun by t:

    limits, decision rules      from their `valid_from`, but not before the approval of their version
    zones, channels             from the approval: how zones remember, how readings are tested
    certificates, placements    from their own dates, which may lie before the approval
    positions, names, alarms    as the newest version says

A change that had not begun when a later version changed the same thing again never begins. The first
version holds as it is written. A correction of an entry error takes the place of what it corrects from
that one's begin.
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
from .timeline import first_touched

# What can be told of a rule without a change of what it asks for.
_SPOKEN = {"approver": ""}
T = TypeVar("T")


@dataclass(frozen=True)
class Version:
    """One approved version: what its files say, and who put it in force when."""

    setup: Setup
    approved_ns: int
    author: str = ""
    approver: str = ""
    reason: str = ""
    correction: bool = False


def effective(versions: Sequence[Version], known_ns: int | None = None) -> Setup:
    """What was in force at each instant, from versions in order, as known at `known_ns` (None: now).

    Refused where nothing was approved by then.
    """
    last = max((i for i, v in enumerate(versions) if _known(v, known_ns)), default=None)
    if last is None:
        raise Refused("No version of the setup was approved by then; name a later time.")
    known = versions[: last + 1]
    corrections = tuple(_correction(known, i) for i, v in enumerate(known) if i and v.correction)
    return replace(_merged(known), corrections=corrections)


def _merged(known: Sequence[Version]) -> Setup:
    newest = known[-1].setup
    if len(known) == 1:
        return newest
    *earlier, settings = _settings(known)
    return replace(
        newest,
        digest=_digest(known),
        zones=settings.zones,
        channels=settings.channels,
        positions=_united([v.setup.positions for v in known]),
        probes=_united([v.setup.probes for v in known]),
        placements=_placements(known),
        certificates=_certificates(known),
        rules=_rules(known),
        earlier=tuple(earlier),
    )


def _known(version: Version, known_ns: int | None) -> bool:
    return known_ns is None or version.approved_ns <= known_ns


def _digest(versions: Sequence[Version]) -> str:
    facts = [[v.setup.version, v.setup.digest, v.approved_ns, v.correction] for v in versions]
    return hashlib.sha256(json.dumps(facts, separators=(",", ":")).encode()).hexdigest()


def _united(each: Sequence[Mapping[str, T]]) -> dict[str, T]:
    """Everything that ever was, in the order of the newest version; what is gone stands last."""
    united: dict[str, T] = dict(each[-1])
    for older in reversed(each[:-1]):
        united |= {key: thing for key, thing in older.items() if key not in united}
    return united


# Rules


@dataclass(frozen=True)
class _Claim:
    """From `from_ns` on a thing is as one version says; None: there is no such thing any more."""

    from_ns: int
    rule: Rule | None


def _rules(versions: Sequence[Version]) -> tuple[Rule, ...]:
    """Every rule in as many pieces as it was changed, pieces of a key ascending in time."""
    claims: dict[str, list[_Claim]] = {}
    stated: dict[str, Rule] = {}
    for number, version in enumerate(versions):
        said = {rule.key: rule for rule in version.setup.rules}
        for key in [*said, *(k for k in stated if k not in said)]:
            old, new = stated.get(key), said.get(key)
            if not _same_rule(old, new):
                own = claims.setdefault(key, [])
                start = _start(version, old, new, own) if number else _first_start(new)
                claims[key] = _claimed(own, start, version, new, first=number == 0)
        stated = said
    order = _united([{rule.key: rule for rule in v.setup.rules} for v in versions])
    return tuple(piece for key in order for piece in _pieces(claims[key]))


def _same_rule(old: Rule | None, new: Rule | None) -> bool:
    if old is None or new is None:
        return old is new
    return replace(old, **_SPOKEN) == replace(new, **_SPOKEN)  # type: ignore[arg-type]


def _first_start(rule: Rule | None) -> int:
    return 0 if rule is None else rule.from_ns


def _start(version: Version, old: Rule | None, new: Rule | None, claims: Sequence[_Claim]) -> int:
    """From when a changed rule is as this version says."""
    if not version.correction:
        return version.approved_ns if new is None else max(new.from_ns, version.approved_ns)
    before = claims[-1].from_ns if claims else 0
    if new is None:
        return before
    # A rule whose begin was not touched is corrected where its error began, and not in older versions.
    untouched = old is None or new.from_ns == old.from_ns
    return max(new.from_ns, before) if untouched and claims else new.from_ns


def _claimed(
    claims: Sequence[_Claim], start_ns: int, version: Version, rule: Rule | None, *, first: bool
) -> list[_Claim]:
    kept = [c for c in claims if c.from_ns <= version.approved_ns and c.from_ns < start_ns]
    if rule is not None and not first:
        rule = replace(rule, approver=version.approver or rule.approver)
    return [*kept, _Claim(start_ns, rule)]


def _pieces(claims: Sequence[_Claim]) -> list[Rule]:
    pieces = []
    ends = [c.from_ns for c in claims[1:]]
    for claim, end_ns in zip(claims, [*ends, None], strict=True):
        if claim.rule is None:
            continue
        piece = replace(claim.rule, from_ns=claim.from_ns, to_ns=_first_end(claim.rule.to_ns, end_ns))
        if piece.to_ns is None or piece.from_ns < piece.to_ns:
            pieces.append(piece)
    return pieces


def _first_end(*ends: int | None) -> int | None:
    return min((end for end in ends if end is not None), default=None)


# Zones and channels


def _settings(versions: Sequence[Version]) -> list[Settings]:
    """Zones and channels under each version, every key known to all; the last has no true end."""
    zones = _through([v.setup.zones for v in versions], versions, _gone_zone)
    channels = _through([v.setup.channels for v in versions], versions, _gone_channel)
    ends = [v.approved_ns for v in versions[1:]] + [versions[-1].approved_ns]
    made = [Settings(end, z, c) for end, z, c in zip(ends, zones, channels, strict=True)]
    distinct = [s for s, after in pairwise(made) if (s.zones, s.channels) != (after.zones, after.channels)]
    return [*distinct, made[-1]]


def _gone_zone(zone: Zone, at_ns: int) -> Zone:
    return replace(zone, to_ns=at_ns if zone.to_ns is None else zone.to_ns)


def _gone_channel(channel: Channel, _at_ns: int) -> Channel:
    return channel


def _through(
    each: Sequence[Mapping[str, T]], versions: Sequence[Version], gone: Callable[[T, int], T]
) -> list[dict[str, T]]:
    """What each version has of every key; before the first that has it, that one's: the past can be asked."""
    found: list[dict[str, T]] = [{} for _ in each]
    for key in _united(each):
        values = _filled([said.get(key) for said in each], versions, gone)
        for i, version in enumerate(versions):
            if i and version.correction and values[i] != values[i - 1]:
                _corrected(values, i)
        for place, value in zip(found, values, strict=True):
            place[key] = value
    return found


def _filled(said: Sequence[T | None], versions: Sequence[Version], gone: Callable[[T, int], T]) -> list[T]:
    values: list[T] = []
    first = next(value for value in said if value is not None)
    for value, version in zip(said, versions, strict=True):
        if value is not None:
            values.append(value)
        elif values and any(v is not None for v in said[: len(values)]):
            values.append(gone(values[-1], version.approved_ns))
        else:
            values.append(first)
    return values


def _corrected(values: list[T], at: int) -> None:
    """Put the value of a correction in the place of the wrong one, back to where that began."""
    wrong, place = values[at - 1], at - 1
    while place >= 0 and values[place] == wrong:
        values[place] = values[at]
        place -= 1


# What may begin before its approval


def _placements(versions: Sequence[Version]) -> tuple[Placement, ...]:
    """Newer versions say where a probe stood from their earliest begin on; what was before stays."""
    held: dict[str, list[Placement]] = {}
    for version in versions:
        said: dict[str, list[Placement]] = {}
        for placement in version.setup.placements:
            said.setdefault(placement.probe, []).append(placement)
        for probe in [*said, *(p for p in held if p not in said)]:
            before, new = held.get(probe, []), said.get(probe, [])
            begin = min((p.from_ns for p in new), default=version.approved_ns)
            held[probe] = ([] if version.correction else _ended(before, begin)) + new
    return tuple(p for of_probe in held.values() for p in of_probe)


def _ended(placements: Sequence[Placement], at_ns: int) -> list[Placement]:
    return [replace(p, to_ns=_first_end(p.to_ns, at_ns)) for p in placements if p.from_ns < at_ns]


def _certificates(versions: Sequence[Version]) -> tuple[Certificate, ...]:
    """Each as its newest version says; one that was taken out of the files is withdrawn at that approval."""
    # One paper may cover several channels, so that a number alone does not tell them apart.
    held: dict[tuple[str, str], Certificate] = {}
    for version in versions:
        said = {(c.number, c.channel): c for c in version.setup.certificates}
        for one in [c for c in held if c not in said]:
            if version.correction:
                del held[one]
            else:
                gone_ns = _first_end(held[one].withdrawn_ns, version.approved_ns)
                held[one] = replace(held[one], withdrawn_ns=gone_ns)
        held |= said
    return tuple(held.values())


def _correction(versions: Sequence[Version], place: int) -> Correction:
    version = versions[place]
    before, after = _merged(versions[:place]), _merged(versions[: place + 1])
    touched = [first_touched(before, after, zone) for zone in after.zones]
    from_ns = min((ns for ns in touched if ns is not None), default=version.approved_ns)
    number = version.setup.version
    return Correction(number, from_ns, version.approved_ns, version.author, version.approver, version.reason)


def contradictions(before: Setup, after: Setup) -> list[str]:
    """What a new version must not say of a known thing, because readings would change their meaning."""
    found = []
    for key, channel in after.channels.items():
        old = before.channels.get(key)
        if old and (old.quantity, old.unit) != (channel.quantity, channel.unit):
            found.append(
                f"channel {key} was {old.quantity} in {old.unit}, now {channel.quantity} in {channel.unit}: "
                "its stored readings would be read wrongly; give the new channel another name"
            )
    for key, probe in after.probes.items():
        known = before.probes.get(key)
        if known and known.serial != probe.serial:
            found.append(
                f"probe {key} was {known.serial} and is now {probe.serial}: another instrument needs a probe "
                "of its own, and the old one an end of its placement"
            )
    return found
