"""System alarms, which nobody has to declare: without them no other alarm can be relied on.

    <zone>.evidence     sources that do not report
    <zone>.suspect      probes that report values that cannot be used
    system.<what>       state of the service and its machine, in `WATCHED`

The service gathers `SystemFacts`; this module words what is wrong with them. That the service itself is
dead is noticed from outside, by the missing heartbeat.
"""

from __future__ import annotations

from collections.abc import Callable, Collection, Mapping
from dataclasses import dataclass, field
from typing import Literal

from ...model import AlarmSpec, Setup
from .condition import Cell, fact_cell

UNDELIVERED_S = 900  # a notice that waits longer means a dead route
BACKUP_OLD_DAYS = 2.0
Priority = Literal["low", "medium", "high"]


@dataclass(frozen=True)
class SystemFacts:
    """State of the service at one moment; None or empty where there is none."""

    disk_free_GB: float | None = None
    disk_wanted_GB: float = 1.0
    disk_trouble: str = ""  # what the system refuses there: read-only, no inode
    backup_age_days: float | None = None
    backup_damage: str = ""  # what was found wrong with backups since the newest one
    clock_step_s: float | None = None  # of a step in the last minutes
    failing: Mapping[str, str] = field(default_factory=dict)  # jobs and why
    stuck: Mapping[str, str] = field(default_factory=dict)  # probes, brokers, jobs that do not come back
    late_routes: Mapping[str, str] = field(default_factory=dict)  # routes that missed their deadline
    refused: Collection[str] = ()  # recipients who were not reached in the last day
    waiting_s: float = 0.0  # age of the oldest notice that nobody took yet
    unproven: Mapping[str, float] = field(default_factory=dict)  # routes and days without a receipt
    overdue: Collection[str] = ()  # channels whose calibration is overdue
    strangers: Mapping[str, str] = field(default_factory=dict)  # probes at whose line another one answers
    clock_unsure: str = ""  # since when readings wait for the correction of this machine's clock
    flooded: int = 0  # alarms in the last 10 min, while that is a flood


def _disk(f: SystemFacts) -> str:
    if f.disk_trouble:
        return f.disk_trouble
    short = f.disk_free_GB is not None and f.disk_free_GB < f.disk_wanted_GB
    return f"{f.disk_free_GB:.1f} GB free on the disk of the record" if short else ""


def _backup(f: SystemFacts) -> str:
    if f.backup_damage:
        return f"backups are damaged: {f.backup_damage}"[:200]
    old = f.backup_age_days is not None and f.backup_age_days > BACKUP_OLD_DAYS
    return f"no backup for {f.backup_age_days:.1f} days" if old else ""


def _clock(f: SystemFacts) -> str:
    if f.clock_unsure:
        return f.clock_unsure
    return "" if f.clock_step_s is None else f"the clock of this machine stepped by {f.clock_step_s:+.0f} s"


def _jobs(f: SystemFacts) -> str:
    return "; ".join(f"{name} fails: {why}"[:200].rstrip(".") for name, why in sorted(f.failing.items()))


def _stuck(f: SystemFacts) -> str:
    return "; ".join(f"{name} does not come back: {how}"[:200] for name, how in sorted(f.stuck.items()))


def _notices(f: SystemFacts) -> str:
    if f.refused:
        return f"notices did not reach {', '.join(sorted(f.refused))}"
    if f.late_routes:
        return "; ".join(f"route {route}: {how}" for route, how in sorted(f.late_routes.items()))
    return (
        f"a notice has not been delivered for {f.waiting_s / 60:.0f} min"
        if f.waiting_s > UNDELIVERED_S
        else ""
    )


def _proof(f: SystemFacts) -> str:
    silent = [f"{route} ({days:.0f} days)" for route, days in sorted(f.unproven.items())]
    return f"ways of notices without a receipt: {', '.join(silent)}" if silent else ""


def _calibration(f: SystemFacts) -> str:
    return f"calibration overdue: {', '.join(sorted(f.overdue))}" if f.overdue else ""


def _probe(f: SystemFacts) -> str:
    return "; ".join(f"probe {probe}: {why}" for probe, why in sorted(f.strangers.items()))


def _flood(f: SystemFacts) -> str:
    return (
        f"a flood of alarms: {f.flooded} in 10 min; notices of medium and low priority follow within 10 min"
        if f.flooded
        else ""
    )


@dataclass(frozen=True)
class SystemWatch:
    """One system alarm: its condition in words, and what to do first."""

    out: Callable[[SystemFacts], str]
    priority: Priority
    consequence: str
    action: str
    on_delay_s: int = 0
    off_delay_s: int = 60
    screen_only: bool = False


WATCHED: Mapping[str, SystemWatch] = {
    "disk": SystemWatch(
        _disk, "high", "Readings stay in memory and are lost when it overflows or the machine stops.",
        "Make room on the disk, or mount it for writing; move what does not belong to the record.",
        off_delay_s=300,
    ),
    "backup": SystemWatch(
        _backup, "medium", "A broken disk would take the record of these days with it.",
        "Look whether the folder of the backups is there, then run `stillroom backup`.",
    ),
    "clock": SystemWatch(
        _clock, "medium", "Readings around the step cannot be placed in time; verdicts there are not shown.",
        "Look why the clock was set, and whether its time server is reached.", off_delay_s=0,
    ),
    "probe": SystemWatch(
        _probe, "high", "Another probe answers there: its values belong to another place and are not taken.",
        "Check the cables of the probes last worked on. Enter a replacement with `stillroom probe swap`.",
    ),
    "jobs": SystemWatch(
        _jobs, "high", "What fails is not done: judging, alarms, sealing or backups.",
        "Read the newest events in the journal and correct what they name; the service keeps trying.",
        on_delay_s=300,
    ),
    "stuck": SystemWatch(
        _stuck, "medium", "It is tried again and not waited for; what it would bring or take is missing.",
        "Look at what is named: the probe and its line, the program, the share or the broker behind it.",
    ),
    "notices": SystemWatch(
        _notices, "high", "People were not notified of an alarm.",
        "Look at the mail server and the addresses in alarms.toml; then `stillroom alarm prove`.",
    ),
    "proof": SystemWatch(
        _proof, "low", "A way that nobody has tried for weeks may be dead.",
        "Send a test with `stillroom alarm prove` and check that it arrives.",
    ),
    "calibration": SystemWatch(
        _calibration, "low", "Readings of an overdue probe cannot show the room to be stable.",
        "Have the probe calibrated, or replace it.", screen_only=True,
    ),
    "flood": SystemWatch(
        _flood, "high", "Single alarms are overlooked; look at the room as a whole.",
        "Read the list of alarms on page Now, the oldest first: it is nearest to the cause.", off_delay_s=0,
    ),
}  # fmt: skip


def system_alarms(setup: Setup, routes: tuple[str, ...]) -> tuple[AlarmSpec, ...]:
    """Declarations of all system alarms; `routes`: those besides the screen."""
    out = ("screen", *(route for route in routes if route != "screen"))
    zones = [zone.key for zone in setup.zones_now()]
    return (
        *(_silent(zone, out) for zone in zones),
        *(_suspect(zone, out) for zone in zones),
        *(_system(name, watch, out) for name, watch in WATCHED.items()),
    )


def _silent(zone: str, routes: tuple[str, ...]) -> AlarmSpec:
    return AlarmSpec(
        key=f"{zone}.evidence",
        rule="",
        priority="medium",
        consequence="Time without evidence is not shown as stable; after a while bodies are unknown.",
        action="Look at supply, cable and display of the probe; stillroom goes on asking it.",
        on_delay_s=120,
        off_delay_s=60,
        routes=routes,
        zone=zone,
        watches="silent",
    )


def _suspect(zone: str, routes: tuple[str, ...]) -> AlarmSpec:
    return AlarmSpec(
        key=f"{zone}.suspect",
        rule="",
        priority="medium",
        consequence="Its readings support neither side; what rests on it is not shown.",
        action="Hold a reference beside the probe. Look whether it was moved, is wet, or hangs in a draught.",
        on_delay_s=300,
        off_delay_s=300,
        routes=routes,
        zone=zone,
        watches="suspect",
    )


def _system(name: str, watch: SystemWatch, routes: tuple[str, ...]) -> AlarmSpec:
    return AlarmSpec(
        key=f"system.{name}",
        rule="",
        priority=watch.priority,
        consequence=watch.consequence,
        action=watch.action,
        on_delay_s=watch.on_delay_s,
        off_delay_s=watch.off_delay_s,
        routes=("screen",) if watch.screen_only else routes,
        watches=name,
    )


def system_cell(spec: AlarmSpec, facts: SystemFacts, cell_ns: int, to_ns: int) -> Cell:
    """The condition of a system alarm over a cell."""
    return fact_cell(cell_ns, to_ns, WATCHED[spec.watches].out(facts))


def suspect_cell(cell_ns: int, to_ns: int, suspect: Mapping[str, str]) -> Cell:
    """The condition of the alarm of a zone's suspect probes; suspect: channel -> reason."""
    texts = [f"{channel}: {why}" for channel, why in sorted(suspect.items())]
    return fact_cell(cell_ns, to_ns, "; ".join(texts), tuple(sorted(suspect)))
