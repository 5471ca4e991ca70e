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
from .database import Database
from .journal import Journal
from .tables import decision


@dataclass(frozen=True)
class Decision:
    """Of the values `seen` at an instant of a channel `value` holds, or none of them (None)."""

    channel: str
    taken_ns: int
    value: float | None
    seen: tuple[float, ...]


class Decisions:
    """What was decided, in order."""

    def __init__(self, database: Database, journal: Journal) -> None:
        self._database = database
        self._journal = journal

    def put(self, decided: Sequence[Decision], who: str, why: str) -> None:
        """Record them in one transaction: one journal entry for each channel."""
        by_channel: dict[str, list[Decision]] = {}
        for one in decided:
            by_channel.setdefault(one.channel, []).append(one)
        with self._database.begin() as conn:
            for channel, some in by_channel.items():
                self._put(conn, channel, some, who, why)

    def _put(self, conn: Connection, channel: str, some: Sequence[Decision], who: str, why: str) -> None:
        told: list[JSON] = [
            {"taken_ns": one.taken_ns, "value": one.value, "seen": list(one.seen)} for one in some
        ]
        entry = self._journal.append("decision", who, {"channel": channel, "instants": told}, why, conn=conn)
        rows = [
            {"channel": channel, "taken_ns": d.taken_ns, "value": d.value, "seen": list(d.seen)} for d in some
        ]
        conn.execute(decision.insert(), [{"number": entry.number, **row} for row in rows])

    def of(self, channel: str, from_ns: int, to_ns: int) -> Mapping[int, Decision]:
        """Instant -> the newest decision on it, in [from, to)."""
        with self._database.read() as conn:
            return decisions_of(conn, channel, from_ns, to_ns)

    def of_several(self, channels: Sequence[str], from_ns: int, to_ns: int) -> dict[str, dict[int, Decision]]:
        """The same of those among several channels that have any."""
        c = decision.c
        asked = select(c.channel).distinct().where(c.taken_ns >= from_ns, c.taken_ns < to_ns)
        with self._database.read() as conn:
            decided = set(conn.execute(asked).scalars()) & set(channels)
            return {channel: decisions_of(conn, channel, from_ns, to_ns) for channel in decided}

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
    """The same within a transaction."""
    c = decision.c
    wanted = select(c.taken_ns, c.value, c.seen).where(
        c.channel == channel, c.taken_ns >= from_ns, c.taken_ns < to_ns
    )
    rows = conn.execute(wanted.order_by(c.id))
    return {row.taken_ns: Decision(channel, row.taken_ns, row.value, tuple(row.seen)) for row in rows}


def holding(readings: Readings, decided: Mapping[int, Decision]) -> Readings:
    """Readings without the values that a decision, which still holds, did not choose."""
    if not decided or not len(readings):
        return readings
    kept = chosen(readings.taken_ns, readings.value, decided)
    return Readings(readings.taken_ns[kept], readings.value[kept], readings.status[kept], readings.late[kept])


def chosen(taken_ns: Int, value: Float, decided: Mapping[int, Decision]) -> Bool:
    """Which readings, ascending in their stamps, no decision sets aside."""
    kept = np.ones(len(taken_ns), np.bool_)
    for at, one in decided.items():
        begin, end = np.searchsorted(taken_ns, [at, at + 1])
        kept[begin:end] = _kept(value[begin:end], one)
    return kept


def _kept(values: Float, one: Decision) -> Bool:
    valid = np.isfinite(values)
    if not set(values[valid].tolist()) <= set(one.seen):
        return np.ones(len(values), np.bool_)
    return ~valid if one.value is None else ~valid | (values == one.value)
