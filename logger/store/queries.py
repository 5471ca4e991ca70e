"""Questions about readings, answered from both tiers."""

from __future__ import annotations

from collections.abc import Sequence

import numpy as np
from sqlalchemy import Connection, Integer, func, select, type_coerce

from ..model import Row
from ..series import Float, Int, Readings, merged
from .archive import Archive
from .arrays import fetched
from .clocks import UNSURE, Clocks
from .database import Database
from .decisions import Decisions, chosen, holding
from .hot import Hot
from .names import Names
from .rows import Columns, joined, ordered
from .seals import SealedChannel, hidden, last_sealed_arrival, sealed_channel
from .tables import reading, seal_channel

KINDS = (np.int64, np.int64, np.float64, np.uint8, np.bool_)


class Queries:
    """Reading back. Every answer is of one instant: hot rows and seals of the same snapshot."""

    def __init__(
        self, database: Database, names: Names, hot: Hot, archive: Archive, known: tuple[Clocks, Decisions]
    ) -> None:
        """`known`: what people recorded since that readings are read by."""
        self._database = database
        self._names = names
        self._hot = hot
        self._archive = archive
        self._clocks, self._decisions = known

    def readings(self, channel: str, from_ns: int, to_ns: int) -> Readings:
        """Readings of a channel in [from, to) at their true instants, ascending."""
        number = self._names.number("channel", channel)
        if number is None:
            return Readings.empty()
        moved = self._clocks.readings(
            channel, from_ns, to_ns, lambda a, b: self._held(channel, self._columns(channel, number, a, b))
        )
        if moved is not None:
            return moved
        whole = self.stamped(channel, from_ns, to_ns)
        return holding(whole, self._decisions.of(channel, from_ns, to_ns))

    def _held(self, channel: str, rows: Columns) -> Columns:
        if not len(rows):
            return rows
        decided = self._decisions.of(channel, int(rows.taken_ns[0]), int(rows.taken_ns[-1]) + 1)
        return rows.part(chosen(rows.taken_ns, rows.value, decided)) if decided else rows

    def stamped(self, channel: str, from_ns: int, to_ns: int) -> Readings:
        """All readings of a channel by their stamps in [from, to), whatever was decided, ascending."""
        number = self._names.number("channel", channel)
        if number is None:
            return Readings.empty()
        with self._database.read() as conn:
            seals = sealed_channel(conn, number, from_ns, to_ns)
            parts = [_hot_part(conn, number, from_ns, to_ns, seals)]
        met = [one for one in seals if one.first_ns < to_ns and one.last_ns >= from_ns]
        parts += [self._sealed_part(one.file, channel, from_ns, to_ns) for one in met]
        whole = merged([part for part in parts if len(part)])
        if np.any(np.diff(whole.taken_ns) == 0):
            return self._ordered(channel, number, from_ns, to_ns)
        return whole

    def columns(self, channel: str, from_ns: int, to_ns: int) -> Columns:
        """Everything that is stored of a channel in [from, to), ascending in (taken, writer, seq)."""
        return self._columns(channel, self._names.number("channel", channel) or 0, from_ns, to_ns)

    def existing(self, channel: str, from_ns: int, to_ns: int) -> tuple[Int, Float]:
        """Stamps and values of the readings that have a value, ascending; for finding duplicates."""
        found = self.stamped(channel, from_ns, to_ns)
        valid = np.isfinite(found.value)
        return found.taken_ns[valid], found.value[valid]

    def newest(self, ok: bool = False) -> dict[str, Row]:
        """Per channel the reading taken last; with `ok`, the last that has a value."""
        with self._database.read() as conn:
            found = {channel: self._newest(conn, channel, ok) for channel in self._names.known("channel")}
        return {channel: row for channel, row in found.items() if row is not None}

    def newest_ns(self) -> int | None:
        """The instant of the reading taken last; no file is opened for it."""
        with self._database.read() as conn:
            ends = [
                conn.execute(select(func.max(c))).scalar()
                for c in (reading.c.taken_ns, seal_channel.c.last_ns)
            ]
        return max((at for at in ends if at is not None), default=None)

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
            wanted = (
                select(reading.c.arrival)
                .where(reading.c.arrival > cursor)
                .order_by(reading.c.arrival)
                .limit(limit)
            )
            last = max(conn.execute(wanted).scalars(), default=cursor)
            columns = self._hot.select(conn, reading.c.arrival > cursor, reading.c.arrival <= last)
        return list(zip(columns.arrival.tolist(), columns.rows(), strict=True)), last

    def changed_since(self, cursor: int) -> tuple[dict[str, int], int]:
        """Channel -> earliest instant among the rows that arrived after the cursor; and the end."""
        hot = select(reading.c.channel, func.min(reading.c.taken_ns)).where(reading.c.arrival > cursor)
        sealed = select(seal_channel.c.channel, func.min(seal_channel.c.first_ns))
        sealed = sealed.where(seal_channel.c.last_arrival > cursor)
        with self._database.read() as conn:
            rows = [
                *conn.execute(hot.group_by(reading.c.channel)),
                *conn.execute(sealed.group_by(seal_channel.c.channel)),
            ]
            texts = self._names.texts((number for number, _ in rows), conn)
            end = max(cursor, _end(conn))
        earliest: dict[str, int] = {}
        for number, first_ns in rows:
            earliest[texts[number]] = min(first_ns, earliest.get(texts[number], first_ns))
        for channel, first_ns in self._clocks.changed_since(cursor, self._names.known("channel")).items():
            earliest[channel] = min(first_ns, earliest.get(channel, first_ns))
        return earliest, end

    def _sealed_part(self, file: str, channel: str, from_ns: int, to_ns: int) -> Readings:
        with self._archive.open(file) as reader:
            taken_ns, value, status, late = reader.shown(channel)
        a, b = np.searchsorted(taken_ns, [from_ns, to_ns])
        return Readings(taken_ns[a:b], value[a:b], status[a:b], late[a:b])

    def _ordered(self, channel: str, number: int, from_ns: int, to_ns: int) -> Readings:
        """The same with what orders equal instants, which is seldom needed and slower to read."""
        rows = self._columns(channel, number, from_ns, to_ns)
        return Readings(rows.taken_ns, rows.value, rows.status, rows.late)

    def _columns(self, channel: str, number: int, from_ns: int, to_ns: int) -> Columns:
        within = (reading.c.channel == number, reading.c.taken_ns >= from_ns, reading.c.taken_ns < to_ns)
        with self._database.read() as conn:
            seals = sealed_channel(conn, number, from_ns, to_ns)
            rows = self._hot.select(conn, *within)
        parts = [rows.part(~hidden(rows.taken_ns, rows.arrival, seals))]
        for one in seals:
            with self._archive.open(one.file) as reader:
                parts.append(reader.columns(reader.groups().get(channel, [])))
        rows = ordered(joined(parts))
        return rows.part((rows.taken_ns >= from_ns) & (rows.taken_ns < to_ns))

    def _newest(self, conn: Connection, channel: str, ok: bool) -> Row | None:
        number = self._names.number("channel", channel)
        where = [reading.c.channel == number, *([reading.c.status == 0] if ok else [])]
        if (unsure := self._names.number("source", UNSURE)) is not None:
            where.append(reading.c.source != unsure)  # it may well be dated in the future
        last = select(reading.c.arrival, reading.c.taken_ns).where(*where)
        hot = conn.execute(
            last.order_by(reading.c.taken_ns.desc(), reading.c.arrival.desc()).limit(1)
        ).first()
        seals = sealed_channel(conn, number) if number is not None else []
        known = [(at, one.file) for one in seals if (at := one.last_ok_ns if ok else one.last_ns) is not None]
        if known and (hot is None or max(known)[0] > hot.taken_ns):
            return self._sealed_row(channel, *max(known), ok)
        return None if hot is None else self._hot.select(conn, reading.c.arrival == hot.arrival).row(0)

    def _sealed_row(self, channel: str, at_ns: int, file: str, ok: bool) -> Row:
        with self._archive.open(file) as reader:
            rows = reader.columns(reader.groups()[channel])
        wanted = (rows.taken_ns == at_ns) & (np.isfinite(rows.value) | (not ok))
        return rows.row(int(np.flatnonzero(wanted)[-1]))

    def _extent(self, conn: Connection, channel: str) -> tuple[int, int] | None:
        number = self._names.number("channel", channel)
        if number is None:
            return None
        taken = select(reading.c.taken_ns).where(reading.c.channel == number, reading.c.status == 0).limit(1)
        ends = [
            conn.execute(taken.order_by(order)).scalar()
            for order in (reading.c.taken_ns, reading.c.taken_ns.desc())
        ]
        seals = sealed_channel(conn, number)
        known = [
            at
            for at in ends + [at for one in seals for at in (one.first_ok_ns, one.last_ok_ns)]
            if at is not None
        ]
        return (min(known), max(known)) if known else None


def _hot_part(
    conn: Connection, channel: int, from_ns: int, to_ns: int, seals: Sequence[SealedChannel]
) -> Readings:
    """Hot rows that no seal covers, ascending in the instant taken."""
    c = reading.c
    wanted = (
        select(c.arrival, c.taken_ns, c.value, c.status, type_coerce(c.late, Integer))
        .where(c.channel == channel, c.taken_ns >= from_ns, c.taken_ns < to_ns)
        .order_by(c.taken_ns, c.arrival)
    )
    arrival, taken_ns, *shown = fetched(conn, wanted, KINDS)
    kept = ~hidden(taken_ns, arrival, seals)
    return Readings(taken_ns[kept], *(column[kept] for column in shown))


def _end(conn: Connection) -> int:
    """The newest cursor: readings that were sealed and deleted since still count."""
    hot = conn.execute(select(func.max(reading.c.arrival))).scalar() or 0
    return max(hot, last_sealed_arrival(conn))
