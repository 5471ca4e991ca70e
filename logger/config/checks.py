"""What no single table can tell: references, contradictions, and numbers that cannot be."""

from __future__ import annotations

from collections.abc import Callable, Iterator, Sequence
from itertools import combinations

from ..core.rules import kinds
from ..errors import Fault
from ..formats.toml import Entry
from ..model import Placement, Rule, Setup
from ..units import QUANTITIES, unit_name
from .ceilings import beyond
from .connections import connection_faults
from .feasible import infeasible, unreleased
from .neighbours import faults as _neighbours
from .notices import faults as _alarms
from .schema import AsFoundTable, CertificateFile, ChannelTable, PlacementTable, PointTable, RuleTable
from .tables import CertificateEntry, Tables, kind_of, unknown
from .zones import faults as _zones


def check(tables: Tables, setup: Setup) -> list[Fault]:
    """All faults between the tables. What can be met at all is asked of sound probes, places and papers only.

    A probe that could not be read would make its zone's rules look impossible, too: one fault
    is enough for one mistake.
    """
    is_readable = all(kind_of(fault.file) in _APART for fault in tables.faults)
    basic = [f for part in _OF_TABLES for f in part(tables)]
    basic += [f for part in _OF_PLACES for f in part(tables, setup)]
    faults = [*basic, *(f for part in _OF_SETUP for f in part(tables, setup))]
    faults += beyond_ceilings(tables)
    if is_readable and not basic:
        faults += [
            *infeasible(tables, setup, {(f.file, f.table) for f in faults}),
            *unreleased(tables, setup),
        ]
    return faults


def _room(tables: Tables) -> Iterator[Fault]:
    if tables.room is None:
        if not tables.faults:
            yield Fault("room.toml", "room", "", "the table [room]", "nothing")
        return
    size = tables.room.value.size_m
    if min(size) <= 0:
        yield tables.room.fault("size_m", "three lengths above zero", str(size))
    for key, zone in tables.zones.items():
        x0, y0, x1, y1 = zone.value.outline_m
        if not (0 <= x0 < x1 <= size[0] and 0 <= y0 < y1 <= size[1]):
            expected = f"x0 < x1 and y0 < y1 inside the room of {size[0]} x {size[1]} m"
            yield zone.fault("outline_m", expected, f"{zone.value.outline_m} for {key}")


def _positions(tables: Tables, setup: Setup) -> Iterator[Fault]:
    for entry in tables.positions.values():
        if entry.value.zone not in tables.names_of("zone"):
            yield unknown(entry, "zone", entry.value.zone, tables.names_of("zone"), "zone")
        size = setup.room.size_m
        inside = all(0 <= p <= s for p, s in zip(entry.value.xyz_m, size, strict=True))
        if tables.room and entry.value.medium != "outdoor" and not inside:
            yield entry.fault("xyz_m", f"a position inside the room of {size} m", str(entry.value.xyz_m))


def _channels(tables: Tables) -> Iterator[Fault]:
    for key, entry in tables.channels.items():
        yield from _unit(entry, "quantity", entry.value.quantity, entry.value.unit)
        low, high = entry.value.probe_span
        if not low < high:
            yield entry.fault("probe_span", "the lower end first", str(entry.value.probe_span))
        user = entry.value.user_span
        if user and not low <= user[0] < user[1] <= high:
            yield entry.fault("user_span", f"a span inside probe_span {[low, high]}", str(user))
        interval_s = tables.intervals_s[key.rsplit(".", 1)[0]]
        if entry.value.max_age_s is not None and entry.value.max_age_s < interval_s:
            expected = f"at least the sampling interval of {interval_s:g} s"
            yield entry.fault("max_age_s", expected, f"{entry.value.max_age_s:g}")


def _unit(entry: Entry[ChannelTable], key: str, quantity: str, unit: str) -> Iterator[Fault]:
    if quantity not in QUANTITIES:
        yield unknown(entry, key, quantity, list(QUANTITIES), "quantity")
    elif unit_name(unit) not in QUANTITIES[quantity].units:
        yield entry.fault("unit", f"one of {', '.join(QUANTITIES[quantity].units)}", repr(unit))


def _probes(tables: Tables) -> Iterator[Fault]:
    serials: dict[str, str] = {}
    placed = {p.value.probe for p in tables.placements}
    all_read = not any(f.table.startswith("placements") for f in tables.faults)
    for key, entry in tables.probes.items():
        if (other := serials.setdefault(entry.value.serial, key)) != key:
            yield entry.fault("serial", "a serial number of its own", f"that of {other}")
        if not entry.value.channels:
            yield entry.fault("channels", "at least one channel", "none")
        if key not in placed and all_read:
            yield entry.fault("", "a table [[placements]] with its position", "none")


def _placements(tables: Tables, setup: Setup) -> Iterator[Fault]:
    for entry in tables.placements:
        if entry.value.probe not in tables.names_of("probe"):
            yield unknown(entry, "probe", entry.value.probe, tables.names_of("probe"), "probe")
        if entry.value.position not in tables.names_of("position"):
            yield unknown(entry, "position", entry.value.position, tables.names_of("position"), "position")
    for placement in setup.placements:
        if placement.to_ns is not None and placement.to_ns <= placement.from_ns:
            entry = _entry_of(tables, placement)
            yield entry.fault("to", f"an end after {entry.value.from_}", str(entry.value.to))
    for first, other in combinations(setup.placements, 2):
        if first.probe == other.probe and _overlap(first.from_ns, first.to_ns, other.from_ns, other.to_ns):
            entry = _entry_of(tables, other)
            pair = f"{first.position} and {other.position} together"
            expected = f"{first.probe} at one position at a time; end the earlier one with `to`"
            yield entry.fault("from", expected, pair)


def _entry_of(tables: Tables, placement: Placement) -> Entry[PlacementTable]:
    mine = [
        e
        for e in tables.placements
        if (e.value.probe, e.value.position) == (placement.probe, placement.position)
    ]
    return mine[-1]


def _overlap(a0: int, a1: int | None, b0: int, b1: int | None) -> bool:
    return (b1 is None or a0 < b1) and (a1 is None or b0 < a1)


def _certificates(tables: Tables) -> Iterator[Fault]:
    for entry in tables.certificates:
        head = entry.entry.value
        channel = tables.channels.get(head.channel)
        if channel is None:
            if head.channel not in tables.names_of("channel"):
                yield unknown(entry.entry, "channel", head.channel, tables.names_of("channel"), "channel")
            continue
        probe = tables.probes[head.channel.rsplit(".", 1)[0]]
        if head.serial != probe.value.serial:
            yield entry.entry.fault("serial", f"that of the probe, {probe.value.serial!r}", repr(head.serial))
        if not head.range[0] < head.range[1]:
            yield entry.entry.fault("range", "the lower end first", str(head.range))
        yield from _applied_twice(entry.entry, channel)
        yield from _days(entry.entry)
        yield from _points(entry)
        yield from _as_found(entry)
        yield from _polynomial(entry)


def _polynomial(certificate: CertificateEntry) -> Iterator[Fault]:
    """It must agree with the points: a turned sign, a wrong scale or a missing term shows at once."""
    stated = certificate.entry.value.polynomial
    for entry in certificate.points if stated is not None else ():
        point = entry.value
        if stated is None or (point.reference is None and point.correction is None):
            continue
        reference = (
            point.indication + (point.correction or 0.0) if point.reference is None else point.reference
        )
        z = (point.indication - stated.centre) / stated.scale
        value = sum(c * z**power for power, c in enumerate(stated.coefficients))
        forms = {"correction": point.indication + value, "error": point.indication - value}.get(
            stated.of, value
        )
        if abs(forms - reference) > point.U:
            expected = f"a {stated.of} within U = {point.U:g} of each point"
            at = f"{forms - reference:+.3g} off at {point.indication:g}"
            yield certificate.entry.fault("polynomial", expected, at)


def _applied_twice(entry: Entry[CertificateFile], channel: Entry[ChannelTable]) -> Iterator[Fault]:
    """An instrument that applies a certificate itself must not have it applied here once more.

    What was taken as left, after the instrument had been adjusted by that certificate, is what
    remains, and is no second correction.
    """
    head, own = entry.value, channel.value.applies_certificate
    if head.applied_by_instrument and own != head.number:
        expected = f"applies_certificate = {head.number!r} of {head.channel} in probes.toml beside it"
        yield entry.fault("applied_by_instrument", expected, repr(own) if own else "nothing there")
    if own == head.number and not head.applied_by_instrument and head.taken != "as left":
        expected = (
            "one correction: applied_by_instrument = true here, or no applies_certificate of the channel"
        )
        twice = f"{head.number} applied by the instrument {head.serial} and here once more"
        yield entry.fault("number", expected, twice)


def _days(entry: Entry[CertificateFile]) -> Iterator[Fault]:
    head = entry.value
    if head.due_on is not None and head.due_on < head.calibrated_on:
        yield entry.fault(
            "due_on", f"a day later than the calibration on {head.calibrated_on}", str(head.due_on)
        )
    used = str(head.valid_from)[:10]
    if used < head.calibrated_on.isoformat():
        expected = f"a day of first use on or after the calibration of {head.calibrated_on}"
        yield entry.fault("valid_from", expected, str(head.valid_from))


def _points(certificate: CertificateEntry) -> Iterator[Fault]:
    yield from _stated_twice(certificate.points, "correction", "reference - indication", 1)


def _stated_twice(
    entries: Sequence[Entry[PointTable]] | Sequence[Entry[AsFoundTable]], key: str, formula: str, sign: int
) -> Iterator[Fault]:
    """Points that state an indication twice, nothing at all, or a reference that gives another `key`."""
    indications: set[float] = set()
    for entry in entries:
        point, stated = entry.value, getattr(entry.value, key)
        if point.indication in indications:
            yield entry.fault("indication", "one point for each indication", f"{point.indication} twice")
        indications.add(point.indication)
        if point.reference is None and stated is None:
            yield entry.fault("reference", f"`reference` or `{key}`", "neither")
        elif point.reference is not None and stated is not None:
            difference = sign * (point.reference - point.indication)
            if abs(difference - stated) > 1e-6 * max(1.0, abs(point.reference)):
                yield entry.fault(key, f"{formula}, which is {difference:+.6g}", f"{stated:+.6g}")


def _as_found(certificate: CertificateEntry) -> Iterator[Fault]:
    yield from _stated_twice(certificate.as_found, "error", "indication - reference", -1)
    if certificate.entry.value.as_found_model and not certificate.entry.value.as_found:
        yield certificate.entry.fault(
            "as_found_model", "the errors in [[as_found]] that it belongs to", "none"
        )


_PLATE_KEYS = ("plate_length_mm", "plate_thickness_mm", "plate_alpha_per_K", "plate_u_alpha_per_K")


def _rules(tables: Tables, setup: Setup) -> Iterator[Fault]:
    for rule in setup.rules:
        entry = tables.rules[rule.key].entry
        if rule.zone not in tables.names_of("zone"):
            yield unknown(entry, "", rule.zone, tables.names_of("zone"), "zone")
        if rule.kind not in kinds():
            yield entry.fault("", f"a rule of one of the kinds {', '.join(kinds())}", rule.kind)
        if rule.lower is not None and rule.upper is not None and rule.lower >= rule.upper:
            yield entry.fault("", "the lower limit below the upper one", f"{rule.lower:g} and {rule.upper:g}")
        if rule.kind in ("span", "gradient") and (rule.upper or 0) <= 0:
            yield entry.fault("", f"a {rule.kind} above zero", f"{rule.upper:g}")
        yield from _plate(rule, entry)
        if rule.to_ns is not None and rule.to_ns <= rule.from_ns:
            yield entry.fault("valid_to", "an end later than the start", str(entry.value.valid_to))
        yield from _rule_channels(tables, setup, rule, entry)
    yield from _names(tables, setup)


def _plate(rule: Rule, entry: Entry[RuleTable]) -> Iterator[Fault]:
    """What bends is stated with its size and expansion, and nowhere else."""
    stated = [key for key in _PLATE_KEYS if getattr(entry.value, key) is not None]
    if rule.kind != "bending" and stated:
        yield entry.fault(stated[0], "bending_um as the limit, to which these keys belong", "another limit")
    if rule.kind == "bending":
        for key in (key for key in _PLATE_KEYS if key not in stated):
            yield entry.fault(key, "a number: `bending_um` is computed from it", "nothing")
        if len(rule.media) != 2 and not rule.channels:
            yield entry.fault("media", "two media, the top first", ", ".join(rule.media))


def _names(tables: Tables, setup: Setup) -> Iterator[Fault]:
    """One fault for each name that several rules have at the same time, however many they are."""
    named: dict[tuple[str, str, str], list[Rule]] = {}
    for rule in setup.rules:
        named.setdefault((rule.zone, rule.name, rule.activity), []).append(rule)
    for rules in named.values():
        pairs = [p for p in combinations(rules, 2) if _overlap(*_validity(p[0]), *_validity(p[1]))]
        keys = list(dict.fromkeys(rule.key for pair in pairs for rule in pair))
        if keys:
            expected = f"a name of its own for each of {', '.join(keys)}; rules are printed by their names"
            yield tables.rules[keys[1]].entry.fault("name", expected, f"{len(keys)} named {rules[0].name!r}")


def _validity(rule: Rule) -> tuple[int, int | None]:
    return rule.from_ns, rule.to_ns


def _rule_channels(tables: Tables, setup: Setup, rule: Rule, entry: Entry[RuleTable]) -> Iterator[Fault]:
    expected = (rule.quantity, "dew_point") if rule.kind == "condensation" else (rule.quantity,)
    for key in rule.channels:
        channel, inputs = setup.channels.get(key), setup.inputs_of(key)
        channels = tables.names_of("channel")
        quantity = channel.quantity if channel else key.rpartition(".")[2]
        if key not in channels and not inputs:
            yield unknown(entry, "channels", key, channels, "channel")
        elif (channel or inputs) and quantity not in expected:
            yield entry.fault(
                "channels", f"channels of {' or '.join(expected)}", f"{key}, which is {quantity}"
            )
        elif channel or inputs:
            here = setup.channels_in(rule.zone) if rule.zone in setup.zones else (key, *inputs)
            if not {*(inputs or (key,))} <= {*here}:
                yield entry.fault(
                    "channels", f"channels of probes in {rule.zone}", f"{key}, which is never in this zone"
                )
            elif "media" in entry.value.model_fields_set:
                yield from _other_media(setup, rule, entry, key)


def _other_media(setup: Setup, rule: Rule, entry: Entry[RuleTable], key: str) -> Iterator[Fault]:
    """A rule of parts must not be judged by a probe in the air: what is named must be in what is named."""
    probe = key.rpartition(".")[0]
    stays = [p for p in setup.placements if p.probe == probe and p.position in setup.positions]
    media = {
        setup.positions[stay.position].medium
        for stay in stays
        if setup.positions[stay.position].zone == rule.zone
        and _overlap(stay.from_ns, stay.to_ns, rule.from_ns, rule.to_ns)
    }
    if other := sorted(media - {*rule.media}):
        expected = f"channels in {', '.join(rule.media)}, as `media` says, or no `media` beside them"
        yield entry.fault("channels", expected, f"{key}, which is in {', '.join(other)}")


def beyond_ceilings(tables: Tables) -> Iterator[Fault]:
    """A fault for each setting that makes evidence easier than it may be."""
    return (excess.fault() for excess in beyond(tables))


# Files whose faults leave the probes, places and certificates as they are.
_APART = ("limits", "alarms", "service")
_OF_TABLES: Sequence[Callable[[Tables], Iterator[Fault]]] = (
    _room, _channels, _probes, connection_faults, _certificates,
)  # fmt: skip
_OF_PLACES: Sequence[Callable[[Tables, Setup], Iterator[Fault]]] = (_positions, _placements)
_OF_SETUP: Sequence[Callable[[Tables, Setup], Iterator[Fault]]] = (
    _rules, _alarms, _zones, _neighbours,
)  # fmt: skip
