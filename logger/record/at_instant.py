"""State of a zone at one time: readings with their calibration, verdict, limits, inspections, records."""

from __future__ import annotations

from collections.abc import Iterable, Mapping
from typing import TYPE_CHECKING, Any
from zoneinfo import ZoneInfo

import numpy as np

from ..core.calibration.apply import correct_readings
from ..core.calibration.breakdown import correction_breakdown
from ..core.calibration.status import status
from ..core.calibration.trace import worked_out
from ..errors import IntervalError
from ..instants import NS, rfc3339, wall
from ..model import Channel, Position, RuleState, Setup
from ..model.reasons import WHY_TEXT, Why
from ..units import from_canonical, quantity
from .acts import inspections_of
from .issues import issues
from .names import Names, version_people
from .reviews import covering

if TYPE_CHECKING:
    from ..series import Readings
    from ..store import Store
    from ..verdicts.verdicts import Verdicts


def state_at(store: Store, verdicts: Verdicts, zone: str, at_ns: int, now_ns: int) -> dict[str, Any]:
    """State of a zone at a time in ns, as plain data.

    IntervalError where the time lies outside the record. Readings are the nearest of each channel
    within its permitted silence; unknown values are None, never filled.
    """
    setup = verdicts.setup
    setup.zone(zone)
    step_ns = setup.step_s * NS
    cell_ns = at_ns // step_ns * step_ns
    _refuse_outside(store, setup, zone, cell_ns, now_ns)
    period = next(iter(verdicts.periods(zone, cell_ns, cell_ns + step_ns, now_ns)), None)
    then = setup.at(at_ns)
    return {
        "zone": zone,
        "name": then.zone(zone).name,
        "at": rfc3339(at_ns),
        "minute": rfc3339(cell_ns),
        "simulated": store.simulated,
        "verdict": period.verdict if period else "not shown",
        "reason": period.reason if period else "indeterminate",
        "provisional": period.provisional if period else True,
        "readings": _readings(store, then, zone, setup.channels_in(zone), at_ns),
        "limits": [_limit(setup, state) for state in verdicts.rule_states(zone, cell_ns, now_ns)],
        "excursions": [_excursion(e) for e in verdicts.excursions(zone, at_ns, at_ns + 1, now_ns)],
        "inspections": [
            {"key": job["key"], "title": job.get("title", ""), "person": job.get("person", "")}
            for job in inspections_of(store, zone, at_ns, at_ns + 1)
        ],
        "setup": _version(store, at_ns),
        "reviews": _reviews(store, zone, at_ns),
        "records": [_issue(issue) for issue in issues(store) if issue.covers(zone, at_ns)],
        "head": dict(zip(("number", "sha256"), store.journal.head(), strict=True)),
    }


def _refuse_outside(store: Store, setup: Setup, zone: str, cell_ns: int, now_ns: int) -> None:
    stored_channels = set(store.readings.channels())
    extent = store.readings.extent([key for key in setup.channels_in(zone) if key in stored_channels])
    if extent is None:
        raise IntervalError(f"There are no readings of zone {zone!r} yet.")
    begin = extent[0] // (setup.step_s * NS) * setup.step_s * NS
    clock = ZoneInfo(setup.room.timezone)
    if not begin <= cell_ns or cell_ns + setup.step_s * NS > now_ns:
        raise IntervalError(
            f"{wall(cell_ns, clock)} is outside the record of zone {zone!r}, which begins at "
            f"{wall(begin, clock)} and is judged up to the last complete minute before {wall(now_ns, clock)}."
        )


def _readings(
    store: Store, setup: Setup, zone: str, channels: Iterable[str], at_ns: int
) -> list[dict[str, Any]]:
    """The nearest reading of each channel whose probe was in the zone, with its calibration."""
    places = {key: setup.position_at(key, at_ns) for key in channels}
    placed = {key: place for key, place in places.items() if place is not None and place.zone == zone}
    reach_ns = max((_reach_ns(setup, key) for key in placed), default=0)
    readings = store.readings.read_channels(list(placed), at_ns - reach_ns, at_ns + reach_ns + 1)
    return [_reading(setup, key, place, readings[key], at_ns) for key, place in placed.items()]


def _reach_ns(setup: Setup, key: str) -> int:
    return int(setup.channels[key].max_age_s * NS)


def _reading(setup: Setup, key: str, place: Position, readings: Readings, at_ns: int) -> dict[str, Any]:
    channel, distance_ns = setup.channels[key], np.abs(readings.taken_ns - at_ns)
    probe = setup.probes[channel.probe]
    entry: dict[str, Any] = {
        "channel": key,
        "probe": probe.key,
        "serial": probe.serial,
        **_place(place),
        **_confirmation(setup, key, at_ns),
        "unit": channel.unit,
        "taken": None,
    }
    if len(readings) and distance_ns.min() <= _reach_ns(setup, key):
        near = int(np.argmin(distance_ns))
        entry |= _value(setup, key, readings.taken_ns[near : near + 1], readings.value[near : near + 1])
        entry["late"] = bool(readings.late[near])
    return entry


def _place(place: Position) -> dict[str, Any]:
    return {"position": place.name, "medium": place.medium, "xyz_m": list(place.xyz_m)}


def _confirmation(setup: Setup, key: str, at_ns: int) -> dict[str, Any]:
    confirmation = status(setup, key, at_ns)
    certificate = confirmation.certificate
    return {
        "confirmation": confirmation.status,
        "certificate": certificate.number if certificate else None,
        "issuer": certificate.issuer if certificate else None,
        "calibrated_on": certificate.calibrated_on if certificate else None,
        "due": str(confirmation.due) if confirmation.due else None,
    }


def _value(setup: Setup, key: str, taken_ns: Any, raw: Any) -> dict[str, Any]:
    """Indication, correction, corrected value and U; None where there is none."""
    channel = setup.channels[key]
    reading = correct_readings(channel, setup.certificates_of(key), taken_ns, raw)
    none = correct_readings(
        channel, (), taken_ns, raw
    )  # converted alone, so that the difference is the correction
    figures = {
        "indication": _number(raw[0]),
        "correction": _number(reading.value[0] - none.value[0]),
        "corrected": _number(reading.value[0]),
        "U": _number(reading.U[0]),
    }
    unit, why = quantity(channel.quantity).unit, WHY_TEXT[Why(int(reading.why[0]))]
    parts = correction_breakdown(channel, setup.certificates_of(key), int(taken_ns[0]), float(raw[0]))
    extra: dict[str, Any] = {"corrected_unit": unit, "in_own_unit": _in_indicated_unit(channel, figures)}
    extra["worked_out"] = None if parts is None else worked_out(parts, channel.unit)
    return {"taken": rfc3339(int(taken_ns[0])), **figures, **extra, "why": why}


def _in_indicated_unit(channel: Channel, figures: Mapping[str, Any]) -> dict[str, float | None]:
    """Corrected value, correction and U in the unit in which the probe indicates."""
    value, unit, of = figures["corrected"], channel.unit, channel.quantity
    if value is None:
        return dict.fromkeys(("correction", "corrected", "U"))
    indicated_value = float(from_canonical(value, unit, of))
    ends = {name: value + (figures[name] or 0.0) for name in ("correction", "U")}
    apart = {name: float(from_canonical(end, unit, of)) - indicated_value for name, end in ends.items()}
    differences = {name: None if figures[name] is None else apart[name] for name in apart}
    return {"corrected": indicated_value} | differences


def _number(value: float) -> float | None:
    return round(float(value), 6) if np.isfinite(value) else None


def _limit(setup: Setup, state: RuleState) -> dict[str, Any]:
    rule = [r for r in setup.rules if r.key == state.rule and r.from_ns <= state.cell_ns][-1]
    return {
        "rule": state.rule,
        "name": state.name,
        "lower": state.lower,
        "upper": state.upper,
        "unit": state.unit,
        "value": state.value,
        "U": state.U,
        "guard_factor_r": rule.r,
        "conformity": state.conformity.name.lower().replace("_", " "),
        "probe": state.probe,
        "why": state.why,
        "basis": rule.basis,
        "approver": rule.approver,
        "since": rfc3339(rule.from_ns),
    }


def _excursion(e: Any) -> dict[str, Any]:
    return {
        "rule": e.rule,
        "from": rfc3339(e.from_ns),
        "to": rfc3339(e.to_ns),
        "worst": e.worst,
        "unit": e.unit,
    }


def _version(store: Store, at_ns: int) -> dict[str, Any] | None:
    """The version that was approved then; the first one holds for what was recorded before it."""
    versions = store.setups.versions()
    candidates = [v for v in versions if v.at_ns <= at_ns] or versions[:1]
    if not candidates:
        return None
    v = candidates[-1]
    people = version_people(v, Names(store).proven_versions())
    return {"version": v.version, **people, "approved": rfc3339(v.at_ns)}


def _reviews(store: Store, zone: str, at_ns: int) -> list[dict[str, Any]]:
    covering_it = covering(store, zone, at_ns)
    proven = Names(store).proven_reviews() if covering_it else {}
    return [review.to_dict() | {"proven": proven.get(review.number, False)} for review in covering_it]


def _issue(issue: Any) -> dict[str, Any]:
    return {
        "record": issue.number,
        "issued_at": rfc3339(issue.at_ns),
        "by": issue.who,
        "proven": issue.proven,
        "replaced_by": issue.replaced_by,
    }
