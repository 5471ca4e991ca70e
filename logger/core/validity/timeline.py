"""What a zone is judged by, along time: a change is judged again only from its first effect on.

A timeline is a list of [from_ns, to_ns or None, digest], each digest that of something that can change
a verdict while it is in force. Descriptive text (names, bases, issuers, comments) is not in it.
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

TimelineEntry = list[Any]  # [from_ns, to_ns or None, digest], as JSON keeps it
_DESCRIPTIVE = ("basis", "name", "approver", "from_ns", "to_ns")
_DESCRIPTIVE_OF_ZONE = ("name", "outline_m", "pre_window_s", "case_gap_s", "hours_of_use", "to_ns")


def timeline(
    setup: Setup, zone: str, marks: Sequence[Mark] = (), *, activities: bool = False
) -> list[TimelineEntry]:
    """Everything a zone is judged by; `activities`: the rules of single activities as well."""
    entries = [
        *_rules(setup, zone, activities),
        *_settings(setup, zone),
        *_placements(setup, zone),
        *_certificates(setup, zone),
        *([m.from_ns, m.to_ns, _digest(["mark"])] for m in marks if m.zone == zone),
    ]
    return [h for h in entries if h[1] is None or h[0] < h[1]]


def first_affected(before: Setup, after: Setup, zone: str) -> int | None:
    """First instant in ns from which another setup may change a verdict of a zone; None: none."""
    if zone not in before.zones or zone not in after.zones:
        return 0
    lines = [timeline(setup, zone, activities=True) for setup in (before, after)]
    return first_difference(*lines)


def first_difference(a: Sequence[TimelineEntry], b: Sequence[TimelineEntry]) -> int | None:
    """The earliest instant in ns at which two timelines differ; None where they never do.

    >>> first_difference([[0, None, "x"]], [[0, 5, "x"], [5, None, "y"]])
    5
    >>> first_difference([[0, None, "x"]], [[0, 5, "x"], [5, None, "x"]]) is None
    True
    """
    if list(a) == list(b):
        return None
    edges = sorted({ns for line in (a, b) for start, end, _ in line for ns in (start, end) if ns is not None})
    return next((ns for ns in edges if _in_force_at(a, ns) != _in_force_at(b, ns)), None)


def _in_force_at(line: Sequence[TimelineEntry], ns: int) -> list[str]:
    """Digests in force at an instant, in order: of two rules without evidence the first is named."""
    return [what for start, end, what in line if start <= ns and (end is None or ns < end)]


def _digest(thing: object) -> str:
    plain = asdict(thing) if is_dataclass(thing) and not isinstance(thing, type) else thing
    return hashlib.sha256(json.dumps(plain, sort_keys=True).encode()).hexdigest()[:16]


def _rules(setup: Setup, zone: str, activities: bool) -> Iterator[TimelineEntry]:
    for rule in setup.rules:
        if rule.zone == zone and (activities or not rule.activity):
            body = {k: v for k, v in asdict(rule).items() if k not in _DESCRIPTIVE}
            if rule.plate is None:  # so that rules of other kinds keep the digests that are stored
                del body["plate"]
            yield [rule.from_ns, rule.to_ns, _digest(body)]


def _settings(setup: Setup, zone: str) -> Iterator[TimelineEntry]:
    """Settling and bodies of the zone and the tests of its channels, under each of the settings."""
    begin = 0
    for end, setup_then in zip(
        [s.until_ns for s in setup.earlier] + [None], setup.by_settings(), strict=True
    ):
        z = setup_then.zone(zone)
        memory = {k: v for k, v in asdict(z).items() if k not in _DESCRIPTIVE_OF_ZONE}
        memory["bodies"] = [asdict(replace(body, name="")) for body in z.bodies]
        channels = [asdict(setup_then.channels[key]) for key in setup_then.channels_in(zone)]
        yield [begin, end, _digest([memory, setup_then.step_s, channels])]
        begin = end or begin


def _placements(setup: Setup, zone: str) -> Iterator[TimelineEntry]:
    for placement in sorted(setup.placements, key=lambda p: (p.probe, p.from_ns)):
        position = setup.positions.get(placement.position)
        if position is not None and position.zone == zone:
            body = [placement.probe, position.key, position.medium, position.xyz_m, position.u_m]
            yield [placement.from_ns, placement.to_ns, _digest(body)]


def _certificates(setup: Setup, zone: str) -> Iterator[TimelineEntry]:
    """Each while it corrects, with the as-found errors of the next; and when it is no evidence."""
    for key in setup.channels_in(zone):
        used: list[Certificate | None] = [*setup.certificates_of(key), None]
        for certificate, after in pairwise(used):
            if certificate is None:
                continue
            end = None if after is None else after.valid_from_ns
            yield [certificate.valid_from_ns, end, _digest(_correction_figures(certificate, after))]
            released_ns = (
                released_until_ns(certificate, after) if after and certificate.due_ns is not None else None
            )
            overdue_ns = (
                max(certificate.due_ns, released_ns or certificate.due_ns)
                if certificate.due_ns is not None
                else None
            )
            for limit in (overdue_ns, certificate.withdrawn_ns):
                if limit is not None and (end is None or limit < end):
                    what = "withdrawn" if limit == certificate.withdrawn_ns else "overdue"
                    yield [max(limit, certificate.valid_from_ns), end, _digest([key, what])]


def _correction_figures(certificate: Certificate, after: Certificate | None) -> list[Any]:
    numbers: list[Any] = [
        certificate.channel,
        certificate.indications,
        certificate.corrections,
        certificate.U,
        certificate.k,
        certificate.range,
        certificate.drift,
        certificate.other_u,
    ]
    if certificate.polynomial is not None:
        numbers.append(asdict(certificate.polynomial))
    as_found = after.as_found if after else None
    if after is None or as_found is None or not as_found.model:
        return numbers
    return [*numbers, asdict(as_found), _calibrated_ns(certificate), _calibrated_ns(after)]


def _calibrated_ns(certificate: Certificate) -> int:
    return certificate.valid_from_ns if certificate.calibrated_ns is None else certificate.calibrated_ns
