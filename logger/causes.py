"""One notice for one cause: which alarms belong together, who speaks for them, and what a flood is.

Alarms of one kind that stand in one room at one time have one cause until a person says otherwise: the
air handling that stopped, the bus that was unplugged. The most urgent of those that come first leads;
its notice waits `gather_s` for the others and lists them. What joins later is shown and journalled, and
told only where it is more urgent, or goes to people who were not told yet.
"""

from __future__ import annotations

from collections.abc import Collection, Iterable, Mapping, Sequence
from dataclasses import replace

from .alarms import ACTIVE, Alarm, Notice
from .model import NS, AlarmSpec

# ANSI/ISA-18.2-2016, 16.5.2: a flood is more than 10 in 10 min, and over below 5; from memory.
FLOOD_NS = 600 * NS
FLOOD_BEGINS, FLOOD_ENDS = 10, 5
TOGETHER_NS = 1800 * NS  # so long after an alarm of a cause another one still belongs to it: ours
URGENCY = ("high", "medium", "low")


def kind_of(spec: AlarmSpec) -> str:
    """What can have one cause: the air of the room, its probes, or this alarm alone."""
    if spec.rule:
        return "room"
    return "sources" if spec.watches in ("silent", "suspect") else spec.key


def joined(
    new: Iterable[Notice], alarms: Mapping[str, Alarm], specs: Mapping[str, AlarmSpec], flood: str = ""
) -> dict[str, Alarm]:
    """The newly annunciated alarms with the cause of each; those that are to be told wait.

    `flood`: key of the flood's alarm while one stands; what is not of high priority joins it silently.
    """
    found: dict[str, Alarm] = {}
    for notice in sorted(new, key=lambda n: (rank(specs[n.alarm]), n.since_ns, n.alarm)):
        around = {**alarms, **found}
        alarm, spec = around[notice.alarm], specs[notice.alarm]
        if flood and flood != alarm.key and spec.priority != "high":
            found[alarm.key] = replace(alarm, cause=flood)
            continue
        fellows = _fellows(alarm, spec, around, specs)
        cause = fellows[0].cause if fellows else alarm.key
        told = [specs[f.key] for f in around.values() if f.cause == cause and f.key != alarm.key]
        found[alarm.key] = replace(alarm, cause=cause, waits=not fellows or _adds(spec, told))
    return found


def rank(spec: AlarmSpec) -> int:
    """Place of an alarm among others, the most urgent first."""
    return URGENCY.index(spec.priority)


def _fellows(
    alarm: Alarm, spec: AlarmSpec, alarms: Mapping[str, Alarm], specs: Mapping[str, AlarmSpec]
) -> list[Alarm]:
    """Standing alarms of the same kind that were annunciated shortly before, the newest first."""
    at_ns = alarm.annunciated_ns or 0
    near = [
        a
        for a in alarms.values()
        if a.key != alarm.key
        and a.cause
        and a.condition in ACTIVE
        and a.key in specs
        and kind_of(specs[a.key]) == kind_of(spec)
        and abs(at_ns - (a.annunciated_ns or 0)) <= TOGETHER_NS
    ]
    return sorted(near, key=lambda a: (-(a.annunciated_ns or 0), a.key))


def _adds(spec: AlarmSpec, told: Sequence[AlarmSpec]) -> bool:
    """Whether a person learns anything from it that those before did not say."""
    known = {route for one in told for route in one.routes}
    return rank(spec) < min(map(rank, told), default=len(URGENCY)) or not known.issuperset(spec.routes)


def speaking(alarms: Iterable[Alarm], gather_s: int, now_ns: int) -> list[list[Alarm]]:
    """Alarms whose notice is due, each followed by the others that it speaks for.

    Of several that are due for one cause the first speaks for all: nothing is told twice.
    """
    every = list(alarms)
    due = [a for a in every if a.waits and has_gathered(a, gather_s, now_ns)]
    due.sort(key=lambda a: (a.cause != a.key, a.annunciated_ns or 0, a.key))
    leaders = {a.cause: a for a in reversed(due)}
    return [[a, *(o for o in every if _stands_with(o, a))] for a in leaders.values()]


def has_gathered(alarm: Alarm, gather_s: int, now_ns: int) -> bool:
    """Whether it waited long enough; what was annunciated by a clock that went back since waits no longer."""
    waited_ns = now_ns - (alarm.annunciated_ns or 0)
    return waited_ns >= gather_s * NS or waited_ns < 0


def _stands_with(other: Alarm, alarm: Alarm) -> bool:
    of_cause = other.cause == alarm.cause and other.key != alarm.key
    return of_cause and (other.condition in ACTIVE or other.waits)


def is_over(alarm: Alarm, alarms: Iterable[Alarm]) -> bool:
    """Whether with this alarm's return the last one of its cause has returned."""
    return not any(a.cause == alarm.cause and a.key != alarm.key and a.condition in ACTIVE for a in alarms)


def flooded(annunciated_ns: Collection[int], now_ns: int, was: bool) -> bool:
    """Whether a person is flooded: it begins with more than 10 in 10 min and ends below 5.

    >>> flooded([0] * 11, 60 * NS, was=False), flooded([0] * 10, 60 * NS, was=False)
    (True, False)
    >>> flooded([0] * 5, 60 * NS, was=True), flooded([0] * 4, 60 * NS, was=True)
    (True, False)
    """
    recent = sum(now_ns - FLOOD_NS <= at <= now_ns for at in annunciated_ns)
    return recent >= FLOOD_ENDS if was else recent > FLOOD_BEGINS
