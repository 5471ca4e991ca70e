"""What a notice says: short enough for a phone, complete enough to act on.

What, where, how much beyond what, since when, at one probe or several, what to do first; each other alarm of
the same cause with its value and its own action; whether anyone is on it, which inspections run in that zone,
and how long machine and parts still need.
"""

from __future__ import annotations

from collections.abc import Iterable, Mapping, Sequence
from dataclasses import dataclass, field
from zoneinfo import ZoneInfo

from ..core.alarms.condition import Cell
from ..core.alarms.lifecycle import Alarm, AlarmNotice
from ..instants import NS, local, wall
from ..model import AlarmSpec, Inspection, Rule, Setup, TemperatureUnit
from .quantities import difference, duration, quantity

_TO_ACKNOWLEDGE = "Or use this link (one use, asks for confirmation)"


@dataclass(frozen=True)
class Wording:
    """Subject and body of a notice, without its address."""

    subject: str
    body: str


@dataclass(frozen=True)
class NoticeContext:
    """What stands around a notice: the alarm as it is now, others of its cause, jobs, and who reads it."""

    alarm: Alarm | None = None
    others: Sequence[tuple[AlarmSpec, Alarm]] = ()  # announced, cleared or repeated with it
    standing: Sequence[tuple[AlarmSpec, Alarm]] = ()  # of its cause, announced before
    running: Sequence[Inspection] = ()
    settles_s: float | None = None  # how long bodies need if it came back now; None: as the zone is set
    links: Mapping[str, str] = field(default_factory=dict)  # by alarm: where the recipient acknowledges it
    temperature: TemperatureUnit = "degC"
    simulated: bool = False


@dataclass(frozen=True)
class _NoticeFacts:
    """Everything that the sentences are made of."""

    notice: AlarmNotice
    spec: AlarmSpec
    zone: str
    setup: Setup
    around: NoticeContext
    rule: Rule | None = field(default=None)

    @property
    def clock(self) -> ZoneInfo:
        return ZoneInfo(self.setup.room.timezone)


def wording(
    notice: AlarmNotice,
    spec: AlarmSpec,
    zone: str,
    setup: Setup,
    *,
    running: Iterable[Inspection] = (),
    simulated: bool = False,
    around: NoticeContext | None = None,
) -> Wording:
    """The notice in words; `running` are inspections of the zone that are not over. `zone` "": the room."""
    around = around or NoticeContext(running=tuple(running), simulated=simulated)
    rule = next((r for r in setup.rules if r.key == spec.rule), None)
    facts = _NoticeFacts(notice, spec, zone, setup, around, rule)
    if notice.step == "returned":
        what, lines = _back(facts), _afterwards(facts)
    else:
        what, lines = out(notice.cell, spec, setup, around.temperature), _first_steps(facts)
    mark = "SIMULATED: " if around.simulated else ""
    where = setup.zone(zone).name if zone else setup.room.name
    head = f"{mark}{where}, {setup.room.name}" if zone else f"{mark}{where}"
    more = count_phrase(len(around.others), " (and {} more alarm)", " (and {} more alarms)")
    subject = " ".join(f"{mark}{_again(notice, around)}{where}: {what}{more}".split())
    return Wording(subject, "\n".join([head, f"{what[:1].upper()}{what[1:]}.", *lines]) + "\n")


def count_phrase(number: int, singular: str, plural: str) -> str:
    """A number of things in words; nothing for none.

    >>> [count_phrase(n, "{} alarm", "{} alarms") for n in (0, 1, 2)]
    ['', '1 alarm', '2 alarms']
    """
    return (singular if number == 1 else plural).format(number) if number else ""


def _again(notice: AlarmNotice, around: NoticeContext) -> str:
    """What sets a notice apart in a list of mails that are about one cause."""
    if notice.step.startswith("escalated"):
        return "Not acknowledged: "
    if notice.step.startswith("repeated"):
        return "Still active: "
    return "Now also: " if around.standing and notice.step == "annunciated" else ""


def out(cell: Cell, spec: AlarmSpec, setup: Setup, temperature: TemperatureUnit = "degC") -> str:
    """What is out, in a few words."""
    if cell.words:
        return cell.words
    if not spec.rule:
        return f"no readings from {_join_names([_place(p, setup) for p in cell.probes or (cell.probe,)])}"
    rule = next((r for r in setup.rules if r.key == spec.rule), None)
    name = rule.name if rule else spec.rule
    if cell.value is None or cell.limit is None:
        return f"{name} out of limits"
    by = difference(abs(cell.value - cell.limit), cell.unit, temperature)
    side = "above" if cell.value > cell.limit else "below"
    value, limit = (quantity(v, cell.unit, temperature) for v in (cell.value, cell.limit))
    return f"{name} {value}, {by} {side} the limit {limit}"


def _first_steps(facts: _NoticeFacts) -> list[str]:
    notice, spec, around = facts.notice, facts.spec, facts.around
    lines = [f"Since {wall(notice.since_ns, facts.clock)} ({duration(notice.at_ns - notice.since_ns)})."]
    if spec.rule:
        lines.append(_where(facts))
    lines += [f"Action: {spec.action}"]
    if spec.consequence:
        lines.append(f"Consequence: {spec.consequence}")
    lines += _attendance(facts)
    lines += _also(facts)
    if facts.zone:
        lines += [_running(around.running), *_settles(facts)]
    lines.append(f"Priority {spec.priority}. Acknowledge {spec.key} on page Now or by: "
                 f"stillroom alarm acknowledge {spec.key}")  # fmt: skip
    lines += [f"{_TO_ACKNOWLEDGE}: {around.links[spec.key]}"] if spec.key in around.links else []
    return lines


def _where(facts: _NoticeFacts) -> str:
    cell, unit = facts.notice.cell, facts.around.temperature
    probes = _probes(cell)
    where = _join_names([_place(probe, facts.setup) for probe in probes]) or "unknown probe"
    line = f"At {where}" if len(probes) < 2 else f"At {len(probes)} probes: {where}"
    if cell.U is None or cell.margin is None:
        return f"{line}."
    proven = "" if -cell.margin > cell.U else "; not proven (exceeds the limit by less than U)"
    return f"{line}; U {difference(cell.U, cell.unit, unit)} (k = 2){proven}."


def _also(facts: _NoticeFacts) -> list[str]:
    """Every other alarm of the cause with its value and its action, those that are new first."""
    around = facts.around
    lines = [line for spec, alarm in around.others for line in _member(facts, spec, alarm)]
    if around.standing:
        lines.append("Announced before and still active:")
        lines += [line for spec, alarm in around.standing for line in _member(facts, spec, alarm)]
    return lines


def _member(facts: _NoticeFacts, spec: AlarmSpec, alarm: Alarm) -> list[str]:
    zone = zone_of(spec, facts.setup)
    where = f"{facts.setup.zone(zone).name}: " if zone else ""
    cell = alarm.newest or alarm.worst
    what = "out" if cell is None else out(cell, spec, facts.setup, facts.around.temperature)
    probes = _join_names([_place(p, facts.setup) for p in _probes(cell)]) if spec.rule and cell else ""
    at = f" at {probes}" if probes else ""
    since = "" if alarm.since_ns is None else f", since {wall(alarm.since_ns, facts.clock)}"
    link = facts.around.links.get(alarm.key, "")
    return [
        f"Also: {where}{what}{at}{since}. Alarm {alarm.key}, priority {spec.priority}.",
        f"  Action: {spec.action}",
        *([f"  {_TO_ACKNOWLEDGE}: {link}"] if link else []),
    ]


def zone_of(spec: AlarmSpec, setup: Setup) -> str:
    """The zone that an alarm is about; empty for the whole room."""
    return spec.zone or next((rule.zone for rule in setup.rules if rule.key == spec.rule), "")


def _probes(cell: Cell) -> tuple[str, ...]:
    return cell.probes or ((cell.probe,) if cell.probe else ())


def _attendance(facts: _NoticeFacts) -> list[str]:
    """Whether anyone is on it, where that is known."""
    alarm = facts.around.alarm
    if alarm is None:
        return []
    if alarm.acknowledged_by:
        comment = f": {alarm.comment}" if alarm.comment else ""
        return [f"Acknowledged by {alarm.acknowledged_by}{comment}."]
    return ["Not acknowledged."]


def _running(running: Iterable[Inspection]) -> str:
    jobs = [f"{job.title} ({', '.join(p for p in (job.key, job.person) if p)})" for job in running]
    return f"Inspections running here: {_join_names(jobs)}." if jobs else "No inspection is running here."


def _settles(facts: _NoticeFacts) -> list[str]:
    """How long bodies need if it came back at this moment; only where it is known who reads it."""
    if facts.rule is None or not facts.rule.disturbs or facts.around.alarm is None:
        return []
    settles_s = facts.around.settles_s
    if settles_s is None:
        settles_s = facts.setup.zone(facts.zone).settling_s
    if not settles_s:
        return []
    return [f"If it came back within limits now, it would be ready in {duration(round(settles_s) * NS)}."]


def _back(facts: _NoticeFacts) -> str:
    if facts.rule is None:
        return "readings received again" if facts.spec.watches in ("", "silent") else _over(facts)
    cell = facts.notice.cell
    value = "" if cell.value is None else f", {quantity(cell.value, cell.unit, facts.around.temperature)}"
    return f"{facts.rule.name} within limits again{value}"


def _over(facts: _NoticeFacts) -> str:
    return f"cleared: {facts.notice.worst.words}" if facts.notice.worst.words else "cleared"


def _afterwards(facts: _NoticeFacts) -> list[str]:
    notice, setup, rule = facts.notice, facts.setup, facts.rule
    since, until = wall(notice.since_ns, facts.clock), wall(notice.cell.to_ns, facts.clock)
    lines = [f"Active from {since} to {until}."]
    if rule is None:
        return [*lines, *_also_cleared(facts)]
    if notice.worst.value is not None:
        worst = quantity(notice.worst.value, notice.worst.unit, facts.around.temperature)
        lines.append(f"Worst: {worst} at {_place(notice.worst.probe, setup)}.")
    lines += _also_cleared(facts)
    settling_s = setup.zone(facts.zone).settling_s
    if rule.disturbs and settling_s:
        settled = local(notice.at_ns + settling_s * NS, facts.clock)
        lines.append(
            f"Not stable until about {settled:%H:%M}: "
            f"machine and parts settle for {duration(settling_s * NS)}."
        )
    return lines


def _also_cleared(facts: _NoticeFacts) -> list[str]:
    """The other alarms of the cause that are over with it."""
    return [
        f"Also cleared: {_cleared_rule(spec, facts.setup)}, alarm {alarm.key}."
        for spec, alarm in facts.around.others
    ]


def _cleared_rule(spec: AlarmSpec, setup: Setup) -> str:
    zone = zone_of(spec, setup)
    rule = next((r for r in setup.rules if r.key == spec.rule), None)
    what = "readings" if spec.watches == "silent" else spec.watches or spec.rule
    return f"{setup.zone(zone).name if zone else setup.room.name}, {rule.name if rule else what}"


def _place(name: str, setup: Setup) -> str:
    """A probe by its key and position, as people in the room call it; a pair or an unknown name as it stands.

    `name` is a channel or a probe.
    """
    probe = setup.channels[name].probe if name in setup.channels else name
    places = [setup.positions[p.position].name for p in setup.placements if p.probe == probe]
    return f"{probe} ({places[-1]})" if places else name


def _join_names(names: Sequence[str]) -> str:
    """Names without repetition: one probe with two channels is one source.

    >>> _join_names(["P1", "P2", "P2", "P3"])
    'P1, P2 and P3'
    """
    once = list(dict.fromkeys(names))
    return " and ".join(part for part in (", ".join(once[:-1]), once[-1] if once else "") if part)
