"""Questions about readings, answered from both tiers."""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from typing import Any

import numpy as np
from sqlalchemy import Connection, Integer, func, select, type_coerce

from ..errors import ArchiveAway
from ..model import Row
from ..series import Readings, merge_readings
from .archive.archive import Archive
from .hot.arrays import fetch_arrays
from .hot.clocks import OURS, UNSURE, Clocks
from .hot.home import Home
from .hot.name_table import NameTable
from .hot.readings import HotTier
from .hot.seals import SealedChannel, last_sealed_arrival, sealed_channel, sealed_channels, under_seal
from .hot.tables import name, reading, seal_channel
from .hot.value_decisions import ValueDecisions, apply_decisions, decided_mask
from .rows import Columns, join_columns, sort_columns

KINDS = (np.int64, np.int64, np.float64, np.uint8, np.bool_)


class ReadingQueries:
    """Reading back. Every answer is of one instant: hot rows and seals of the same snapshot."""

    def __init__(
        self,
        database: Home,
        names: NameTable,
        hot: HotTier,
        archive: Archive,
        corrections: tuple[Clocks, ValueDecisions],
    ) -> None:
        """`corrections`: what people recorded since about clocks and about values of one stamp."""
        self._database = database
        self._names = names
        self._hot = hot
        self._archive = archive
        self._clocks, self._decisions = corrections

    def channels(self) -> list[str]:
        """Every channel that ever had a reading, sorted."""
        return list(self._names.all_texts("channel"))

    def read(self, channel: str, from_ns: int, to_ns: int) -> Readings:
        """Readings of a channel in [from, to), ascending in (taken, writer, seq), at their true instants.

        That is where they were stamped, corrected where `Clocks` has an entry for the clock that did it.
        Where a person decided which of several values of one stamp holds, that one alone.
        """
        return self.read_channels([channel], from_ns, to_ns)[channel]

    def read_channels(self, channels: Sequence[str], from_ns: int, to_ns: int) -> dict[str, Readings]:
        """Readings by channel: one query of the hot tier, and each file opened once; empty without any."""
        corrected = {
            c: self._corrected_readings(c, from_ns, to_ns) for c in self._clocks.channels_to_correct(channels)
        }
        plain = [channel for channel in channels if corrected.get(channel) is None]
        decisions = self._decisions.of_channels(plain, from_ns, to_ns)
        stamped = self._stamped_readings(plain, from_ns, to_ns)
        readings = {c: apply_decisions(stamped[c], decisions.get(c, {})) for c in plain}
        return readings | {channel: series for channel, series in corrected.items() if series is not None}

    def _corrected_readings(self, channel: str, from_ns: int, to_ns: int) -> Readings | None:
        number = self._names.number("channel", channel)
        if number is None:
            return None
        return self._clocks.readings(
            channel,
            from_ns,
            to_ns,
            lambda a, b: self._decided_rows(channel, self._columns(channel, number, a, b)),
        )

    def _decided_rows(self, channel: str, rows: Columns) -> Columns:
        if not len(rows):
            return rows
        decisions = self._decisions.of(channel, int(rows.taken_ns[0]), int(rows.taken_ns[-1]) + 1)
        return rows.part(decided_mask(rows.taken_ns, rows.value, decisions)) if decisions else rows

    def read_stamped(self, channel: str, from_ns: int, to_ns: int) -> Readings:
        """All readings of a channel by their stamps in [from, to), whatever was decided, ascending."""
        return self._stamped_readings([channel], from_ns, to_ns)[channel]

    def _stamped_readings(self, channels: Sequence[str], from_ns: int, to_ns: int) -> dict[str, Readings]:
        numbers = {c: number for c in channels if (number := self._names.number("channel", c)) is not None}
        with self._database.read() as conn:
            seals = sealed_channels(conn, list(numbers.values()), from_ns, to_ns)
            hot = _hot_parts(conn, numbers, from_ns, to_ns, seals)
        sealed = self._sealed_parts(numbers, seals, from_ns, to_ns)
        readings = {
            c: merge_readings([hot[c], *sealed[c]]) if c in numbers else Readings.empty() for c in channels
        }
        return {
            c: self._readings_in_order(c, numbers[c], from_ns, to_ns)
            if (series.taken_ns[1:] == series.taken_ns[:-1]).any()
            else series
            for c, series in readings.items()
        }

    def _sealed_parts(
        self, numbers: Mapping[str, int], seals: Mapping[int, list[SealedChannel]], from_ns: int, to_ns: int
    ) -> dict[str, list[Readings]]:
        """By channel what sealed files hold of it in [from, to), in the order of the seals."""
        parts: dict[str, list[Readings]] = {channel: [] for channel in numbers}
        channels_by_file: dict[str, list[str]] = {}
        for channel, number in numbers.items():
            for seal in seals.get(number, ()):
                if seal.first_ns < to_ns and seal.last_ns >= from_ns:
                    channels_by_file.setdefault(seal.file, []).append(channel)
        for file, channels in channels_by_file.items():
            with self._archive.open(file) as reader:
                for channel in channels:
                    parts[channel].append(_slice_between(reader.series(channel), from_ns, to_ns))
        return parts

    def read_new(
        self, cursor: int, channels: Sequence[str], most: int = 5000
    ) -> tuple[dict[str, Readings], int] | None:
        """By channel what arrived after the cursor, ascending in the instant taken; and the new cursor.

        None where that is more than `most` rows, was sealed already, or where stamps have to be moved.
        """
        c = reading.c
        fields = c.arrival, c.taken_ns, c.value, c.status, type_coerce(c.late, Integer), c.channel, c.source
        query = select(*fields).where(c.arrival > cursor).order_by(c.taken_ns, c.arrival).limit(most + 1)
        with self._database.read() as conn:
            if last_sealed_arrival(conn) > cursor:
                return None
            arrival, *columns, of, source = fetch_arrays(conn, query, (*KINDS, np.int64, np.int64))
            texts = self._names.texts({*of.tolist(), *source.tolist()}, conn)
        sources = {texts[number] for number in set(source.tolist())}
        ours = sources <= OURS - {UNSURE}
        if len(arrival) > most or self._clocks.changed_since(cursor, channels):
            return None
        if not ours and (UNSURE in sources or self._clocks.channels_to_correct(channels)):
            return None
        numbers = {texts[number]: number for number in set(of.tolist())}
        readings = {ch: Readings(*(x[of == number] for x in columns)) for ch, number in numbers.items()}
        return readings, int(arrival.max(initial=cursor))

    def columns(self, channel: str, from_ns: int, to_ns: int) -> Columns:
        """Everything that is stored of a channel in [from, to), ascending in (taken, writer, seq)."""
        return self._columns(channel, self._names.number("channel", channel) or 0, from_ns, to_ns)

    def newest_taken(self, ok: bool = False) -> dict[str, int]:
        """Per channel when its last reading was taken; with `ok`, the last that has a value.

        No file is opened for it: it is known while the place of the sealed files is away.
        """
        numbers = self._channels_by_number()
        with self._database.read() as conn:
            hot = _newest_hot(conn, ok, self._names.number("source", UNSURE))
            seals = sealed_channels(conn, list(numbers))
        ends = {number: _newest_sealed(seals.get(number, ()), ok) for number in numbers}
        instants = {number: [hot[number][1]] if number in hot else [] for number in numbers}
        for number, end in ends.items():
            instants[number] += [] if end is None else [end[0]]
        return {channel: max(instants[number]) for number, channel in numbers.items() if instants[number]}

    def _channels_by_number(self) -> dict[int, str]:
        numbers = {self._names.number("channel", c): c for c in self._names.all_texts("channel")}
        return {number: channel for number, channel in numbers.items() if number is not None}

    def newest(self, ok: bool = False, since_ns: int = 0) -> dict[str, Row]:
        """Per channel the reading taken last, not before `since_ns`; with `ok`, the last that has a value.

        One that lies in a sealed file whose place is away just now comes with its instant and without value.
        """
        channels_by_number = self._channels_by_number()
        with self._database.read() as conn:
            hot = _newest_hot(conn, ok, self._names.number("source", UNSURE))
            seals = sealed_channels(conn, list(channels_by_number))
            ends = {number: _newest_sealed(seals.get(number, ()), ok) for number in channels_by_number}
            rows = self._hot.select(conn, reading.c.arrival.in_([arrival for arrival, _ in hot.values()]))
        newest = {row.channel: row for row in rows.rows() if row.taken_ns >= since_ns}
        for number, channel in channels_by_number.items():
            end, newest_hot_ns = ends[number], hot.get(number, (0, None))[1]
            if end is None or end[0] < since_ns:
                continue
            if newest_hot_ns is None or end[0] > newest_hot_ns:
                newest[channel] = self._sealed_row(channel, *end, ok)
        return {channel: newest[channel] for channel in channels_by_number.values() if channel in newest}

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
        names = self._names.all_texts("channel") if channels is None else channels
        moving = self._clocks.channels_to_correct(names)
        with self._database.read() as conn:
            spans = self._extents(conn, [channel for channel in names if channel not in moving])
        spans += [self._corrected_extent(channel) for channel in moving]
        extents = [span for span in spans if span is not None]
        return (min(first for first, _ in extents), max(last for _, last in extents)) if extents else None

    def _corrected_extent(self, channel: str) -> tuple[int, int] | None:
        """First and last true instant with a value of a channel whose stamps may need correction."""
        with self._database.read() as conn:
            stamps = self._extents(conn, [channel])[0]
        if stamps is None:
            return None
        reach_ns = self._clocks.reach_ns(channel)
        parts = [self.read(channel, at - reach_ns, at + reach_ns + 1) for at in stamps]
        taken_ns = [part.taken_ns[np.isfinite(part.value)] for part in parts]
        return (
            (int(taken_ns[0][0]), int(taken_ns[-1][-1])) if len(taken_ns[0]) and len(taken_ns[-1]) else None
        )

    def arrived_after(self, cursor: int, limit: int = 5000) -> tuple[list[tuple[int, Row]], int]:
        """(cursor, row) of what arrived after the cursor, and the cursor after it; −1 asks for the end.

        For live views: rows that were sealed meanwhile are left out.
        """
        with self._database.read() as conn:
            if cursor < 0:
                return [], _end(conn)
            query = (
                select(reading.c.arrival)
                .where(reading.c.arrival > cursor)
                .order_by(reading.c.arrival)
                .limit(limit)
            )
            last = max(conn.execute(query).scalars(), default=cursor)
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
        for channel, first_ns in self._clocks.changed_since(cursor, self._names.all_texts("channel")).items():
            earliest[channel] = min(first_ns, earliest.get(channel, first_ns))
        return earliest, end

    def _readings_in_order(self, channel: str, number: int, from_ns: int, to_ns: int) -> Readings:
        """Readings in the order of the record, for equal instants: seldom needed and slower to read."""
        rows = self._columns(channel, number, from_ns, to_ns)
        return Readings(rows.taken_ns, rows.value, rows.status, rows.late)

    def _columns(self, channel: str, number: int, from_ns: int, to_ns: int) -> Columns:
        within = (reading.c.channel == number, reading.c.taken_ns >= from_ns, reading.c.taken_ns < to_ns)
        with self._database.read() as conn:
            seals = sealed_channel(conn, number, from_ns, to_ns)
            rows = self._hot.select(conn, *within)
        parts = [rows.part(~under_seal(rows.taken_ns, rows.arrival, seals))]
        for seal in seals:
            with self._archive.open(seal.file) as reader:
                parts.append(reader.columns(reader.groups().get(channel, [])))
        rows = sort_columns(join_columns(parts))
        return rows.part(slice(*np.searchsorted(rows.taken_ns, [from_ns, to_ns])))

    def _sealed_row(self, channel: str, at_ns: int, file: str, ok: bool) -> Row:
        try:
            with self._archive.open(file) as reader:
                rows = reader.columns(reader.groups()[channel])
        except ArchiveAway:
            return Row(channel, at_ns, at_ns, None)
        mask = (rows.taken_ns == at_ns) & (np.isfinite(rows.value) | (not ok))
        return rows.row(int(np.flatnonzero(mask)[-1]))

    def _extents(self, conn: Connection, channels: Sequence[str]) -> list[tuple[int, int] | None]:
        """First and last stamp with a value of each channel, the sealed files of all looked up at once."""
        numbers = [self._names.number("channel", channel) for channel in channels]
        seals = sealed_channels(conn, [number for number in numbers if number is not None])
        return [None if n is None else self._extent(conn, n, seals.get(n, [])) for n in numbers]

    def _extent(
        self, conn: Connection, number: int, seals: Sequence[SealedChannel]
    ) -> tuple[int, int] | None:
        query = select(reading.c.taken_ns).where(reading.c.channel == number, reading.c.status == 0).limit(1)
        ends = [
            conn.execute(query.order_by(order)).scalar()
            for order in (reading.c.taken_ns, reading.c.taken_ns.desc())
        ]
        instants = [
            at
            for at in ends + [at for seal in seals for at in (seal.first_ok_ns, seal.last_ok_ns)]
            if at is not None
        ]
        return (min(instants), max(instants)) if instants else None


def _hot_parts(
    conn: Connection,
    numbers: Mapping[str, int],
    from_ns: int,
    to_ns: int,
    seals: Mapping[int, list[SealedChannel]],
) -> dict[str, Readings]:
    """Hot rows of several channels that no seal covers, ascending in the instant taken."""
    c = reading.c
    query = (
        select(c.arrival, c.taken_ns, c.value, c.status, type_coerce(c.late, Integer), c.channel)
        .where(c.channel.in_(numbers.values()), c.taken_ns >= from_ns, c.taken_ns < to_ns)
        .order_by(c.channel, c.taken_ns, c.arrival)
    )
    arrival, *columns, of = fetch_arrays(conn, query, (*KINDS, np.int64))
    parts = {}
    for channel, number in numbers.items():
        a, b = np.searchsorted(of, [number, number + 1])
        visible = ~under_seal(columns[0][a:b], arrival[a:b], seals.get(number, ()))
        parts[channel] = Readings(*(column[a:b][visible] for column in columns))
    return parts


def _slice_between(columns: Sequence[Any], from_ns: int, to_ns: int) -> Readings:
    """Of columns that begin with the instants taken, ascending, those in [from, to)."""
    a, b = np.searchsorted(columns[0], [from_ns, to_ns])
    return Readings(*(column[a:b] for column in columns))


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
    ends = [(at, seal.file) for seal in seals if (at := seal.last_ok_ns if ok else seal.last_ns) is not None]
    return max(ends, default=None)


def _end(conn: Connection) -> int:
    """The newest cursor: readings that were sealed and deleted since still count."""
    hot = conn.execute(select(func.max(reading.c.arrival))).scalar() or 0
    return max(hot, last_sealed_arrival(conn))
