"""What a notice says: short enough for a phone, complete enough to act on.

What, where, how much beyond what, since when, at one probe or several, what stands with it, what to do
first, whether anyone is on it, which inspections run in that zone, and how long bodies still need.
"""

from __future__ import annotations

from collections.abc import Iterable, Sequence
from dataclasses import dataclass, field
from zoneinfo import ZoneInfo

from ..alarm_cells import Cell
from ..alarms import Alarm, Notice
from ..instants import local, wall
from ..model import NS, AlarmSpec, Inspection, Rule, Setup, TemperatureUnit
from .quantities import difference, duration, quantity

LISTED = 12  # probes or alarms in one line


@dataclass(frozen=True)
class Wording:
    """Subject and body of a notice, without its address."""

    subject: str
    body: str


@dataclass(frozen=True)
class Around:
    """What stands around a notice: the alarm as it is now, others of its cause, jobs, and who reads it."""

    alarm: Alarm | None = None
    others: Sequence[tuple[AlarmSpec, Alarm]] = ()
    running: Sequence[Inspection] = ()
    settles_s: float | None = None  # how long bodies need if it came back now; None: as the zone is set
    link: str = ""  # where the recipient can acknowledge it
    temperature: TemperatureUnit = "degC"
    simulated: bool = False


@dataclass(frozen=True)
class _Told:
    """Everything that the sentences are made of."""

    notice: Notice
    spec: AlarmSpec
    zone: str
    setup: Setup
    around: Around
    rule: Rule | None = field(default=None)

    @property
    def clock(self) -> ZoneInfo:
        return ZoneInfo(self.setup.room.timezone)


def wording(
    notice: Notice,
    spec: AlarmSpec,
    zone: str,
    setup: Setup,
    *,
    running: Iterable[Inspection] = (),
    simulated: bool = False,
    around: Around | None = None,
) -> Wording:
    """The notice in words; `running` are inspections of the zone that are not over. `zone` "": the room."""
    around = around or Around(running=tuple(running), simulated=simulated)
    rule = next((r for r in setup.rules if r.key == spec.rule), None)
    told = _Told(notice, spec, zone, setup, around, rule)
    if notice.step == "returned":
        what, lines = _back(told), _afterwards(told)
    else:
        what, lines = out(notice.cell, spec, setup, around.temperature), _first_steps(told)
    mark = "SIMULATED: " if around.simulated else ""
    where = setup.zone(zone).name if zone else setup.room.name
    head = f"{mark}{where}, {setup.room.name}" if zone else f"{mark}{where}"
    subject = " ".join(f"{mark}{_again(notice)}{where}: {what}".split())
    return Wording(subject, "\n".join([head, f"{what[:1].upper()}{what[1:]}.", *lines]) + "\n")


def _again(notice: Notice) -> str:
    """What sets a repeated notice apart in a list of mails."""
    if notice.step.startswith("escalated"):
        return "Nobody acknowledged: "
    return "Still: " if notice.step.startswith("repeated") else ""


def out(cell: Cell, spec: AlarmSpec, setup: Setup, temperature: TemperatureUnit = "degC") -> str:
    """What is out, in a few words."""
    if cell.words:
        return cell.words
    if not spec.rule:
        return f"no readings from {_listed([_place(p, setup) for p in cell.probes or (cell.probe,)])}"
    rule = next((r for r in setup.rules if r.key == spec.rule), None)
    name = rule.name if rule else spec.rule
    if cell.value is None or cell.limit is None:
        return f"{name} is beyond its limit"
    by = difference(abs(cell.value - cell.limit), cell.unit, temperature)
    side = "above" if cell.value > cell.limit else "below"
    value, limit = (quantity(v, cell.unit, temperature) for v in (cell.value, cell.limit))
    return f"{name} {value}, {by} {side} the limit {limit}"


def _first_steps(told: _Told) -> list[str]:
    notice, spec, around = told.notice, told.spec, told.around
    lines = [f"Since {wall(notice.since_ns, told.clock)} ({duration(notice.at_ns - notice.since_ns)})."]
    if spec.rule:
        lines.append(_where(told))
    lines += _also(told)
    lines.append(f"Do first: {spec.action}")
    if spec.consequence:
        lines.append(f"Otherwise: {spec.consequence}")
    lines += _attended(told)
    if told.zone:
        lines += [_running(around.running), *_settles(told)]
    lines.append(f"Priority {spec.priority}. Acknowledge {spec.key} on page Now or by: "
                 f"stillroom alarm acknowledge {spec.key}")  # fmt: skip
    if around.link:
        lines.append(f"Or here; it asks before it acts, and works once: {around.link}")
    return lines


def _where(told: _Told) -> str:
    cell, unit = told.notice.cell, told.around.temperature
    probes = cell.probes or ((cell.probe,) if cell.probe else ())
    where = _listed([_place(probe, told.setup) for probe in probes]) or "unknown probe"
    line = f"At {where}" if len(probes) < 2 else f"At {len(probes)} probes: {where}"
    if cell.U is None or cell.margin is None:
        return f"{line}."
    proven = "" if -cell.margin > cell.U else "; beyond the limit by less than U"
    return f"{line}; U {difference(cell.U, cell.unit, unit)} (k = 2){proven}."


def _also(told: _Told) -> list[str]:
    """The other alarms of the same cause: one line, however many they are."""
    found = []
    for spec, alarm in told.around.others[:LISTED]:
        cell = alarm.newest or alarm.worst
        if cell is None:
            continue
        zone = spec.zone or next((r.zone for r in told.setup.rules if r.key == spec.rule), "")
        where = f"{told.setup.zone(zone).name}: " if zone and zone != told.zone else ""
        probes = _listed([_place(p, told.setup) for p in cell.probes]) if spec.rule else ""
        at = f" at {probes}" if probes else ""
        found.append(f"{where}{out(cell, spec, told.setup, told.around.temperature)}{at}")
    more = len(told.around.others) - LISTED
    return [f"Also: {'; '.join(found)}{f'; and {more} more' if more > 0 else ''}."] if found else []


def _attended(told: _Told) -> list[str]:
    """Whether anyone is on it, where that is known."""
    alarm = told.around.alarm
    if alarm is None:
        return []
    if alarm.acknowledged_by:
        comment = f": {alarm.comment}" if alarm.comment else ""
        return [f"{alarm.acknowledged_by} is on it{comment}."]
    return ["Nobody has acknowledged it."]


def _running(running: Iterable[Inspection]) -> str:
    jobs = [f"{job.title} ({', '.join(p for p in (job.key, job.person) if p)})" for job in running]
    return f"Inspections running here: {_listed(jobs)}." if jobs else "No inspection is running here."


def _settles(told: _Told) -> list[str]:
    """How long bodies need if it came back at this moment; only where it is known who reads it."""
    if told.rule is None or not told.rule.disturbs or told.around.alarm is None:
        return []
    settles_s = told.around.settles_s
    if settles_s is None:
        settles_s = told.setup.zone(told.zone).settling_s
    return [f"If it came back now: settled in {duration(round(settles_s) * NS)}."] if settles_s else []


def _back(told: _Told) -> str:
    if told.rule is None:
        return "readings come in again" if told.spec.watches in ("", "silent") else _over(told)
    cell = told.notice.cell
    value = "" if cell.value is None else f", {quantity(cell.value, cell.unit, told.around.temperature)}"
    return f"{told.rule.name} is back within its limit{value}"


def _over(told: _Told) -> str:
    return f"over: {told.notice.worst.words}" if told.notice.worst.words else "over"


def _afterwards(told: _Told) -> list[str]:
    notice, setup, rule = told.notice, told.setup, told.rule
    since, until = wall(notice.since_ns, told.clock), wall(notice.cell.to_ns, told.clock)
    lines = [f"It was so from {since} to {until} at the latest."]
    if rule is None:
        return lines
    if notice.worst.value is not None:
        worst = quantity(notice.worst.value, notice.worst.unit, told.around.temperature)
        lines.append(f"Worst: {worst} at {_place(notice.worst.probe, setup)}.")
    settling_s = setup.zone(told.zone).settling_s
    if rule.disturbs and settling_s:
        settled = local(notice.at_ns + settling_s * NS, told.clock)
        lines.append(
            f"Not stable until about {settled:%H:%M}: bodies settle for {duration(settling_s * NS)}."
        )
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
