"""Questions about readings, answered from both tiers."""

from __future__ import annotations

from collections.abc import Iterable, Sequence

import numpy as np
from sqlalchemy import Connection, func, select

from ..model import Row
from ..series import Float, Int, Readings
from .database import Database
from .hot import Hot
from .names import Names
from .tables import reading


class Queries:
    """Reading back. Every answer is of one instant: hot rows and seals of the same snapshot."""

    def __init__(self, database: Database, names: Names, hot: Hot) -> None:
        self._database = database
        self._names = names
        self._hot = hot

    def readings(self, channel: str, from_ns: int, to_ns: int) -> Readings:
        """Readings of a channel in [from, to), ascending in (taken, writer, seq)."""
        number = self._names.number("channel", channel)
        if number is None:
            return Readings.empty()
        with self._database.read() as conn:
            columns = self._hot.select(
                conn, reading.c.channel == number, reading.c.taken_ns >= from_ns, reading.c.taken_ns < to_ns
            )
        order = np.lexsort((columns.seq, columns.writer.ranks(), columns.taken_ns))
        return Readings(columns.taken_ns[order], columns.value[order], columns.status[order], columns.late[order])

    def existing(self, channel: str, from_ns: int, to_ns: int) -> tuple[Int, Float]:
        """Instants and values of the readings that have a value, ascending; for finding duplicates."""
        found = self.readings(channel, from_ns, to_ns)
        valid = np.isfinite(found.value)
        return found.taken_ns[valid], found.value[valid]

    def newest(self, ok: bool = False) -> dict[str, Row]:
        """Per channel the reading taken last; with `ok`, the last that has a value."""
        with self._database.read() as conn:
            found = {channel: self._newest(conn, channel, ok) for channel in self._names.known("channel")}
        return {channel: row for channel, row in found.items() if row is not None}

    def extent(self, channels: Sequence[str] | None = None) -> tuple[int, int] | None:
        """First and last instant that has a value, over these channels or all."""
        with self._database.read() as conn:
            spans = [self._extent(conn, channel) for channel in channels or self._names.known("channel")]
        found = [span for span in spans if span is not None]
        return (min(first for first, _ in found), max(last for _, last in found)) if found else None

    def arrived_after(self, cursor: int, limit: int = 5000) -> tuple[list[tuple[int, Row]], int]:
        """Rows that arrived after the cursor, and the cursor after them; −1 asks where the end is."""
        with self._database.read() as conn:
            if cursor < 0:
                return [], _end(conn)
            wanted = select(reading.c.arrival).where(reading.c.arrival > cursor).order_by(reading.c.arrival).limit(limit)
            last = max(conn.execute(wanted).scalars(), default=cursor)
            columns = self._hot.select(conn, reading.c.arrival > cursor, reading.c.arrival <= last)
        return list(zip(columns.arrival.tolist(), columns.rows(), strict=True)), last

    def changed_since(self, cursor: int) -> tuple[dict[str, int], int]:
        """Channel -> earliest instant among the rows that arrived after the cursor; and the end."""
        earliest = (
            select(reading.c.channel, func.min(reading.c.taken_ns).label("first_ns"))
            .where(reading.c.arrival > cursor)
            .group_by(reading.c.channel)
        )
        with self._database.read() as conn:
            rows = [(row.channel, row.first_ns) for row in conn.execute(earliest)]
            texts = self._names.texts((number for number, _ in rows), conn)
            return {texts[number]: first for number, first in rows}, max(cursor, _end(conn))

    def _newest(self, conn: Connection, channel: str, ok: bool) -> Row | None:
        where = [reading.c.channel == self._names.number("channel", channel)]
        if ok:
            where.append(reading.c.status == 0)
        last = select(reading.c.arrival).where(*where).order_by(reading.c.taken_ns.desc(), reading.c.arrival.desc())
        arrival = conn.execute(last.limit(1)).scalar()
        return None if arrival is None else self._hot.select(conn, reading.c.arrival == arrival).row(0)

    def _extent(self, conn: Connection, channel: str) -> tuple[int, int] | None:
        where = (reading.c.channel == self._names.number("channel", channel), reading.c.status == 0)
        taken = select(reading.c.taken_ns).where(*where).limit(1)
        first = conn.execute(taken.order_by(reading.c.taken_ns)).scalar()
        last = conn.execute(taken.order_by(reading.c.taken_ns.desc())).scalar()
        return None if first is None or last is None else (first, last)


def _end(conn: Connection) -> int:
    return max(_scalars(conn), default=0)


def _scalars(conn: Connection) -> Iterable[int]:
    hot = conn.execute(select(func.max(reading.c.arrival))).scalar()
    return [hot] if hot is not None else []
