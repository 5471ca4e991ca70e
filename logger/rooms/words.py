"""What is said of a room among many: one line, the worst in it first."""

from __future__ import annotations

from zoneinfo import ZoneInfo

from ..instants import NS, local
from .sightings import RoomState

DAY_NS = 86_400 * NS
_VERDICTS = ("not stable", "not shown", "stable")


def state_words(state: RoomState, now_ns: int) -> str:
    """The state of a room in words.

    >>> state_words(RoomState("a", "A", "", "", "silent", "", "not shown", at_ns=60 * NS), 600 * NS)
    'not shown: nothing heard since 00:01'
    """
    if state.trouble == "silent":
        why = state.why or f"nothing heard since {clock(state.at_ns, now_ns, state.timezone)}"
        return f"not shown: {why[:1].lower()}{why[1:]}"
    if state.trouble:
        return f"not shown: {state.why[:1].lower()}{state.why[1:]}"
    names = {v: [str(z["name"]) for z in state.zones if z["verdict"] == v] for v in _VERDICTS}
    if not names["not stable"] and not names["not shown"]:
        return "stable"
    return "; ".join(f"{', '.join(zones)}: {verdict}" for verdict, zones in names.items() if zones)


def clock_words(state: RoomState) -> str:
    """By how much the clock of a room differs from this one, where it does; else nothing.

    >>> clock_words(RoomState("a", "A", "", "", "", "", "stable", clock_ahead_s=-120.0))
    'its clock is 120 s behind this one'
    """
    if not state.clock_ahead_s:
        return ""
    way = "ahead of" if state.clock_ahead_s > 0 else "behind"
    return f"its clock is {abs(state.clock_ahead_s):.0f} s {way} this one"


def clock(at_ns: int | None, now_ns: int, timezone: str) -> str:
    """An instant by the clock of the room, with the day where that is not today."""
    if at_ns is None:
        return "it was added"
    zone = ZoneInfo(timezone)
    at, now = local(at_ns, zone), local(now_ns, zone)
    return f"{at:%H:%M}" if at.date() == now.date() else f"{at:%Y-%m-%d %H:%M}"
