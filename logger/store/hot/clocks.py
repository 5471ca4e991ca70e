"""What is known of the clocks that stamped readings: comparisons of a probe's own clock, and corrections.

A reading keeps its stamp for ever. On reading back it is moved: by the even drift between two comparisons
where the probe's own clock made the stamp; by what is known of this machine's clock where it was unsure.
A reading that an unsure clock stamped has no place in time until that clock's correction is recorded.
"""

from __future__ import annotations

from collections.abc import Callable, Iterator, Sequence
from dataclasses import dataclass
from typing import Any

import numpy as np
from sqlalchemy import Connection, Row, func, select

from ...instants import NS
from ...model.entry_forms import ClockDoubtEntry
from ...series import Bool, Int, Readings
from ..rows import Columns
from ..types import JSON
from .home import Home
from .journal import Journal
from .name_table import NameTable
from .tables import batch, clock_comparison, clock_correction

UNSURE = "poll, clock unsure"
OURS = frozenset({"poll", "mqtt on arrival", "push on arrival", "simulated", UNSURE})
EVER_NS = 2**62
COMPARISON, CORRECTION, DOUBT = "clock-comparison", "clock-correction", "clock-unsure"
Read = Callable[[int, int], Columns]


@dataclass(frozen=True)
class ClockComparison:
    """A probe's own clock showed `clock_ns` when it was `clock_ns − offset_ns`."""

    probe: str
    clock_ns: int
    offset_ns: int


@dataclass(frozen=True)
class Doubt:
    """Stamps of a boot are unsure from `at_ns` on; `base_ns`: what UTC less monotonic showed then."""

    boot: str
    base_ns: int
    at_ns: int
    why: str
    number: int = 0  # of the entry
    monotonic_ns: int = -EVER_NS  # since then


@dataclass(frozen=True)
class _Span:
    """A boot's monotonic time from one doubt to the next, and what was found of its clock, if anything."""

    boot: str
    from_ns: int
    to_ns: int
    base_ns: int | None

    def has(self, rows: Columns) -> Any:
        mine = np.array([rows.boot[at] == self.boot for at in range(len(rows))], np.bool_)
        return mine & (rows.monotonic_ns >= self.from_ns) & (rows.monotonic_ns < self.to_ns)


class Clocks:
    """Comparisons and corrections of one store."""

    def __init__(self, database: Home, journal: Journal, names: NameTable) -> None:
        self._database = database
        self._journal = journal
        self._names = names

    def record_comparison(self, measured: ClockComparison, who: str, why: str, conn: Connection) -> int:
        """Record that a probe's clock was compared; gives the number of the entry."""
        what: dict[str, JSON] = {
            "probe": measured.probe, "clock_ns": measured.clock_ns, "offset_ns": measured.offset_ns
        }  # fmt: skip
        what["arrival"] = _upcoming_arrival(conn)
        number = self._journal.append(COMPARISON, who, what, why, conn).number
        conn.execute(clock_comparison.insert().values(number=number, **what))
        return number

    def record_correction(self, boot: str, base_ns: int, who: str, why: str, conn: Connection) -> int:
        """Record what UTC less the monotonic clock was while this machine ran as `boot`."""
        what: dict[str, JSON] = {"boot": boot, "base_ns": base_ns, "arrival": _upcoming_arrival(conn)}
        number = self._journal.append(CORRECTION, who, what, why, conn).number
        conn.execute(clock_correction.insert().values(number=number, **what))
        return number

    def comparisons(self, probe: str) -> list[ClockComparison]:
        """Those of a probe, in order of what its clock showed; of two at one instant the later act's."""
        t = clock_comparison
        with self._database.read() as conn:
            rows = conn.execute(select(t).where(t.c.probe == probe).order_by(t.c.number))
            by_clock = {row.clock_ns: ClockComparison(probe, row.clock_ns, row.offset_ns) for row in rows}
        return [by_clock[ns] for ns in sorted(by_clock)]

    def record_doubt(self, boot: str, base_ns: int, why: str, monotonic_ns: int | None = None) -> None:
        """Record that stamps of this boot are unsure; `base_ns`: UTC less monotonic, as shown.

        `monotonic_ns`: since when, where the clock was sure before.
        """
        what: ClockDoubtEntry = {"boot": boot, "base_ns": base_ns}
        if monotonic_ns is not None:
            what["monotonic_ns"] = monotonic_ns
        self._journal.append(DOUBT, "stillroom", what, why)

    def unsure_boots(self) -> dict[str, Doubt]:
        """Boots with a doubt that no correction came after, oldest first."""
        c = clock_correction.c
        with self._database.read() as conn:
            rows = conn.execute(select(c.boot, func.max(c.number)).group_by(c.boot)).all()
            newest_corrections = {boot: number for boot, number in rows}
        return {
            doubt.boot: doubt
            for doubt in self._doubts()
            if doubt.number > newest_corrections.get(doubt.boot, 0)
        }

    def ever_unsure(self) -> bool:
        """Whether any reading was ever stamped by an unsure clock."""
        return self._names.number("source", UNSURE) is not None

    def _doubts(self) -> list[Doubt]:
        return [
            Doubt(what["boot"], what["base_ns"], e.at_ns, e.why, e.number, what.get("monotonic_ns", -EVER_NS))
            for e, what in ((e, e.read(ClockDoubtEntry)) for e in self._journal.entries(kind=DOUBT))
        ]

    def readings(self, channel: str, from_ns: int, to_ns: int, read: Read) -> Readings | None:
        """Readings at their true instants; None where all stamps of the channel stand as they are."""
        compared = self.comparisons(_probe(channel))
        unsure = self.ever_unsure()
        if not compared and not unsure:
            return None
        reach_ns = max((abs(c.offset_ns) for c in compared), default=0) + NS
        # Whoever asks for all that will ever come asks up to the largest number that the database takes.
        columns = read(max(from_ns - reach_ns, -EVER_NS), min(to_ns + reach_ns, EVER_NS))
        parts = [_correct_drift(columns, compared)]
        if unsure:
            parts += self._corrected_readings(read)
        return _sort_between(parts, from_ns, to_ns)

    def _corrected_readings(self, read: Read) -> Iterator[Columns]:
        """Readings of an unsure clock whose correction is recorded, wherever its stamps lay."""
        with self._database.read() as conn:
            if conn.execute(select(clock_correction.c.number).limit(1)).scalar() is None:
                return
        rows = read(-EVER_NS, EVER_NS)
        rows = rows.part(_of_sources(rows, {UNSURE}))
        for mine, wrong_ns in self._shifts(rows):
            yield _with_instants(rows.part(mine), (rows.taken_ns + wrong_ns)[mine])

    def true_instants(self, channel: str, rows: Columns) -> tuple[Int, Bool]:
        """True instants of stored readings of a channel, and where they are known; both of shape (n,)."""
        compared, unsure = self.comparisons(_probe(channel)), _of_sources(rows, {UNSURE})
        instants, certain = rows.taken_ns.copy(), np.asarray(~unsure, np.bool_)
        if compared:
            theirs = ~_of_sources(rows, OURS)
            instants[theirs] = _without_drift(rows.taken_ns[theirs], compared)
        if unsure.any():
            for mine, wrong_ns in self._shifts(rows):
                at = np.flatnonzero(mine & unsure)
                instants[at] += wrong_ns[at]
                certain[at] = True
        return instants, certain

    def _shifts(self, rows: Columns) -> Iterator[tuple[Bool, Int]]:
        """Of each span of a boot whose correction is recorded: its rows, and by how much each is moved."""
        with self._database.read() as conn:
            recorded = conn.execute(select(clock_correction).order_by(clock_correction.c.number)).all()
        for span in _spans(self._doubts(), recorded):
            if span.base_ns is not None:
                yield span.has(rows), span.base_ns - (rows.received_ns - rows.monotonic_ns)

    def channels_to_correct(self, channels: Sequence[str]) -> list[str]:
        """Those of the channels whose stamps may not stand as they are."""
        if self.ever_unsure():
            return list(channels)
        with self._database.read() as conn:
            compared = set(conn.execute(select(clock_comparison.c.probe).distinct()).scalars())
        return [channel for channel in channels if _probe(channel) in compared]

    def reach_ns(self, channel: str) -> int:
        """How far from its stamp a reading of a channel may have been taken."""
        if self.ever_unsure():
            return EVER_NS
        return max((abs(c.offset_ns) for c in self.comparisons(_probe(channel))), default=0)

    def changed_since(self, cursor: int, channels: Sequence[str]) -> dict[str, int]:
        """Channel -> earliest instant whose readings moved by what was recorded after the cursor."""
        t = clock_comparison
        with self._database.read() as conn:
            newer = conn.execute(select(t).where(t.c.arrival > cursor)).all()
            corrected = conn.execute(
                select(clock_correction.c.boot).where(clock_correction.c.arrival > cursor)
            ).all()
            before = {row.number: _affected_from(conn, row) for row in newer}
        earliest: dict[str, int] = {}
        for row in newer:
            for channel in (c for c in channels if _probe(c) == row.probe):
                earliest[channel] = min(before[row.number], earliest.get(channel, before[row.number]))
        return earliest | (dict.fromkeys(channels, 0) if corrected else {})


def check_clocks(conn: Connection, claims: dict[int, dict[str, Any]]) -> Iterator[str]:
    """A sentence for every row that does not say what its entry says, is missing, or has none."""
    for table, kind in ((clock_comparison, COMPARISON), (clock_correction, CORRECTION)):
        rows = {row.number: row._asdict() for row in conn.execute(select(table))}
        claimed = {number: what for number, what in claims.items() if what["kind"] == kind}
        for number in sorted(rows.keys() | claimed.keys()):
            row, what = rows.get(number, {}), claimed.get(number, {"": None})
            if any(row.get(name) != value for name, value in what.items() if name != "kind"):
                yield f"{kind} {number}: its row is missing, altered, or without its journal entry"


def _spans(doubts: Sequence[Doubt], corrections: Sequence[Row[Any]]) -> Iterator[_Span]:
    """Each boot from doubt to doubt: a correction says nothing of a doubt that came after it."""
    for boot in dict.fromkeys(row.boot for row in corrections):
        mine = [boot_doubt for boot_doubt in doubts if boot_doubt.boot == boot] or [Doubt(boot, 0, 0, "")]
        for at, doubt in enumerate(mine):
            following = mine[at + 1] if at + 1 < len(mine) else None
            upto = EVER_NS if following is None else following.number
            bases = [r.base_ns for r in corrections if r.boot == boot and doubt.number < r.number < upto]
            begin_ns = doubt.monotonic_ns if at else -EVER_NS
            end_ns = EVER_NS if following is None else following.monotonic_ns
            yield _Span(boot, begin_ns, end_ns, bases[-1] if bases else None)


def _affected_from(conn: Connection, row: Row[Any]) -> int:
    """From where on a comparison moves readings: since the one before it, else all."""
    t = clock_comparison
    earlier = select(func.max(t.c.clock_ns)).where(t.c.probe == row.probe, t.c.clock_ns < row.clock_ns)
    return int(conn.execute(earlier).scalar() or abs(row.offset_ns)) - abs(int(row.offset_ns))


def _upcoming_arrival(conn: Connection) -> int:
    """The number that the next reading to come will have: whoever looks by arrivals sees this with it."""
    newest = select(batch.c.first_arrival + batch.c.last_seq - batch.c.first_seq + 1)
    return int(conn.execute(newest.order_by(batch.c.number.desc()).limit(1)).scalar() or 1)


def _correct_drift(columns: Columns, compared: Sequence[ClockComparison]) -> Columns:
    certain = columns.part(~_of_sources(columns, {UNSURE}))
    if not compared:
        return certain
    theirs = ~_of_sources(certain, OURS)
    return _with_instants(
        certain, np.where(theirs, _without_drift(certain.taken_ns, compared), certain.taken_ns)
    )


def _without_drift(stamp_ns: Int, compared: Sequence[ClockComparison]) -> Int:
    clock = np.array([c.clock_ns for c in compared], np.int64)
    offset = np.array([c.offset_ns for c in compared], np.int64)
    return true_ns(stamp_ns, clock, offset)


def _of_sources(columns: Columns, sources: frozenset[str] | set[str]) -> Any:
    among = [code for code, text in enumerate(columns.source.table) if text in sources]
    return np.isin(columns.source.codes, among)


def _with_instants(columns: Columns, taken_ns: Any) -> Columns:
    from dataclasses import replace

    return replace(columns, taken_ns=np.asarray(taken_ns, np.int64))


def _sort_between(parts: Sequence[Columns], from_ns: int, to_ns: int) -> Readings:
    taken_ns = np.concatenate([p.taken_ns for p in parts])
    order = np.argsort(taken_ns, kind="stable")
    order = order[(taken_ns[order] >= from_ns) & (taken_ns[order] < to_ns)]
    value, status, late = (
        np.concatenate([getattr(p, name) for p in parts])[order] for name in ("value", "status", "late")
    )
    return Readings(taken_ns[order], value, status, late)


def _probe(channel: str) -> str:
    return channel.rsplit(".", 1)[0]


# One comparison is no better than the time that the message took: smaller offsets are none.
KNOWN_NS = 2 * NS


def true_ns(stamp_ns: Int, clock_ns: Int, offset_ns: Int) -> Int:
    """Stamps, shape (n,), without the offset that the clock had.

    clock_ns, offset_ns: what the clock showed at each comparison, ascending, and by how much that was
    ahead; shape (m,), m > 0.

    >>> day = 86400 * NS
    >>> late = np.array([0, -240 * NS])  # right when it was set, 4 min slow after 30 days
    >>> shown = np.array([0, 30 * day - 240 * NS])
    >>> (true_ns(np.array([15 * day - 120 * NS]), shown, late) - 15 * day).tolist()
    [0]
    """
    significant_ns = np.where(np.abs(offset_ns) < KNOWN_NS, 0, offset_ns)
    begin = clock_ns[0]
    offset = np.interp((stamp_ns - begin) / NS, (clock_ns - begin) / NS, significant_ns / NS)
    return np.asarray(stamp_ns - np.rint(offset * 1e6).astype(np.int64) * 1000, np.int64)
