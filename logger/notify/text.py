"""What a notice says: short enough for a phone, complete enough to act on.

What, where, how much beyond what, since when, at one probe or several, what to do first, which
inspections run in that zone, and, when it is over, how long bodies still need.
"""

from __future__ import annotations

from collections.abc import Iterable, Sequence
from dataclasses import dataclass
from zoneinfo import ZoneInfo

from ..alarms import Cell, Notice
from ..instants import local, wall
from ..model import NS, AlarmSpec, Inspection, Rule, Setup

# How a canonical unit is printed: name, factor to it, decimals.
_PRINTED: dict[str, tuple[str, float, int]] = {
    "degC": ("°C", 1.0, 2),
    "K": ("K", 1.0, 2),
    "K/h": ("K/h", 1.0, 2),
    "K/m": ("K/m", 1.0, 2),
    "%RH": ("%RH", 1.0, 1),
    "Pa": ("hPa", 0.01, 1),
    "s": ("min", 1 / 60, 0),
}


@dataclass(frozen=True)
class Wording:
    """Subject and body of a notice, without its address."""

    subject: str
    body: str


def wording(
    notice: Notice,
    spec: AlarmSpec,
    zone: str,
    setup: Setup,
    *,
    running: Iterable[Inspection] = (),
    simulated: bool = False,
) -> Wording:
    """The notice in words; `running` are inspections of the zone that are not over."""
    rule = next((r for r in setup.rules if r.key == spec.rule), None)
    if notice.step == "annunciated":
        what, lines = _out(notice.cell, spec, rule, setup), _first_steps(notice, spec, setup, running)
    else:
        what, lines = _back(notice, rule), _afterwards(notice, zone, rule, setup)
    mark = "SIMULATED: " if simulated else ""
    head = f"{mark}{setup.zone(zone).name}, {setup.room.name}"
    subject = " ".join(f"{mark}{setup.zone(zone).name}: {what}".split())
    return Wording(subject, "\n".join([head, f"{what[:1].upper()}{what[1:]}.", *lines]) + "\n")


def quantity(value: float, unit: str) -> str:
    """A value for a person, in the unit in which it is printed.

    >>> quantity(20.9, "degC"), quantity(96_540.0, "Pa"), quantity(480.0, "s")
    ('20.90 °C', '965.4 hPa', '8 min')
    """
    name, factor, decimals = _PRINTED.get(unit, (unit, 1.0, 3))
    return f"{value * factor:.{decimals}f} {name}".rstrip()


def difference(value: float, unit: str) -> str:
    """A difference: of temperatures in K.

    >>> difference(0.4, "degC"), difference(3.0, "%RH")
    ('0.40 K', '3.0 %RH')
    """
    return quantity(value, "K" if unit == "degC" else unit)


def duration(ns: int) -> str:
    """A duration for a person.

    >>> duration(95 * 60 * NS), duration(40 * NS)
    ('1 h 35 min', '40 s')
    """
    minutes = ns // (60 * NS)
    if minutes < 1:
        return f"{ns // NS} s"
    return f"{minutes // 60} h {minutes % 60} min" if minutes >= 60 else f"{minutes} min"


def _out(cell: Cell, spec: AlarmSpec, rule: Rule | None, setup: Setup) -> str:
    if not spec.rule:
        silent = _listed([_place(probe, setup) for probe in cell.probes or (cell.probe,)])
        return f"no readings from {silent}"
    name = rule.name if rule else spec.rule
    if cell.value is None or cell.limit is None:
        return f"{name} is beyond its limit"
    by = difference(abs(cell.value - cell.limit), cell.unit)
    side = "above" if cell.value > cell.limit else "below"
    value, limit = quantity(cell.value, cell.unit), quantity(cell.limit, cell.unit)
    return f"{name} {value}, {by} {side} the limit {limit}"


def _first_steps(notice: Notice, spec: AlarmSpec, setup: Setup, running: Iterable[Inspection]) -> list[str]:
    tz = ZoneInfo(setup.room.timezone)
    lines = [f"Since {wall(notice.since_ns, tz)} ({duration(notice.at_ns - notice.since_ns)})."]
    if spec.rule:
        lines.append(_where(notice.cell, setup))
    lines.append(f"Do first: {spec.action}")
    if spec.consequence:
        lines.append(f"Otherwise: {spec.consequence}")
    lines.append(_running(running))
    lines.append(f"Priority {spec.priority}. Acknowledge {spec.key} on page Now or by: "
                 f"stillroom alarm acknowledge {spec.key}")  # fmt: skip
    return lines


def _where(cell: Cell, setup: Setup) -> str:
    probes = cell.probes or ((cell.probe,) if cell.probe else ())
    where = _listed([_place(probe, setup) for probe in probes]) or "unknown probe"
    line = f"At {where}" if len(probes) < 2 else f"At {len(probes)} probes: {where}"
    if cell.U is None or cell.margin is None:
        return f"{line}."
    proven = "" if -cell.margin > cell.U else "; beyond the limit by less than U"
    return f"{line}; U {difference(cell.U, cell.unit)} (k = 2){proven}."


def _running(running: Iterable[Inspection]) -> str:
    jobs = [f"{job.title} ({', '.join(p for p in (job.key, job.person) if p)})" for job in running]
    return f"Inspections running here: {_listed(jobs)}." if jobs else "No inspection is running here."


def _back(notice: Notice, rule: Rule | None) -> str:
    if rule is None:
        return "readings come in again"
    cell = notice.cell
    value = f", {quantity(cell.value, cell.unit)}" if cell.value is not None else ""
    return f"{rule.name} is back within its limit{value}"


def _afterwards(notice: Notice, zone: str, rule: Rule | None, setup: Setup) -> list[str]:
    tz = ZoneInfo(setup.room.timezone)
    lines = [f"It was so from {wall(notice.since_ns, tz)} to {wall(notice.cell.to_ns, tz)} at the latest."]
    if rule is None:
        return lines
    if notice.worst.value is not None:
        worst = quantity(notice.worst.value, notice.worst.unit)
        lines.append(f"Worst: {worst} at {_place(notice.worst.probe, setup)}.")
    settling_s = setup.zone(zone).settling_s
    if rule.disturbs and settling_s:
        until = local(notice.at_ns + settling_s * NS, tz)
        lines.append(f"Not stable until about {until:%H:%M}: bodies settle for {duration(settling_s * NS)}.")
    return lines


def _place(name: str, setup: Setup) -> str:
    """A probe by its key and position, as people in the room call it; a pair or an unknown name as it stands.

    `name` is a channel or a probe.
    """
    probe = setup.channels[name].probe if name in setup.channels else name
    places = [setup.positions[p.position].name for p in setup.placements if p.probe == probe]
    return f"{probe} ({places[-1]})" if places else name


def _listed(names: Sequence[str]) -> str:
    """Names without repetition: one probe with two channels is one source.

    >>> _listed(["P1", "P2", "P2", "P3"])
    'P1, P2 and P3'
    """
    once = list(dict.fromkeys(names))
    return " and ".join(part for part in (", ".join(once[:-1]), once[-1] if once else "") if part)
