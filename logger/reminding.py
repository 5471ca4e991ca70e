"""What is told again: an alarm that nobody acknowledges, and one that still stands after hours.

Re-alarm in the words of IEC 62682: the alarm is unacknowledged once more. What is shelved, suppressed by
design or out of service reminds nobody. Both follow from stored instants, so a restart changes nothing.
"""

from __future__ import annotations

from dataclasses import replace

from .alarms import ACTIVE, Act, Alarm, AlarmState, Notice, Step, acted
from .model import NS, AlarmSpec


def reminded(spec: AlarmSpec, alarm: Alarm, now_ns: int) -> Step:
    """The alarm with what is due to be told again at `now_ns`."""
    if alarm.state is not alarm.condition or not alarm.told or alarm.waits or alarm.condition not in ACTIVE:
        return Step(alarm)
    begun = _begun(alarm)
    if spec.repeat_after_s and now_ns - begun >= spec.repeat_after_s * NS:
        return _repeated(spec, alarm, now_ns)
    unheard = alarm.condition is AlarmState.UNACKNOWLEDGED and alarm.escalated_ns is None
    if unheard and spec.escalate_after_s and now_ns - begun >= spec.escalate_after_s * NS:
        after = replace(alarm, escalated_ns=now_ns)
        return Step(after, (_notice(after, "escalated", now_ns),), (f"{spec.key}: nobody acknowledged it.",))
    return Step(alarm)


def _begun(alarm: Alarm) -> int:
    return max(alarm.annunciated_ns or 0, alarm.repeated_ns or 0)


def _repeated(spec: AlarmSpec, alarm: Alarm, now_ns: int) -> Step:
    after = replace(
        alarm,
        condition=AlarmState.UNACKNOWLEDGED,
        repeats=alarm.repeats + 1,
        repeated_ns=now_ns,
        escalated_ns=None,
        acknowledged_ns=None,
        acknowledged_by="",
    )
    reason = f"{spec.key}: still out {spec.repeat_after_s} s after it was told."
    return Step(after, (_notice(after, "repeated", now_ns),), (reason,))


def _notice(alarm: Alarm, step: str, now_ns: int) -> Notice:
    since = now_ns if alarm.since_ns is None else alarm.since_ns
    worst = alarm.worst
    assert worst is not None  # noqa: S101 (an active alarm has a worst cell)
    named = f"{step} {alarm.repeats}" if alarm.repeats else step
    return Notice(alarm.key, alarm.occurrence, named, now_ns, since, worst, alarm.newest or worst)


def suppressed(alarm: Alarm, by: str, now_ns: int) -> Step:
    """Suppression by design as it is wanted now: `by` says what suppresses it, empty when nothing does."""

    if by == alarm.suppressed_by:
        return Step(alarm)
    if not by:
        return acted(alarm, Act("release", alarm.suppressed_by, now_ns))
    return acted(alarm, Act("suppress", by, now_ns))
