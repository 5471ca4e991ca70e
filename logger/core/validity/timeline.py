"""What judges a zone, along time: so that a change judges again only from where it is felt.

A timeline is a list of [from_ns, to_ns or None, digest], each digest that of something that can change
a verdict while it holds. What is only spoken (names, bases, issuers, comments) is not in it.
"""

from __future__ import annotations

import hashlib
import json
from collections.abc import Iterator, Sequence
from dataclasses import asdict, is_dataclass, replace
from itertools import pairwise
from typing import Any

from ...model import Certificate, Mark, Setup
from ..calibration.as_found import released_until_ns

Held = list[Any]  # [from_ns, to_ns or None, digest], as JSON keeps it
_SPOKEN = ("basis", "name", "approver", "from_ns", "to_ns")
_SPOKEN_OF_ZONE = ("name", "outline_m", "pre_window_s", "hours_of_use", "to_ns")


def timeline(setup: Setup, zone: str, marks: Sequence[Mark] = (), *, activities: bool = False) -> list[Held]:
    """Everything that judges a zone; `activities`: the rules of single activities as well."""
    held = [
        *_rules(setup, zone, activities),
        *_settings(setup, zone),
        *_placements(setup, zone),
        *_certificates(setup, zone),
        *([m.from_ns, m.to_ns, _digest(["mark"])] for m in marks if m.zone == zone),
    ]
    return [h for h in held if h[1] is None or h[0] < h[1]]


def first_touched(before: Setup, after: Setup, zone: str) -> int | None:
    """From when on a zone may be judged otherwise under another setup; None: nowhere."""
    if zone not in before.zones or zone not in after.zones:
        return 0
    lines = [timeline(setup, zone, activities=True) for setup in (before, after)]
    return first_difference(*lines)


def first_difference(a: Sequence[Held], b: Sequence[Held]) -> int | None:
    """The earliest instant at which two timelines hold something else; None where they never do.

    >>> first_difference([[0, None, "x"]], [[0, 5, "x"], [5, None, "y"]])
    5
    >>> first_difference([[0, None, "x"]], [[0, 5, "x"], [5, None, "x"]]) is None
    True
    """
    if list(a) == list(b):
        return None
    edges = sorted({ns for line in (a, b) for start, end, _ in line for ns in (start, end) if ns is not None})
    return next((ns for ns in edges if _at(a, ns) != _at(b, ns)), None)


def _at(line: Sequence[Held], ns: int) -> list[str]:
    """What holds at an instant, in order: of two rules without evidence the first is named."""
    return [what for start, end, what in line if start <= ns and (end is None or ns < end)]


def _digest(thing: object) -> str:
    plain = asdict(thing) if is_dataclass(thing) and not isinstance(thing, type) else thing
    return hashlib.sha256(json.dumps(plain, sort_keys=True).encode()).hexdigest()[:16]


def _rules(setup: Setup, zone: str, activities: bool) -> Iterator[Held]:
    for rule in setup.rules:
        if rule.zone == zone and (activities or not rule.activity):
            body = {k: v for k, v in asdict(rule).items() if k not in _SPOKEN}
            yield [rule.from_ns, rule.to_ns, _digest(body)]


def _settings(setup: Setup, zone: str) -> Iterator[Held]:
    """The zone's memory and its channels' tests, under each of the settings."""
    begin = 0
    for end, own in zip([s.until_ns for s in setup.earlier] + [None], setup.every(), strict=True):
        z = own.zone(zone)
        memory = {k: v for k, v in asdict(z).items() if k not in _SPOKEN_OF_ZONE}
        memory["bodies"] = [asdict(replace(body, name="")) for body in z.bodies]
        channels = [asdict(own.channels[key]) for key in own.channels_in(zone)]
        yield [begin, end, _digest([memory, own.step_s, channels])]
        begin = end or begin


def _placements(setup: Setup, zone: str) -> Iterator[Held]:
    for placement in sorted(setup.placements, key=lambda p: (p.probe, p.from_ns)):
        position = setup.positions.get(placement.position)
        if position is not None and position.zone == zone:
            body = [placement.probe, position.key, position.medium, position.xyz_m, position.u_m]
            yield [placement.from_ns, placement.to_ns, _digest(body)]


def _certificates(setup: Setup, zone: str) -> Iterator[Held]:
    """Each over the time in which it corrects, with what the next one found; and when it is no evidence."""
    for key in setup.channels_in(zone):
        used: list[Certificate | None] = [*setup.certificates_of(key), None]
        for one, after in pairwise(used):
            if one is None:
                continue
            end = None if after is None else after.valid_from_ns
            yield [one.valid_from_ns, end, _digest(_correcting(one, after))]
            released_ns = released_until_ns(one, after) if after and one.due_ns is not None else None
            overdue_ns = max(one.due_ns, released_ns or one.due_ns) if one.due_ns is not None else None
            for limit in (overdue_ns, one.withdrawn_ns):
                if limit is not None and (end is None or limit < end):
                    what = "withdrawn" if limit == one.withdrawn_ns else "overdue"
                    yield [max(limit, one.valid_from_ns), end, _digest([key, what])]


def _correcting(one: Certificate, after: Certificate | None) -> list[Any]:
    numbers: list[Any] = [
        one.channel,
        one.indications,
        one.corrections,
        one.U,
        one.k,
        one.range,
        one.drift,
        one.other_u,
    ]
    if one.polynomial is not None:
        numbers.append(asdict(one.polynomial))
    found = after.as_found if after else None
    if after is None or found is None or not found.model:
        return numbers
    return [*numbers, asdict(found), _calibrated_ns(one), _calibrated_ns(after)]


def _calibrated_ns(certificate: Certificate) -> int:
    return certificate.valid_from_ns if certificate.calibrated_ns is None else certificate.calibrated_ns
