"""What a new version of the setup changes, item by item, and from when: for the approver."""

from __future__ import annotations

from collections.abc import Iterator, Mapping
from dataclasses import dataclass, fields
from typing import Any, TypeVar

from ...instants import rfc3339
from ...model import Certificate, Placement, Rule, Setup

T = TypeVar("T")
# Names of fields that do not read as words; of the others the underscores are blanks.
_NAMES = {
    "flat_n": "test of a constant value, readings",
    "rate": "greatest change in 5 min",
    "spike": "test of spikes",
    "r": "guard factor r",
    "max_age_s": "a reading counts for, s",
    "interval_s": "interval, s",
    "response_s": "response time, s",
    "xyz_m": "place x, y, z, m",
    "outline_m": "outline, m",
    "size_m": "size, m",
    "door_m": "door, m",
    "settling_s": "settling, s",
    "pre_window_s": "pre-window, s",
}


@dataclass(frozen=True)
class SetupChange:
    """One difference. `from_ns`: from when on; None: from the approval."""

    thing: str
    what: str
    from_ns: int | None = None


def changes(before: Setup, after: Setup, now_ns: int) -> list[SetupChange]:
    """Every difference of content between two versions; another wording of the files is none."""
    differences: list[SetupChange] = []
    if before.room != after.room:
        differences.append(SetupChange("room", _fields(before.room, after.room)))
    for kind, old, new in (
        ("zone", before.zones, after.zones),
        ("position", before.positions, after.positions),
        ("probe", before.probes, after.probes),
        ("channel", before.channels, after.channels),
        ("alarm", {a.key: a for a in before.alarms}, {a.key: a for a in after.alarms}),
    ):
        differences += [SetupChange(f"{kind} {key}", what) for key, what in _differing(old, new)]
    return [
        *differences,
        *_rules(before, after, now_ns),
        *_certificates(before, after),
        *_placements(before, after),
    ]


def _differing(old: Mapping[str, T], new: Mapping[str, T]) -> Iterator[tuple[str, str]]:
    for key in [*new, *(k for k in old if k not in new)]:
        if key not in old:
            yield key, "new"
        elif key not in new:
            yield key, "removed"
        elif old[key] != new[key]:
            yield key, _fields(old[key], new[key])


def _fields(old: Any, new: Any, without: tuple[str, ...] = ()) -> str:
    """The fields that differ, as in "upper 20.5 → 20.6"."""
    names = [f.name for f in fields(old) if f.name not in without]
    differ = [n for n in names if getattr(old, n) != getattr(new, n)]
    return ", ".join(_field_change(n, getattr(old, n), getattr(new, n)) for n in differ)


def _field_change(name: str, old: object, new: object) -> str:
    if name.endswith("_ns"):
        was, becomes = (rfc3339(ns) if isinstance(ns, int) else "none" for ns in (old, new))
        return f"{name.removesuffix('_ns').replace('_', ' ')} {was} → {becomes}"
    return f"{_NAMES.get(name, name.replace('_', ' '))} {_value_text(old)} → {_value_text(new)}"


def _value_text(value: object) -> str:
    if value is None:
        return "none"
    if isinstance(value, tuple):
        return "(" + ", ".join(_value_text(v) for v in value) + ")"
    return f"{value:g}" if isinstance(value, float) else str(value)


def _rules(before: Setup, after: Setup, now_ns: int) -> Iterator[SetupChange]:
    old, new = ({r.key: r for r in setup.rules} for setup in (before, after))
    for key, what in _differing(old, new):
        rule: Rule | None = new.get(key)
        if key in old and rule is not None:
            what = _fields(old[key], rule, ("approver", "from_ns"))  # noqa: PLW2901 (said more exactly)
        later = rule is not None and rule.from_ns > now_ns
        if what or later:
            yield SetupChange(f"rule {key}", what or "begins later", rule.from_ns if rule and later else None)


def _certificates(before: Setup, after: Setup) -> Iterator[SetupChange]:
    old, new = ({c.number: c for c in setup.certificates} for setup in (before, after))
    for number, what in _differing(old, new):
        certificate: Certificate | None = new.get(number)
        if certificate is None:
            yield SetupChange(f"certificate {number}", "removed: withdrawn")
        else:
            yield SetupChange(
                f"certificate {number} of {certificate.channel}", what, certificate.valid_from_ns
            )


def _placements(before: Setup, after: Setup) -> Iterator[SetupChange]:
    for probe in dict.fromkeys(p.probe for p in (*after.placements, *before.placements)):
        old, new = (_stays(setup, probe) for setup in (before, after))
        if old != new:
            begin = min((p.from_ns for p in set(old) ^ set(new)), default=None)
            places = ", then ".join(p.position for p in new) or "nowhere"
            yield SetupChange(f"placement of {probe}", places, begin if new else None)


def _stays(setup: Setup, probe: str) -> list[Placement]:
    return sorted((p for p in setup.placements if p.probe == probe), key=lambda p: p.from_ns)
