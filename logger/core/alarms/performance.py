"""Performance of the alarms over a time: how many a day, which too often, time to acknowledge.

Figures of IEC 62682 and ANSI/ISA-18.2 (performance of an alarm system), from memory. Chattering is our
own measure, because cells are minutes: raised three times within an hour.
"""

from __future__ import annotations

from collections import Counter
from collections.abc import Iterable, Mapping, Sequence
from dataclasses import dataclass, field
from statistics import median
from typing import Any, TypedDict

from ...instants import NS

DAY_NS, HOUR_NS = 86_400 * NS, 3600 * NS
CHATTERS = 3
STALE_NS = DAY_NS
TOP = 10
FLOOD_NS, FLOOD = 600 * NS, 10
_OUT = ("unacknowledged", "acknowledged")


@dataclass(frozen=True)
class StateChange:
    """Change of the state of an alarm, from its journal entry."""

    at_ns: int
    alarm: str
    was: str
    now: str
    occurrence: int
    who: str


class AlarmCount(TypedDict):
    """How often an alarm was raised."""

    alarm: str
    raised: int


class PerformanceForm(TypedDict):
    """Figures of the alarms raised in a time as plain data; durations in s, None without any."""

    raised: int
    per_day: float
    top: Sequence[AlarmCount]
    chattering: Sequence[str]
    stale: Sequence[str]
    acknowledged: int
    to_acknowledge_s: float | None
    longest_to_acknowledge_s: float | None
    floods: int


@dataclass(frozen=True)
class PerformanceFigures:
    """Figures of the alarms raised in a time; durations in s, None without any."""

    raised: int
    per_day: float
    top: tuple[tuple[str, int], ...]
    chattering: tuple[str, ...]
    stale: tuple[str, ...]
    acknowledged: int
    to_acknowledge_s: float | None  # median
    longest_to_acknowledge_s: float | None
    floods: int

    def to_dict(self) -> PerformanceForm:
        """Plain values."""
        return {
            "raised": self.raised,
            "per_day": self.per_day,
            "top": [{"alarm": alarm, "raised": n} for alarm, n in self.top],
            "chattering": list(self.chattering),
            "stale": list(self.stale),
            "acknowledged": self.acknowledged,
            "to_acknowledge_s": self.to_acknowledge_s,
            "longest_to_acknowledge_s": self.longest_to_acknowledge_s,
            "floods": self.floods,
        }


@dataclass
class _Occurrence:
    alarm: str
    raised_ns: int
    over_ns: int | None = None
    heard_ns: int | None = None


@dataclass
class _Occurrences:
    """Occurrences collected from changes of state."""

    by_key: dict[tuple[str, int], _Occurrence] = field(default_factory=dict)

    def take(self, change: StateChange) -> None:
        key = (change.alarm, change.occurrence)
        if change.now == "unacknowledged" and key not in self.by_key:
            self.by_key[key] = _Occurrence(change.alarm, change.at_ns)
        occurrence = self.by_key.get(key)
        if occurrence is None:
            return
        if change.who != "service" and occurrence.heard_ns is None and change.now != change.was:
            occurrence.heard_ns = change.at_ns
        if change.was in _OUT and change.now not in _OUT and occurrence.over_ns is None:
            occurrence.over_ns = change.at_ns


def change_of(at_ns: int, who: str, what: Mapping[str, Any]) -> StateChange | None:
    """The change in a journal entry of kind `alarm`; None where it has no state."""
    if not {"alarm", "was", "is", "occurrence"} <= what.keys():
        return None
    return StateChange(
        at_ns, str(what["alarm"]), str(what["was"]), str(what["is"]), int(what["occurrence"]), who
    )


def performance_figures(changes: Iterable[StateChange], from_ns: int, to_ns: int) -> PerformanceFigures:
    """Figures of the occurrences raised in [from, to); `changes` in order of time, later ones included."""
    collected = _Occurrences()
    for change in changes:
        collected.take(change)
    occurrences = [o for o in collected.by_key.values() if from_ns <= o.raised_ns < to_ns]
    counts = Counter(o.alarm for o in occurrences)
    waits = [(o.heard_ns - o.raised_ns) / NS for o in occurrences if o.heard_ns is not None]
    raised = sorted(o.raised_ns for o in occurrences)
    stale = {
        o.alarm for o in occurrences if (to_ns if o.over_ns is None else o.over_ns) - o.raised_ns > STALE_NS
    }
    return PerformanceFigures(
        raised=len(occurrences),
        per_day=round(len(occurrences) / max((to_ns - from_ns) / DAY_NS, 1e-9), 2),
        top=tuple(sorted(counts.items(), key=lambda item: (-item[1], item[0]))[:TOP]),
        chattering=tuple(sorted(a for a in counts if _chatters(a, occurrences))),
        stale=tuple(sorted(stale)),
        acknowledged=len(waits),
        to_acknowledge_s=median(waits) if waits else None,
        longest_to_acknowledge_s=max(waits, default=None),
        floods=_floods(raised),
    )


def _chatters(alarm: str, occurrences: Sequence[_Occurrence]) -> bool:
    return _most([o.raised_ns for o in occurrences if o.alarm == alarm], HOUR_NS) >= CHATTERS


def _most(at_ns: Sequence[int], window_ns: int) -> int:
    """The largest number within any window.

    >>> _most([0, 5, 9, 30], 10)
    3
    """
    ordered = sorted(at_ns)
    return max((sum(t <= later < t + window_ns for later in ordered) for t in ordered), default=0)


def _floods(raised: Sequence[int]) -> int:
    """How often more than 10 came within 10 min; windows that touch are one flood."""
    count, until = 0, -1
    for t in raised:
        if sum(t <= later < t + FLOOD_NS for later in raised) > FLOOD:
            count += t > until
            until = t + FLOOD_NS
    return count
