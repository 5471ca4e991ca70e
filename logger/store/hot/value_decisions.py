"""Which of several values for one instant holds, by a recorded act of a person.

A decision names the values that were seen. It holds as long as no other value came for that instant: a
third one makes the instant undecided again. Nothing is changed in the readings; what was not chosen is
left out when they are read back for judging.
"""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from dataclasses import dataclass

import numpy as np
from sqlalchemy import Connection, func, select

from ...series import Bool, Float, Int, Readings
from ..types import JSON
from .home import Home
from .journal import Journal
from .tables import decision


@dataclass(frozen=True)
class Decision:
    """Of the values `seen` at an instant of a channel `value` holds, or none of them (None)."""

    channel: str
    taken_ns: int
    value: float | None
    seen: tuple[float, ...]


class ValueDecisions:
    """What was decided, in order."""

    def __init__(self, database: Home, journal: Journal) -> None:
        self._database = database
        self._journal = journal

    def put(self, decisions: Sequence[Decision], who: str, why: str) -> None:
        """Record them in one transaction: one journal entry for each channel."""
        by_channel: dict[str, list[Decision]] = {}
        for choice in decisions:
            by_channel.setdefault(choice.channel, []).append(choice)
        with self._database.begin() as conn:
            for channel, group in by_channel.items():
                self._put(conn, channel, group, who, why)

    def _put(self, conn: Connection, channel: str, decisions: Sequence[Decision], who: str, why: str) -> None:
        instants: list[JSON] = [
            {"taken_ns": choice.taken_ns, "value": choice.value, "seen": list(choice.seen)}
            for choice in decisions
        ]
        entry = self._journal.append(
            "decision", who, {"channel": channel, "instants": instants}, why, conn=conn
        )
        rows = [
            {"channel": channel, "taken_ns": d.taken_ns, "value": d.value, "seen": list(d.seen)}
            for d in decisions
        ]
        conn.execute(decision.insert(), [{"number": entry.number, **row} for row in rows])

    def of(self, channel: str, from_ns: int, to_ns: int) -> Mapping[int, Decision]:
        """Instant -> the newest decision on it, in [from, to)."""
        with self._database.read() as conn:
            return decisions_of(conn, channel, from_ns, to_ns)

    def of_channels(
        self, channels: Sequence[str], from_ns: int, to_ns: int
    ) -> dict[str, dict[int, Decision]]:
        """Channel -> instant -> newest decision in [from, to), for the channels that have any."""
        c = decision.c
        query = select(c.channel).distinct().where(c.taken_ns >= from_ns, c.taken_ns < to_ns)
        with self._database.read() as conn:
            with_decisions = set(conn.execute(query).scalars()) & set(channels)
            return {channel: decisions_of(conn, channel, from_ns, to_ns) for channel in with_decisions}

    def since(self, newest: int) -> dict[str, int]:
        """Channel -> earliest instant among the decisions made after that one."""
        earliest = select(decision.c.channel, func.min(decision.c.taken_ns)).where(decision.c.id > newest)
        with self._database.read() as conn:
            return {row[0]: row[1] for row in conn.execute(earliest.group_by(decision.c.channel))}

    def newest(self) -> int:
        """What `since` must be asked with to hear of what is decided from now on."""
        with self._database.read() as conn:
            return conn.execute(select(func.max(decision.c.id))).scalar() or 0


def decisions_of(conn: Connection, channel: str, from_ns: int, to_ns: int) -> dict[int, Decision]:
    """Instant -> the newest decision on it, in [from, to), within the caller's transaction."""
    c = decision.c
    query = select(c.taken_ns, c.value, c.seen).where(
        c.channel == channel, c.taken_ns >= from_ns, c.taken_ns < to_ns
    )
    rows = conn.execute(query.order_by(c.id))
    return {row.taken_ns: Decision(channel, row.taken_ns, row.value, tuple(row.seen)) for row in rows}


def apply_decisions(readings: Readings, decisions: Mapping[int, Decision]) -> Readings:
    """Readings without the values that a decision, which still holds, did not choose."""
    if not decisions or not len(readings):
        return readings
    mask = decided_mask(readings.taken_ns, readings.value, decisions)
    return Readings(readings.taken_ns[mask], readings.value[mask], readings.status[mask], readings.late[mask])


def decided_mask(taken_ns: Int, value: Float, decisions: Mapping[int, Decision]) -> Bool:
    """Which readings, ascending in their stamps, no decision sets aside."""
    mask = np.ones(len(taken_ns), np.bool_)
    for at, choice in decisions.items():
        begin, end = np.searchsorted(taken_ns, [at, at + 1])
        mask[begin:end] = _keep_mask(value[begin:end], choice)
    return mask


def _keep_mask(values: Float, choice: Decision) -> Bool:
    valid = np.isfinite(values)
    if not set(values[valid].tolist()) <= set(choice.seen):
        return np.ones(len(values), np.bool_)
    return ~valid if choice.value is None else ~valid | (values == choice.value)
