"""Checked tables to the model: dates to instants, units to those that the judge compares in."""

from __future__ import annotations

import math
from datetime import date, tzinfo
from typing import Any, TypedDict

from ..errors import UnitError
from ..formats.toml import Entry
from ..model import (
    SURFACES,
    AsFound,
    Certificate,
    Channel,
    Placement,
    Plate,
    Polynomial,
    Position,
    Probe,
    Room,
    Rule,
    Setup,
    Zone,
)
from ..model.ceilings import DEFAULT_GAP_S, default_age_s
from ..units import QUANTITIES, difference_to_canonical, from_canonical, quantity, to_canonical, unit_name
from .ceilings import beyond
from .moments import add_fault, end_of_day_ns, instant_ns, zone_of
from .notices import alarms_of
from .schema import ChannelTable, PlacementTable, PointTable, RoomTable, RuleTable
from .tables import CertificateEntry, RuleEntry, Tables
from .zones import bodies_of, hours_of

FOREVER_AGO_NS = 0


def setup_of(tables: Tables, version: int, digest: str) -> Setup:
    """Everything that could be built; what could not has its fault in `tables.faults`."""
    zone = zone_of(tables)
    return Setup(
        version=version,
        digest=digest,
        room=_room(tables.room.value) if tables.room else Room("", "", "", "UTC", (0.0, 0.0, 0.0), ""),
        zones={k: _zone(k, tables) for k in tables.zones},
        positions={k: _position(k, tables) for k in tables.positions},
        probes={k: _probe(k, tables) for k in tables.probes},
        channels={k: _channel(k, tables) for k in tables.channels},
        placements=tuple(p for e in tables.placements if (p := _placement(e, zone, tables))),
        certificates=tuple(c for e in tables.certificates if (c := _certificate(e, zone, tables))),
        rules=tuple(r for k in tables.rules if (r := _rule(k, tables.rules[k], zone, tables))),
        alarms=alarms_of(tables),
        clock_limit_s=tables.room.value.clock_limit_s if tables.room else 30.0,
        bounded=tuple(excess.note() for excess in beyond(tables)),
    )


def _room(table: RoomTable) -> Room:
    x, y, z = table.size_m
    door = table.door_m
    return Room(
        key=table.key,
        name=table.name,
        site=table.site,
        timezone=table.timezone,
        size_m=(x, y, z),
        custodian=table.custodian,
        simulated=table.simulated,
        single_person=table.single_person,
        door_m=(door[0], door[1], door[2], door[3]) if door else None,
    )


def _zone(key: str, tables: Tables) -> Zone:
    table = tables.zones[key].value
    x0, y0, x1, y1 = table.outline_m
    return Zone(
        key=key,
        name=table.name,
        outline_m=(x0, y0, x1, y1),
        settling_s=table.settling_s,
        body_gap_s=table.body_gap_s or DEFAULT_GAP_S,
        pre_window_s=table.pre_window_s,
        case_gap_s=table.case_gap_s,
        bodies=bodies_of(key, tables),
        hours_of_use=hours_of(table, tables),
        agree_K=table.agree_K,
        agree_dew_point_K=table.agree_dew_point_K,
    )


def _position(key: str, tables: Tables) -> Position:
    table = tables.positions[key].value
    x, y, z = table.xyz_m
    return Position(key, table.name, table.zone, table.medium, (x, y, z), table.u_m)


def _probe(key: str, tables: Tables) -> Probe:
    table = tables.probes[key].value
    channels = tuple(k for k in tables.channels if k.rsplit(".", 1)[0] == key)
    return Probe(key, table.serial, table.description, channels, table.firmware or "")


def _channel(key: str, tables: Tables) -> Channel:
    table = tables.channels[key].value
    probe = key.rsplit(".", 1)[0]
    interval_s = tables.intervals_s[probe]
    return Channel(
        key=key,
        probe=probe,
        quantity=table.quantity,
        unit=unit_name(table.unit),
        interval_s=interval_s,
        max_age_s=table.max_age_s or default_age_s(interval_s),
        resolution=table.resolution,
        noise=table.noise or 0.0,  # the resolution has a term of its own
        probe_span=(table.probe_span[0], table.probe_span[1]),
        user_span=(table.user_span[0], table.user_span[1]) if table.user_span else None,
        spike=table.spike,
        rate=_rate(table),
        flat_n=_flat_n(probe, tables) if table.flat_n is None else table.flat_n,
        response_s=table.response_s,
    )


# What no room does within 5 min (common practice, no source).
_RATE = {"temperature": 5.0, "relative_humidity": 20.0}


def _rate(table: ChannelTable) -> float | None:
    """The greatest change within 5 min in the channel's unit; None, no test: 0, or a quantity without one."""
    if table.rate_5min is not None:
        return table.rate_5min or None
    if table.quantity not in _RATE or not fits(table.unit, table.quantity):
        return None
    per_unit = float(difference_to_canonical(1.0, unit_name(table.unit), table.quantity))
    return round(_RATE[table.quantity] / per_unit, 9)


def _flat_n(probe: str, tables: Tables) -> int:
    """Readings of half an hour, at least 8, in air; none in bodies, which may rightly stand still."""
    places = {p.value.position for p in tables.placements if p.value.probe == probe}
    media = {tables.positions[p].value.medium for p in places if p in tables.positions}
    return max(8, math.ceil(1800 / tables.intervals_s[probe])) if media == {"air"} else 0


def _moment_ns(entry: Entry[Any], key: str, moment: date | None, zone: tzinfo, tables: Tables) -> int | None:
    if moment is None:
        return None
    try:
        return instant_ns(moment, zone)
    except ValueError as error:
        expected = "a local time that occurs once; add the offset, as in 2026-10-25T02:30:00+01:00"
        add_fault(tables, entry, key, expected, str(error))
        return None


def _placement(entry: Entry[PlacementTable], zone: tzinfo, tables: Tables) -> Placement | None:
    from_ns = _moment_ns(entry, "from", entry.value.from_, zone, tables)
    to_ns = _moment_ns(entry, "to", entry.value.to, zone, tables)
    if from_ns is None:
        return None
    return Placement(entry.value.probe, entry.value.position, from_ns, to_ns)


def _certificate(entry: CertificateEntry, zone: tzinfo, tables: Tables) -> Certificate | None:
    head = entry.entry.value
    channel = tables.channels.get(head.channel)
    valid_from_ns = _moment_ns(entry.entry, "valid_from", head.valid_from, zone, tables)
    if channel is None or valid_from_ns is None or not entry.points:
        return None
    to = (head.unit, channel.value.unit, channel.value.quantity)
    if not fits(channel.value.unit, channel.value.quantity):
        return None  # told of the channel
    try:
        values = _in_channel_unit(entry, to)
    except UnitError as error:
        add_fault(tables, entry.entry, "unit", "a unit of the channel's quantity", str(error))
        return None
    return Certificate(
        number=head.number,
        channel=head.channel,
        issuer=head.issuer,
        accreditation=head.accreditation,
        calibrated_on=head.calibrated_on.isoformat(),
        valid_from_ns=valid_from_ns,
        due_ns=end_of_day_ns(head.due_on, zone) if head.due_on else None,
        k=head.k,
        withdrawn_ns=_moment_ns(entry.entry, "withdrawn_on", head.withdrawn_on, zone, tables),
        applied_by_instrument=head.applied_by_instrument,
        calibrated_ns=instant_ns(head.calibrated_on, zone),
        as_found=_as_found(entry, to),
        polynomial=_polynomial(entry, to),
        releases_overdue=head.releases_overdue or "",
        references=tuple(dict.fromkeys(head.references)),
        **values,
    )


class _Values(TypedDict):
    indications: tuple[float, ...]
    corrections: tuple[float, ...]
    U: tuple[float, ...]
    range: tuple[float, float]
    drift: float
    other_u: float


def _in_channel_unit(entry: CertificateEntry, to: Conversion) -> _Values:
    """All numbers of a certificate in the channel's unit, points ascending."""
    head = entry.entry.value
    points = sorted(_point(p.value, to) for p in entry.points)
    if head.applied_by_instrument:
        points = [(indication, 0.0, U) for indication, _, U in points]
    low, high = sorted(_value(x, to) for x in head.range)
    return {
        "indications": tuple(i for i, _, _ in points),
        "corrections": tuple(c for _, c, _ in points),
        "U": tuple(u for _, _, u in points),
        "range": (low, high),
        "drift": _difference(head.drift, to),
        "other_u": _difference(head.other_u, to),
    }


def fits(unit: str, of: str) -> bool:
    """Whether a unit is one of a quantity.

    >>> fits("°C", "temperature"), fits("hPa", "temperature"), fits("hPa", "no such quantity")
    (True, False, False)
    """
    return of in QUANTITIES and unit_name(unit) in QUANTITIES[of].units


Conversion = tuple[str, str, str]  # from unit, to unit, quantity


def _point(point: PointTable, to: Conversion) -> tuple[float, float, float]:
    """Indication, correction and U in the channel's unit; correction = reference − indication."""
    correction = point.correction
    if correction is None:
        correction = (point.reference or 0.0) - point.indication
    # Nine digits are far below any resolution and free a difference of two decimals of its last bits.
    return _value(point.indication, to), round(_difference(correction, to), 9), _difference(point.U, to)


def _as_found(certificate: CertificateEntry, to: Conversion) -> AsFound | None:
    """Errors before any adjustment, in the channel's unit, ascending; None where none are stated."""
    if not certificate.as_found:
        return None
    pairs = []
    for entry in certificate.as_found:
        point = entry.value
        error = point.indication - (point.reference or 0.0) if point.error is None else point.error
        pairs.append((_value(point.indication, to), round(_difference(error, to), 9)))
    indications, errors = zip(*sorted(pairs), strict=True)
    return AsFound(indications, errors, certificate.entry.value.as_found_model or "")


def _value(value: float, to: Conversion) -> float:
    from_unit, to_unit, of = to
    if unit_name(from_unit) == unit_name(to_unit):
        quantity(of)
        return value
    return float(from_canonical(to_canonical(value, from_unit, of), to_unit, of))


def _polynomial(entry: CertificateEntry, to: Conversion) -> Polynomial | None:
    """The stated polynomial as a correction in the channel's unit."""
    stated = entry.entry.value.polynomial
    if stated is None or entry.entry.value.applied_by_instrument:
        return None
    c = list(stated.coefficients)
    if stated.of == "error":
        c = [-x for x in c]
    if stated.of == "reference":  # less the indication, which is centre + scale·z
        c += [0.0] * (2 - len(c))
        c[0], c[1] = c[0] - stated.centre, c[1] - stated.scale
    return Polynomial(
        tuple(_difference(x, to) for x in c), _value(stated.centre, to), _difference(stated.scale, to)
    )


def _difference(value: float, to: Conversion) -> float:
    from_unit, to_unit, of = to
    if unit_name(from_unit) == unit_name(to_unit):
        return value
    return float(difference_to_canonical(value, from_unit, of) / difference_to_canonical(1.0, to_unit, of))


def _rule(key: str, entry: RuleEntry, zone: tzinfo, tables: Tables) -> Rule | None:
    table, limit, defaults = entry.entry.value, entry.limit, entry.defaults
    default_from = _moment_ns(entry.entry, "valid_from", defaults.valid_from, zone, tables)
    from_ns = _moment_ns(entry.entry, "valid_from", table.valid_from, zone, tables)
    disturbs = limit.kind == "limit" and limit.quantity == "temperature"
    return Rule(
        key=key,
        zone=key.split(".", 1)[0],
        kind=limit.kind,
        name=table.name or limit.name,
        quantity=limit.quantity,
        unit=limit.unit,
        lower=limit.lower,
        upper=limit.upper,
        basis=table.basis,
        from_ns=_first(from_ns, default_from, FOREVER_AGO_NS),
        to_ns=_moment_ns(entry.entry, "valid_to", table.valid_to, zone, tables),
        media=_media(entry),
        channels=tuple(table.channels),
        need=table.need,
        window_s=limit.window_s,
        direction=limit.direction,
        d_min_m=table.d_min_m,
        completeness=table.completeness or defaults.completeness,
        r=defaults.guard_factor_r if table.guard_factor_r is None else table.guard_factor_r,
        disturbs=disturbs if table.disturbs_bodies is None else table.disturbs_bodies,
        activity=table.activity,
        approver=defaults.approver if table.approver is None else table.approver,
        plate=_plate(table) if limit.kind == "bending" else None,
    )


def _plate(table: RuleTable) -> Plate | None:
    """Size and expansion of the plate; None where one of them is not stated, which is a fault."""
    figures = (
        table.plate_length_mm,
        table.plate_thickness_mm,
        table.plate_alpha_per_K,
        table.plate_u_alpha_per_K,
    )
    return None if None in figures else Plate(*(float(f) for f in figures if f is not None))


def _media(entry: RuleEntry) -> tuple[str, ...]:
    """As stated; left out, condensation is asked of every surface, bending of a plate, the rest of air."""
    table = entry.entry.value
    if entry.limit.kind == "bending" and "media" not in table.model_fields_set:
        return ("plate-top", "plate-bottom")
    if entry.limit.kind == "condensation" and "media" not in table.model_fields_set:
        return SURFACES
    return tuple(table.media)


def _first(*values: int | None) -> int:
    return next(v for v in values if v is not None)
