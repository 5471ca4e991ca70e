"""Repeated and escalated notices: of an alarm that nobody acknowledges, and of one that lasts.

Re-alarm in the words of IEC 62682: the alarm is unacknowledged once more. What is shelved, suppressed by
design or out of service is not repeated. Times count from the notice before, not from an annunciation that
a shelf or quiet hours delayed. All follows from stored instants, so a restart changes nothing.
"""

from __future__ import annotations

from collections.abc import Iterable, Mapping
from dataclasses import replace
from typing import Literal

from ...instants import NS
from ...model import AlarmSpec
from .grouping import TOGETHER_NS, cause_of, rank
from .lifecycle import ACTIVE, Alarm, AlarmAct, AlarmNotice, AlarmState, Step, apply_act

Kind = Literal["repeated", "escalated"]
KINDS: tuple[Kind, ...] = ("repeated", "escalated")


def due_reminders(alarms: Iterable[Alarm], specs: Mapping[str, AlarmSpec], now_ns: int) -> list[list[Step]]:
    """Steps of the alarms due for another notice, one list for each cause, the leading alarm first.

    Others of the cause that would be due within half an hour share its notice.
    """
    ordered = sorted(alarms, key=lambda a: (rank(specs[a.key]), _last_notice_ns(a), a.key))
    groups, reminded = [], set()
    for kind in KINDS:
        for alarm in ordered:
            if alarm.key in reminded or not _is_due(kind, specs[alarm.key], alarm, now_ns):
                continue
            near = [a for a in ordered if _goes_with(a, alarm) and a.key not in reminded]
            companions = [a for a in near if _is_due(kind, specs[a.key], a, now_ns + TOGETHER_NS)]
            reminded |= {a.key for a in (alarm, *companions)}
            groups.append([_remind(kind, specs[a.key], a, now_ns) for a in (alarm, *companions)])
    return groups


def _goes_with(other: Alarm, alarm: Alarm) -> bool:
    return other.key != alarm.key and bool(alarm.cause) and cause_of(other) == cause_of(alarm)


def _is_due(kind: Kind, spec: AlarmSpec, alarm: Alarm, at_ns: int) -> bool:
    if alarm.covered or not alarm.told or alarm.waits or alarm.condition not in ACTIVE:
        return False
    if kind == "escalated" and (alarm.condition is AlarmState.ACKNOWLEDGED or alarm.escalated_ns is not None):
        return False
    after_s = spec.repeat_after_s if kind == "repeated" else spec.escalate_after_s
    return bool(after_s) and at_ns - _last_notice_ns(alarm) >= after_s * NS


def _remind(kind: Kind, spec: AlarmSpec, alarm: Alarm, now_ns: int) -> Step:
    if kind == "repeated":
        return _repeat(spec, alarm, now_ns)
    after = replace(alarm, escalated_ns=now_ns)
    return Step(after, (_notice(after, "escalated", now_ns),), (f"{spec.key}: nobody acknowledged it.",))


def _last_notice_ns(alarm: Alarm) -> int:
    return max(alarm.annunciated_ns or 0, alarm.told_ns or 0, alarm.repeated_ns or 0)


def _repeat(spec: AlarmSpec, alarm: Alarm, now_ns: int) -> Step:
    after = replace(
        alarm,
        condition=AlarmState.UNACKNOWLEDGED,
        repeats=alarm.repeats + 1,
        repeated_ns=now_ns,
        escalated_ns=None,
        acknowledged_ns=None,
        acknowledged_by="",
    )
    reason = f"{spec.key}: still out {spec.repeat_after_s} s after its notice."
    return Step(after, (_notice(after, "repeated", now_ns),), (reason,))


def _notice(alarm: Alarm, step: str, now_ns: int) -> AlarmNotice:
    since = now_ns if alarm.since_ns is None else alarm.since_ns
    worst = alarm.worst
    assert worst is not None  # noqa: S101 (an active alarm has a worst cell)
    named = f"{step} {alarm.repeats}" if alarm.repeats else step
    return AlarmNotice(alarm.key, alarm.occurrence, named, now_ns, since, worst, alarm.newest or worst)


def suppress_by_design(alarm: Alarm, by: str, now_ns: int) -> Step:
    """The alarm suppressed by design; `by`: what suppresses it, empty when nothing does."""

    if by == alarm.suppressed_by:
        return Step(alarm)
    if not by:
        return apply_act(alarm, AlarmAct("release", alarm.suppressed_by, now_ns))
    return apply_act(alarm, AlarmAct("suppress", by, now_ns))
