"""Stored verdicts kept true: judges what is dirty, piece by piece, in order of time.

A piece (zone, UTC day) is dirty when a reading arrived that its windows can see, when setup or
marks changed, or while it still holds provisional minutes. Dirty pieces are judged again in order
of time, each from the bodies' state that the day before left.
"""

from __future__ import annotations

import json
from collections.abc import Callable, Iterator, Mapping, Sequence
from dataclasses import dataclass, replace

import numpy as np
from sqlalchemy import select

from ..core.evidence.grid import Grid
from ..core.judge.days import (
    DAY_NS,
    UNREADABLE,
    DayVerdicts,
    ScratchCache,
    VerdictCache,
    split_into_days,
)
from ..core.judge.judgement import DAY_S, JUDGE_VERSION, Judgement, digest, lookback_s, reach_s
from ..core.judge.live import Trail, begin_trail, extend_trail
from ..core.judge.restarts import memory_needed_s
from ..core.judge.settings import SettingsPart, conclude_over, evaluate_rules_over
from ..core.judge.settling import BodyState, at_start_of_record
from ..core.validity.timeline import first_difference, timeline
from ..instants import NS, rfc3339
from ..model import Mark, Setup
from ..series import Readings
from ..store import Store
from ..store.hot.tables import mark as mark_table
from ..store.types import JSON
from .head import HEAD, NEVER_NS, Head, LedgerComparison
from .overlay import VerdictOverlay
from .windows import read_windows

# Cells judged in one go, of all channels together: 40 to 80 bytes each; three such parts are in memory.
MOST_CELLS = 1_050_000
# A power cut costs no more than the longest; the evidence before a part is examined again for the shortest.
SHORTEST_DAYS, LONGEST_DAYS = 14, 92
DAMAGED = "stored verdicts could not be read; the zone was judged anew"
MakeStatement = Callable[[Judgement, Mapping[int, DayVerdicts], "Head"], str | None]


@dataclass(frozen=True)
class _NewestJudgement:
    """What the newest judgement of a zone is extended from, while the store says that it is the newest."""

    trail: Trail
    head: Head
    stored: str
    marks: tuple[Mark, ...]


def _cache(store: Store, setup: Setup) -> VerdictCache:
    """Where verdicts lie: in memory for files never applied, and for what a read-only record lacks."""
    if not setup.version:
        return ScratchCache()
    if store.read_only and not isinstance(store.verdict_cache, VerdictOverlay):
        return VerdictOverlay(store)
    return store.verdict_cache


class Ledger:
    """What is stored of a room's verdicts. Several processes may keep it; what they store is the same.

    newest: the judgement of each zone that was made last; cache: where verdicts lie, which for files that
    were never applied (version 0) is not the record: they must not take the place of those in force.
    """

    def __init__(self, store: Store, setup: Setup) -> None:
        self.store = store
        self.setup = setup
        self.cache = _cache(store, setup)
        self.newest: dict[str, Judgement] = {}
        self._newest: dict[str, _NewestJudgement] = {}
        self._reach_ns = {z: max(reach_s(s, z) for s in setup.by_settings()) * NS for z in setup.zones}
        self.lookback_ns = {z: max(lookback_s(s, z) for s in setup.by_settings()) * NS for z in setup.zones}

    def marks(self) -> tuple[Mark, ...]:
        """Every interval that was declared not to be trusted."""
        with self.store.read() as conn:
            rows = conn.execute(select(mark_table).order_by(mark_table.c.id)).all()
        return tuple(Mark(r.zone, r.from_ns, r.to_ns, r.reason, r.who) for r in rows)

    def live_instant(self, now_ns: int) -> tuple[int, int]:
        """Newest entry of the journal and newest complete cell: while both stand nothing is to be judged.

        Whatever changes a verdict is journalled: readings, marks, decisions, clocks.
        """
        return self.store.journal.head()[0], now_ns // (self.setup.step_s * NS)

    def refresh(self, zone: str, now_ns: int, make_statement: MakeStatement | None = None) -> bool:
        """Judge again what is dirty, up to the last complete cell before `now_ns`; whether anything was.

        `make_statement`: makes what to store as the newest statement about the zone, in the same transaction.
        """
        self.setup.zone(zone)
        extended = self._extend(zone, now_ns, make_statement)
        return self._judge_again(zone, now_ns, make_statement) if extended is None else extended

    def _extend(self, zone: str, now_ns: int, make_statement: MakeStatement | None) -> bool | None:
        """The usual minute: nothing but newer readings came, and the newest judgement goes on with them.

        Whether anything was dirty; None where something else came, too, and days have to be judged again.
        """
        newest = self._newest.get(zone)
        if newest is None or (self._stored_head(zone), self.marks()) != (newest.stored, newest.marks):
            return None
        complete_ns = now_ns // (self.setup.step_s * NS) * self.setup.step_s * NS
        if complete_ns < newest.head.until_ns or self.store.decisions.newest() != newest.head.decided:
            return None
        new = self.store.readings.read_new(newest.head.cursor, list(newest.trail.readings))
        if new is None:
            return None
        readings, cursor = new
        of_zone = {channel: readings[channel] for channel in newest.trail.readings if channel in readings}
        if not of_zone and complete_ns == newest.head.until_ns:
            return False
        trail = extend_trail(newest.trail, self.setup, of_zone, now_ns, newest.marks)
        if trail is None:
            return None
        head = replace(newest.head, cursor=cursor)
        self._newest[zone] = _NewestJudgement(
            trail, *self._store(trail.judgement, trail.state, head, make_statement), newest.marks
        )
        return True

    def _judge_again(self, zone: str, now_ns: int, make_statement: MakeStatement | None) -> bool:
        decided = self.store.decisions.newest()
        head, dirty_ns, cursor = self.dirty(zone, now_ns)
        if dirty_ns is None:
            return False
        marks = self.marks()
        day, last = dirty_ns // DAY_NS, (now_ns - 1) // DAY_NS
        first_day = day if head is None else min(head.first_day, day)
        state = self.state_before(zone, day) if day > first_day else self.unknown_state(zone, day)
        entries = timeline(self.setup, zone, marks)
        new = Head(self.context, cursor, first_day, 0, 0, entries, decided)
        self._newest.pop(zone, None)
        begin_ns = None
        if day == first_day:  # without a head it was just read: the files of a long record are many
            begin_ns = dirty_ns if head is None else self.begins_ns(zone)
        for step in self.judge_in_parts(zone, (day, last), state, now_ns, begin_ns):
            judgement, state_in, readings = step
            newest = _end_ns(judgement) + self.setup.step_s * NS > now_ns
            stored = self._store(judgement, state_in, new, make_statement if newest else None)
        if judgement.grid.n * self.setup.step_s <= 2 * DAY_S and not self.has_future_readings(zone, now_ns):
            trail = begin_trail(self.setup, judgement, state_in, readings, now_ns)
            if trail is not None:
                self._newest[zone] = _NewestJudgement(trail, *stored, marks)
        return True

    def has_future_readings(self, zone: str, now_ns: int) -> bool:
        """Whether the store holds readings of a time to come, by a clock that was ahead."""
        coming = self.store.readings.read_channels(self.setup.channels_in(zone), now_ns, NEVER_NS)
        return any(len(readings) for readings in coming.values())

    def _store(
        self, judgement: Judgement, state_in: BodyState, head: Head, make_statement: MakeStatement | None
    ) -> tuple[Head, str]:
        """Keep the pieces of a judgement, and the head that says how far the zone has been judged."""
        head = replace(head, until_ns=_end_ns(judgement), open_from_ns=self.open_from_ns(judgement))
        text = json.dumps(vars(head))
        days = split_into_days(judgement, state_in)
        bodies = {day: (head.context, day_verdicts.to_text()) for day, day_verdicts in days.items()}
        bodies[HEAD] = (head.context, text)
        self.cache.put_days(
            judgement.zone, bodies, make_statement(judgement, days, head) if make_statement else None
        )
        self.newest[judgement.zone] = judgement
        return head, text

    def newest_values_ns(self, zone: str) -> dict[str, int]:
        """When each channel of a zone was last read with a value."""
        newest, channels = self._newest.get(zone), self.setup.channels_in(zone)
        newest_ns = {c: _last_value_ns(newest.trail.readings[c]) for c in channels} if newest else {}
        if not newest_ns or None in newest_ns.values():
            taken = self.store.readings.newest_taken(ok=True)
            return {channel: taken[channel] for channel in channels if channel in taken}
        return {channel: ns for channel, ns in newest_ns.items() if ns is not None}

    def judge_in_parts(
        self, zone: str, span: tuple[int, int], state: BodyState, now_ns: int, begin_ns: int | None = None
    ) -> Iterator[tuple[Judgement, BodyState, Mapping[str, Readings]]]:
        """Judgements of the days of `span`, first to last, in parts; state before and readings of each.

        `begin_ns`: the first reading of all, where it lies in the first day: nothing before it is judged.
        """
        channels, marks, (day, last) = self.setup.channels_in(zone), self.marks(), span
        days = self._days_at_once(len(channels))
        grids = [
            self.grid(max(d * DAY_NS, begin_ns or 0), min((d + days) * DAY_NS, (last + 1) * DAY_NS, now_ns))
            for d in range(day, last + 1, days)
        ]
        windows = [self.window(zone, grid, now_ns) for grid in grids]

        def evaluate(
            number: int, readings: Mapping[str, Readings]
        ) -> tuple[list[SettingsPart], Mapping[str, Readings]]:
            return evaluate_rules_over(zone, self.setup, readings, grids[number], now_ns), readings

        evaluated = read_windows(self.store, channels, windows, evaluate)
        for grid, (parts, readings) in zip(grids, evaluated, strict=True):
            judgement = conclude_over(zone, self.setup, parts, grid, state, now_ns=now_ns, marks=marks)
            yield judgement, state, readings
            state = judgement.memory.states[grid.n]

    def _days_at_once(self, channels: int) -> int:
        fitting = MOST_CELLS * self.setup.step_s // (DAY_S * max(channels, 1))
        return min(max(fitting, SHORTEST_DAYS), LONGEST_DAYS)

    def over(self, zone: str, from_ns: int, to_ns: int, now_ns: int) -> Iterator[Judgement]:
        """Judgements of the days of [from, to) in parts, without what is stored and without storing."""
        first, last = from_ns // DAY_NS, (to_ns - 1) // DAY_NS
        for judgement, _, _ in self.judge_in_parts(
            zone, (first, last), self.unknown_state(zone, first), now_ns
        ):
            yield judgement

    def replace_altered(self, zone: str, comparison: LedgerComparison) -> None:
        """Put the fresh judgement in the place of what was altered, and of what is provisional."""
        self._newest.pop(zone, None)
        if comparison.misplaced:
            self.cache.drop_days(zone, comparison.misplaced)
        if comparison.wrong or comparison.open_days:
            self.cache.put_days(zone, {**comparison.wrong, **comparison.open_days})

    def dirty(self, zone: str, now_ns: int) -> tuple[Head | None, int | None, int]:
        """The head, the instant from which on to judge again (None: nothing to do), the new cursor."""
        head = self.head(zone)
        channels = self.setup.channels_in(zone)
        complete_ns = now_ns // (self.setup.step_s * NS) * self.setup.step_s * NS
        if head is None or head.context != self.context:
            # Before anything is read: what arrives from here on is dirty next time.
            _, cursor = self.store.readings.arrived_after(-1)
            first_ns = self.begins_ns(zone)
            return None, None if first_ns is None or first_ns >= complete_ns else first_ns, cursor
        changed, cursor = self.store.readings.changed_since(head.cursor)
        reach_ns = self._reach_ns[zone]
        changes = [*changed.items(), *self.store.decisions.since(head.decided).items()]
        arrived = [first for channel, first in changes if channel in channels]
        starts = [first - reach_ns for first in arrived]
        changed_from = first_difference(head.timeline, timeline(self.setup, zone, self.marks()))
        if changed_from is not None:
            starts.append(changed_from - reach_ns)
        begin_ns = head.first_day * DAY_NS
        # Before its first reading there is no record to judge, however far the tests reach back, and
        # wherever readings lay before their clock was known.
        if min(arrived, default=begin_ns) < begin_ns:
            begin_ns = min(begin_ns, self.begins_ns(zone) or begin_ns)
        starts = [ns for ns in starts if ns < complete_ns]
        if starts or complete_ns > head.until_ns:
            starts.append(head.open_from_ns)  # what was open is judged with it, or would stay open for ever
        return head, min([max(min(ns, head.until_ns), begin_ns) for ns in starts], default=None), cursor

    def begins_ns(self, zone: str) -> int | None:
        """When the first reading of a zone was taken, as its clock is known by now; None without any."""
        stored = set(self.store.readings.channels())
        channels = [channel for channel in self.setup.channels_in(zone) if channel in stored]
        extent = self.store.readings.extent(channels) if channels else None
        return None if extent is None else max(extent[0], 0)

    def _stored_head(self, zone: str) -> str | None:
        stored = self.cache.day(zone, HEAD)
        return None if stored is None else stored[1]

    def head(self, zone: str) -> Head | None:
        stored = self._stored_head(zone)
        try:
            head = None if stored is None else Head(**json.loads(stored))
        except (TypeError, ValueError):
            return None  # written by another version: a cache, which is simply made again
        valid = head is None or all(type(n) is int for n in list(vars(head).values())[1:5])
        return head if valid else None

    @property
    def context(self) -> str:
        """What stored days must have been judged by: judge and step."""
        return digest([JUDGE_VERSION, self.setup.step_s])

    def state_before(self, zone: str, day: int) -> BodyState:
        stored = self.stored_days(zone, day - 1, day).get(day - 1)
        return self.unknown_state(zone, day) if stored is None else stored.state_out

    def stored_days(self, zone: str, first: int, end: int) -> dict[int, DayVerdicts]:
        """Day (number since 1970) -> its verdicts, of those stored in [first, end), in order.

        Where a text was damaged the zone is judged again from its first day, as far as it had been.
        """
        days, damaged = self._readable_days(zone, first, end)
        if damaged:
            self._judge_damaged(zone, damaged)
            days, _ = self._readable_days(zone, first, end)
        return days

    def _readable_days(self, zone: str, first: int, end: int) -> tuple[dict[int, DayVerdicts], list[int]]:
        days, damaged = {}, []
        for day, (_, body) in self.cache.days(zone, first, end).items():
            try:
                days[day] = DayVerdicts.of_text(body)
            except UNREADABLE:
                damaged.append(day)
        return days, damaged

    def _judge_damaged(self, zone: str, damaged: Sequence[int]) -> None:
        head = self.head(zone)
        self._newest.pop(zone, None)
        self.cache.drop_days(zone, [HEAD, *damaged])
        if self.setup.version and not self.store.read_only:
            dates: list[JSON] = [rfc3339(day * DAY_NS)[:10] for day in damaged]
            what: dict[str, JSON] = {"zone": zone, "altered": dates}
            self.store.journal.append("verdicts-altered", "stillroom", what, DAMAGED)
        if head is not None:
            self._judge_again(zone, head.until_ns, None)

    def unknown_state(self, zone: str, day: int) -> BodyState:
        """Nothing is known at the start of a day, for as long as the zone was set to settle then."""
        return at_start_of_record(self.setup.at(day * DAY_NS).zone(zone))

    def open_from_ns(self, judgement: Judgement) -> int:
        """From when on a judgement is provisional."""
        return min(judgement.provisional_from * judgement.grid.step_ns, _end_ns(judgement))

    def window(self, zone: str, grid: Grid, now_ns: int) -> tuple[int, int]:
        """Readings that a judgement over a grid needs, as [begin, end) in ns."""
        begin = (grid.first - 2) * grid.step_ns - self.lookback_ns[zone]
        begin -= memory_needed_s(self.setup, zone, grid) * NS
        end = (grid.first + grid.n) * grid.step_ns + self._reach_ns[zone]
        return begin, min(end, now_ns)

    def grid(self, from_ns: int, to_ns: int) -> Grid:
        step_ns = self.setup.step_s * NS
        return Grid(from_ns // step_ns, max(0, to_ns // step_ns - from_ns // step_ns), self.setup.step_s)


def _last_value_ns(readings: Readings) -> int | None:
    valid = np.flatnonzero(np.isfinite(readings.value))
    return int(readings.taken_ns[valid[-1]]) if len(valid) else None


def _end_ns(judgement: Judgement) -> int:
    return (judgement.grid.first + judgement.grid.n) * judgement.grid.step_ns
