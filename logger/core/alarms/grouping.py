"""One notice for one cause: which alarms belong together, which leads them, and what a flood is.

Alarms of one kind in one zone (or in zones with a declared common cause, such as one air handling)
have one cause, until a person acknowledges one of them or half an hour has passed since the first. The most
urgent of the first leads; its notice waits `gather_s` for the others. Every alarm is announced by
name: one that joins later goes out as "now also", after the same wait.
"""

from __future__ import annotations

from collections.abc import Collection, Iterable, Mapping
from dataclasses import dataclass, replace

from ...instants import NS
from ...model import AlarmSpec, CommonCause
from .lifecycle import ACTIVE, Alarm, AlarmNotice

# ANSI/ISA-18.2-2016, 16.5.2: a flood is more than 10 in 10 min, and over below 5; from memory.
FLOOD_NS = 600 * NS
FLOOD_BEGINS, FLOOD_ENDS = 10, 5
TOGETHER_NS = 1800 * NS  # so long after the first alarm of a cause another one may join it: ours
URGENCY = ("high", "medium", "low")
Cause = tuple[str, int]  # the alarm that led, and when it began


@dataclass(frozen=True)
class AlarmGroup:
    """Alarms of one cause: `new` are to be announced, the first leads; `standing` were announced before."""

    new: tuple[Alarm, ...]
    standing: tuple[Alarm, ...]


def sharing_scope(spec: AlarmSpec, zone: str, common: Iterable[CommonCause] = ()) -> str:
    """Key that alarms must share to have one cause: kind, and zone or its declared common cause."""
    if not spec.rule and spec.watches not in ("silent", "suspect"):
        return spec.key
    kind = "room" if spec.rule else "sources"
    place = next((f"cause {cause.key}" for cause in common if zone in cause.zones), f"zone {zone}")
    return f"{kind}, {place}"


def cause_of(alarm: Alarm) -> Cause | None:
    """The cause of an alarm's occurrence; None while it has none."""
    return (alarm.cause, alarm.cause_ns or 0) if alarm.cause else None


def start_cause(alarm: Alarm, at_ns: int) -> Alarm:
    """The alarm as the first of a new cause, waiting for others of it."""
    return replace(alarm, cause=alarm.key, cause_ns=at_ns, waits=True)


def join_causes(
    new: Iterable[AlarmNotice],
    alarms: Mapping[str, Alarm],
    specs: Mapping[str, AlarmSpec],
    scopes: Mapping[str, str],
) -> dict[str, Alarm]:
    """The newly annunciated alarms with the cause of each; all of them wait to be announced."""
    joined: dict[str, Alarm] = {}
    for notice in sorted(new, key=lambda n: (rank(specs[n.alarm]), n.since_ns, n.alarm)):
        around = {**alarms, **joined}
        alarm = around[notice.alarm]
        scope = [a for a in around.values() if a.key != alarm.key and scopes.get(a.key) == scopes[alarm.key]]
        cause = _open_cause(scope, notice.at_ns)
        joined[alarm.key] = (
            start_cause(alarm, notice.at_ns)
            if cause is None
            else replace(alarm, cause=cause[0], cause_ns=cause[1], waits=True)
        )
    return joined


def rank(spec: AlarmSpec) -> int:
    """Place of an alarm among others, the most urgent first."""
    return URGENCY.index(spec.priority)


def _open_cause(alarms: Iterable[Alarm], at_ns: int) -> Cause | None:
    """Newest cause that another alarm may join: one is out, none acknowledged, younger than TOGETHER_NS."""
    members: dict[Cause, list[Alarm]] = {}
    for alarm in alarms:
        if (cause := cause_of(alarm)) is not None:
            members.setdefault(cause, []).append(alarm)
    open_causes = [
        cause
        for cause, alarms_of_cause in members.items()
        if abs(at_ns - cause[1]) <= TOGETHER_NS
        and any(a.condition in ACTIVE for a in alarms_of_cause)
        and all(a.acknowledged_ns is None for a in alarms_of_cause)
    ]
    return max(open_causes, key=lambda cause: (cause[1], cause[0]), default=None)


def due_groups(alarms: Iterable[Alarm], wait_s: Mapping[str, int], now_ns: int) -> list[AlarmGroup]:
    """Groups of alarms to be announced now, by cause. `wait_s`: how long each alarm waits for others.

    Of several that are due for one cause one group has all: nothing is announced twice.
    """
    ordered = sorted(alarms, key=lambda a: (a.cause != a.key, a.annunciated_ns or 0, a.key))
    due = {cause_of(a): None for a in ordered if is_due(a, wait_s.get(a.key, 0), now_ns)}
    return [
        AlarmGroup(
            tuple(a for a in ordered if cause_of(a) == cause and a.waits and not a.covered),
            tuple(a for a in ordered if cause_of(a) == cause and _was_announced(a)),
        )
        for cause in due
    ]


def is_due(alarm: Alarm, wait_s: int, now_ns: int) -> bool:
    """Whether it has waited long enough, or is over already; a cover delays it.

    What was annunciated by a clock that went back since waits no longer.
    """
    waited_ns = now_ns - (alarm.annunciated_ns or 0)
    gathered = waited_ns >= wait_s * NS or waited_ns < 0 or alarm.condition not in ACTIVE
    return alarm.waits and not alarm.covered and gathered


def _was_announced(alarm: Alarm) -> bool:
    return alarm.condition in ACTIVE and not alarm.waits and not alarm.covered and alarm.told


def is_over(alarm: Alarm, alarms: Iterable[Alarm]) -> bool:
    """Whether this alarm's return is the last of its cause; covered alarms do not count."""
    cause = cause_of(alarm)
    return not any(
        cause_of(a) == cause and a.key != alarm.key and a.condition in ACTIVE and not a.covered
        for a in alarms
    )


def is_flood(annunciated_ns: Collection[int], now_ns: int, in_flood: bool) -> bool:
    """Whether there is a flood of alarms: it begins with more than 10 in 10 min and ends below 5.

    >>> is_flood([0] * 11, 60 * NS, in_flood=False), is_flood([0] * 10, 60 * NS, in_flood=False)
    (True, False)
    >>> is_flood([0] * 5, 60 * NS, in_flood=True), is_flood([0] * 4, 60 * NS, in_flood=True)
    (True, False)
    """
    recent = sum(now_ns - FLOOD_NS <= at <= now_ns for at in annunciated_ns)
    return recent >= FLOOD_ENDS if in_flood else recent > FLOOD_BEGINS
