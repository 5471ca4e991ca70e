"""Questions about readings, answered from both tiers."""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from typing import Any

import numpy as np
from sqlalchemy import Connection, Integer, func, select, type_coerce

from ..model import Row
from ..series import Readings, merge_readings
from .archive.archive import Archive
from .hot.arrays import fetched
from .hot.clocks import OURS, UNSURE, Clocks
from .hot.database import Database
from .hot.name_table import Names
from .hot.readings import Hot
from .hot.seals import SealedChannel, hidden, last_sealed_arrival, sealed_channel, sealed_channels
from .hot.tables import name, reading, seal_channel
from .hot.value_decisions import Decisions, chosen, holding
from .rows import Columns, joined, ordered

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
        return self.readings_of([channel], from_ns, to_ns)[channel]

    def readings_of(self, channels: Sequence[str], from_ns: int, to_ns: int) -> dict[str, Readings]:
        """The same of several channels: one question to the hot tier, and each file opened once."""
        moved = {c: self._moved(c, from_ns, to_ns) for c in self._clocks.moving(channels)}
        plain = [channel for channel in channels if moved.get(channel) is None]
        decided = self._decisions.of_several(plain, from_ns, to_ns)
        whole = self._stamped(plain, from_ns, to_ns)
        found = {c: holding(whole[c], decided.get(c, {})) for c in plain}
        return found | {channel: some for channel, some in moved.items() if some is not None}

    def _moved(self, channel: str, from_ns: int, to_ns: int) -> Readings | None:
        number = self._names.number("channel", channel)
        if number is None:
            return None
        return self._clocks.readings(
            channel, from_ns, to_ns, lambda a, b: self._held(channel, self._columns(channel, number, a, b))
        )

    def _held(self, channel: str, rows: Columns) -> Columns:
        if not len(rows):
            return rows
        decided = self._decisions.of(channel, int(rows.taken_ns[0]), int(rows.taken_ns[-1]) + 1)
        return rows.part(chosen(rows.taken_ns, rows.value, decided)) if decided else rows

    def stamped(self, channel: str, from_ns: int, to_ns: int) -> Readings:
        """All readings of a channel by their stamps in [from, to), whatever was decided, ascending."""
        return self._stamped([channel], from_ns, to_ns)[channel]

    def _stamped(self, channels: Sequence[str], from_ns: int, to_ns: int) -> dict[str, Readings]:
        numbers = {c: number for c in channels if (number := self._names.number("channel", c)) is not None}
        with self._database.read() as conn:
            seals = sealed_channels(conn, list(numbers.values()), from_ns, to_ns)
            hot = _hot_parts(conn, numbers, from_ns, to_ns, seals)
        sealed = self._sealed_parts(numbers, seals, from_ns, to_ns)
        found = {
            c: merge_readings([hot[c], *sealed[c]]) if c in numbers else Readings.empty() for c in channels
        }
        return {
            c: self._ordered(c, numbers[c], from_ns, to_ns) if np.any(np.diff(some.taken_ns) == 0) else some
            for c, some in found.items()
        }

    def _sealed_parts(
        self, numbers: Mapping[str, int], seals: Mapping[int, list[SealedChannel]], from_ns: int, to_ns: int
    ) -> dict[str, list[Readings]]:
        """By channel what sealed files hold of it in [from, to), in the order of the seals."""
        parts: dict[str, list[Readings]] = {channel: [] for channel in numbers}
        wanted: dict[str, list[str]] = {}
        for channel, number in numbers.items():
            for one in seals.get(number, ()):
                if one.first_ns < to_ns and one.last_ns >= from_ns:
                    wanted.setdefault(one.file, []).append(channel)
        for file, channels in wanted.items():
            with self._archive.open(file) as reader:
                for channel in channels:
                    parts[channel].append(_within(reader.shown(channel), from_ns, to_ns))
        return parts

    def fresh(
        self, cursor: int, channels: Sequence[str], most: int
    ) -> tuple[dict[str, Readings], int] | None:
        """By channel what arrived after the cursor, ascending in the instant taken; and the new cursor.

        None where that is more than `most` rows, was sealed already, or where stamps have to be moved.
        """
        c = reading.c
        fields = c.arrival, c.taken_ns, c.value, c.status, type_coerce(c.late, Integer), c.channel, c.source
        wanted = select(*fields).where(c.arrival > cursor).order_by(c.taken_ns, c.arrival).limit(most + 1)
        with self._database.read() as conn:
            if last_sealed_arrival(conn) > cursor:
                return None
            arrival, *shown, of, source = fetched(conn, wanted, (*KINDS, np.int64, np.int64))
            texts = self._names.texts({*of.tolist(), *source.tolist()}, conn)
        sources = {texts[number] for number in set(source.tolist())}
        ours = sources <= OURS - {UNSURE}
        if len(arrival) > most or self._clocks.changed_since(cursor, channels):
            return None
        if not ours and (UNSURE in sources or self._clocks.moving(channels)):
            return None
        numbers = {texts[number]: number for number in set(of.tolist())}
        found = {ch: Readings(*(x[of == number] for x in shown)) for ch, number in numbers.items()}
        return found, int(arrival.max(initial=cursor))

    def columns(self, channel: str, from_ns: int, to_ns: int) -> Columns:
        """Everything that is stored of a channel in [from, to), ascending in (taken, writer, seq)."""
        return self._columns(channel, self._names.number("channel", channel) or 0, from_ns, to_ns)

    def newest(self, ok: bool = False) -> dict[str, Row]:
        """Per channel the reading taken last; with `ok`, the last that has a value."""
        numbers = {self._names.number("channel", c): c for c in self._names.known("channel")}
        known = {number: channel for number, channel in numbers.items() if number is not None}
        with self._database.read() as conn:
            hot = _newest_hot(conn, ok, self._names.number("source", UNSURE))
            seals = sealed_channels(conn, list(known))
            ends = {number: _newest_sealed(seals.get(number, ()), ok) for number in known}
            rows = self._hot.select(conn, reading.c.arrival.in_([arrival for arrival, _ in hot.values()]))
        found = {row.channel: row for row in rows.rows()}
        for number, channel in known.items():
            end, taken = ends[number], hot.get(number, (0, None))[1]
            if end is not None and (taken is None or end[0] > taken):
                found[channel] = self._sealed_row(channel, *end, ok)
        return {channel: found[channel] for channel in known.values() if channel in found}

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
        every = self._names.known("channel") if channels is None else channels
        moving = self._clocks.moving(every)
        with self._database.read() as conn:
            spans = [self._extent(conn, channel) for channel in every if channel not in moving]
        spans += [self._moved_extent(channel) for channel in moving]
        found = [span for span in spans if span is not None]
        return (min(first for first, _ in found), max(last for _, last in found)) if found else None

    def _moved_extent(self, channel: str) -> tuple[int, int] | None:
        """The same of a channel whose stamps may not stand as they are: read, and moved, near both ends."""
        with self._database.read() as conn:
            stamps = self._extent(conn, channel)
        if stamps is None:
            return None
        reach_ns = self._clocks.reach_ns(channel)
        parts = [self.readings(channel, at - reach_ns, at + reach_ns + 1) for at in stamps]
        taken = [some.taken_ns[np.isfinite(some.value)] for some in parts]
        return (int(taken[0][0]), int(taken[-1][-1])) if len(taken[0]) and len(taken[-1]) else None

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


def _hot_parts(
    conn: Connection,
    numbers: Mapping[str, int],
    from_ns: int,
    to_ns: int,
    seals: Mapping[int, list[SealedChannel]],
) -> dict[str, Readings]:
    """Hot rows of several channels that no seal covers, ascending in the instant taken."""
    c = reading.c
    wanted = (
        select(c.arrival, c.taken_ns, c.value, c.status, type_coerce(c.late, Integer), c.channel)
        .where(c.channel.in_(numbers.values()), c.taken_ns >= from_ns, c.taken_ns < to_ns)
        .order_by(c.channel, c.taken_ns, c.arrival)
    )
    arrival, *shown, of = fetched(conn, wanted, (*KINDS, np.int64))
    parts = {}
    for channel, number in numbers.items():
        a, b = np.searchsorted(of, [number, number + 1])
        kept = ~hidden(shown[0][a:b], arrival[a:b], seals.get(number, ()))
        parts[channel] = Readings(*(column[a:b][kept] for column in shown))
    return parts


def _within(shown: Sequence[Any], from_ns: int, to_ns: int) -> Readings:
    """Of columns that begin with the instants taken, ascending, those in [from, to)."""
    a, b = np.searchsorted(shown[0], [from_ns, to_ns])
    return Readings(*(column[a:b] for column in shown))


def _newest_hot(conn: Connection, ok: bool, unsure: int | None) -> dict[int, tuple[int, int]]:
    """By channel number arrival and instant of the hot reading taken last: one step in the index each."""
    c = reading.c
    names = select(name.c.id).where(name.c.kind == "channel").subquery()
    of = select(c.arrival).where(c.channel == names.c.id, *([c.status == 0] if ok else []))
    if unsure is not None:
        of = of.where(c.source != unsure)  # it may well be dated in the future
    last = of.order_by(c.taken_ns.desc(), c.arrival.desc()).limit(1).correlate(names).scalar_subquery()
    arrivals = [at for _, at in conn.execute(select(names.c.id, last)) if at is not None]
    rows = conn.execute(select(c.channel, c.arrival, c.taken_ns).where(c.arrival.in_(arrivals)))
    return {channel: (arrival, taken_ns) for channel, arrival, taken_ns in rows}


def _newest_sealed(seals: Sequence[SealedChannel], ok: bool) -> tuple[int, str] | None:
    """The instant of the reading taken last in sealed files, and its file."""
    known = [(at, one.file) for one in seals if (at := one.last_ok_ns if ok else one.last_ns) is not None]
    return max(known, default=None)


def _end(conn: Connection) -> int:
    """The newest cursor: readings that were sealed and deleted since still count."""
    hot = conn.execute(select(func.max(reading.c.arrival))).scalar() or 0
    return max(hot, last_sealed_arrival(conn))
