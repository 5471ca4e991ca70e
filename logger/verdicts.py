"""Stored verdicts kept true: judges what is dirty, answers from pieces.

A piece (zone, UTC day) is dirty when a reading arrived that its windows can see, when setup or
marks changed, or while it still holds provisional minutes. Dirty pieces are judged again in order
of time, each from the bodies' state that the day before left.
"""

from __future__ import annotations

import json
from collections.abc import Iterator, Sequence
from dataclasses import asdict, dataclass, field, replace

import numpy as np
from sqlalchemy import select

from . import __version__
from .bodies import BodyState, at_start_of_record
from .calibration import Corrected, corrected
from .confirmation import position_of
from .epochs import judge_over
from .evidence import Grid
from .forward import forward
from .hours import Span, asks_disposition
from .inspection import ChannelStatistics, Check, check, rfc3339, statistics
from .intervals import require
from .judge import JUDGE_VERSION, Judgement, digest, lookback_s, part, reach_s
from .model import NS, Excursion, Mark, Period, Rule, RuleState, Setup
from .periods import Run, excursion, joined, joined_runs
from .pieces import DAY_NS, Piece, pieces
from .series import Int
from .statement import rule_states, statement
from .store import Store
from .store.tables import inspection as inspection_table
from .store.tables import mark as mark_table
from .timeline import Held, first_difference, timeline

# Days judged in one go: bounds memory, and is the largest piece that a power cut can cost.
CHUNK_DAYS = 31
# How far back an activity's own rules are judged before the interval that is asked about.
ACTIVITY_DAYS = 3
NEVER_NS = 2**63 - 1
HEAD = -1  # the row of the piece table that holds how far a zone has been judged


@dataclass(frozen=True)
class _Head:
    """How far a zone has been judged: all that arrived up to `cursor`, cells before `until_ns`."""

    context: str
    cursor: int
    first_day: int
    until_ns: int
    open_from_ns: int
    timeline: list[Held] = field(default_factory=list)  # what it was judged by
    decided: int = 0  # the newest decision on conflicting values that it knew of


class Verdicts:
    """Verdicts of one store under one setup. Several processes may ask; what they store is the same."""

    def __init__(self, store: Store, setup: Setup) -> None:
        self.store = store
        self.setup = setup
        self._newest: dict[str, Judgement] = {}
        self._reach_ns = {z: max(reach_s(s, z) for s in setup.every()) * NS for z in setup.zones}
        self._lookback_ns = {z: max(lookback_s(s, z) for s in setup.every()) * NS for z in setup.zones}

    def marks(self) -> tuple[Mark, ...]:
        """Every interval that was declared not to be trusted."""
        with self.store.read() as conn:
            rows = conn.execute(select(mark_table).order_by(mark_table.c.id)).all()
        return tuple(Mark(r.zone, r.from_ns, r.to_ns, r.reason, r.who) for r in rows)

    def refresh(self, zone: str, now_ns: int) -> None:
        """Judge again what is dirty, up to the last complete cell before `now_ns`."""
        self.setup.zone(zone)
        decided = self.store.decisions.newest()
        head, dirty_ns, cursor = self._dirty(zone, now_ns)
        if dirty_ns is None:
            return
        marks = self.marks()
        context = self._context()
        day, last = dirty_ns // DAY_NS, (now_ns - 1) // DAY_NS
        first_day = day if head is None else min(head.first_day, day)
        state = self._state_before(zone, day) if day > first_day else self._unknown(zone, day)
        for judgement, state_in in self._judged(zone, day, last, state, now_ns):
            bodies = {d: (context, piece.to_text()) for d, piece in pieces(judgement, state_in).items()}
            ends = _end_ns(judgement), self._open_from_ns(judgement)
            new = _Head(context, cursor, first_day, *ends, timeline(self.setup, zone, marks), decided)
            bodies[HEAD] = (context, json.dumps(asdict(new)))
            self.store.put_pieces(zone, bodies)
            self._newest[zone] = judgement

    def _judged(
        self, zone: str, day: int, last: int, state: BodyState, now_ns: int
    ) -> Iterator[tuple[Judgement, BodyState]]:
        """Judgements of the days from `day` to `last`, some weeks at a time, and the state before each."""
        grids = [
            self._grid(d * DAY_NS, min((d + CHUNK_DAYS) * DAY_NS, (last + 1) * DAY_NS, now_ns))
            for d in range(day, last + 1, CHUNK_DAYS)
        ]
        windows = [self._window(zone, grid, now_ns) for grid in grids]
        parts = forward(self.store, self.setup.channels_in(zone), windows)
        marks = self.marks()
        for grid, readings in zip(grids, parts, strict=True):
            judgement = judge_over(zone, self.setup, readings, grid, state, now_ns=now_ns, marks=marks)
            yield judgement, state
            state = judgement.memory.states[grid.n]

    def altered(self, zone: str) -> list[str]:
        """UTC days whose stored verdicts are not what their readings, setup and marks give: somebody's edit.

        Only what is final is compared; a store that has never been judged has nothing to alter.
        """
        head = self._head(zone)
        if head is None or self._dirty(zone, head.until_ns)[1] is not None:
            return []
        first, last = head.first_day, (head.until_ns - 1) // DAY_NS
        found = []
        for judgement, state in self._judged(zone, first, last, self._unknown(zone, first), head.until_ns):
            for day, piece in pieces(judgement, state).items():
                stored = self.store.piece(zone, day)
                final = (day + 1) * DAY_NS <= head.open_from_ns
                if final and (stored is None or stored[1] != piece.to_text()):
                    found.append(rfc3339(day * DAY_NS)[:10])
        return found

    def _dirty(self, zone: str, now_ns: int) -> tuple[_Head | None, int | None, int]:
        """The head, the instant from which on to judge again (None: nothing to do), the new cursor."""
        head = self._head(zone)
        channels = self.setup.channels_in(zone)
        if head is None or head.context != self._context():
            extent = self.store.extent([c for c in channels if c in self.store.channels()])
            _, cursor = self.store.arrived_after(-1)
            return None, None if extent is None else extent[0], cursor
        changed, cursor = self.store.changed_since(head.cursor)
        decided = self.store.decisions.since(head.decided)
        reach_ns = self._reach_ns[zone]
        touched_by = [*changed.items(), *decided.items()]
        arrived = [first for channel, first in touched_by if channel in channels]
        found = [first - reach_ns for first in arrived]
        touched = first_difference(head.timeline, timeline(self.setup, zone, self.marks()))
        if touched is not None:
            found.append(touched - reach_ns)
        complete_ns = now_ns // (self.setup.step_s * NS) * self.setup.step_s * NS
        if complete_ns > head.until_ns:
            found.append(head.open_from_ns)
        # Before its first reading there is no record to judge, however far the tests reach back.
        begin_ns = min([head.first_day * DAY_NS, *arrived])
        found = [max(min(ns, head.until_ns), begin_ns) for ns in found if ns < complete_ns]
        return head, min(found, default=None), cursor

    def _head(self, zone: str) -> _Head | None:
        stored = self.store.piece(zone, HEAD)
        try:
            return None if stored is None else _Head(**json.loads(stored[1]))
        except (TypeError, ValueError):
            return None  # written by another version: a cache, which is simply made again

    def _context(self) -> str:
        return digest([JUDGE_VERSION, self.setup.step_s])

    def _state_before(self, zone: str, day: int) -> BodyState:
        stored = self.store.piece(zone, day - 1)
        return Piece.of_text(stored[1]).state_out if stored else self._unknown(zone, day)

    def _unknown(self, zone: str, day: int) -> BodyState:
        """Nothing is known at the start of a day, for as long as the zone was set to settle then."""
        return at_start_of_record(self.setup.at(day * DAY_NS).zone(zone))

    def _open_from_ns(self, judgement: Judgement) -> int:
        return min(judgement.provisional_from * judgement.grid.step_ns, _end_ns(judgement))

    def _window(self, zone: str, grid: Grid, now_ns: int) -> tuple[int, int]:
        """Readings that a judgement over a grid needs, as [begin, end) in ns."""
        begin = (grid.first - 2) * grid.step_ns - self._lookback_ns[zone]
        end = (grid.first + grid.n) * grid.step_ns + self._reach_ns[zone]
        return begin, min(end, now_ns)

    def _grid(self, from_ns: int, to_ns: int) -> Grid:
        step_ns = self.setup.step_s * NS
        return Grid(from_ns // step_ns, max(0, to_ns // step_ns - from_ns // step_ns), self.setup.step_s)

    def stored_until(self, zone: str) -> int | None:
        """Instant up to which verdicts are stored; None when none is."""
        head = self._head(zone)
        return None if head is None else head.until_ns

    def stored_pieces(self, zone: str, from_ns: int, to_ns: int) -> list[Piece]:
        """Stored pieces of the UTC days that touch [from, to)."""
        days = self.store.pieces(zone, max(0, from_ns // DAY_NS), -(-to_ns // DAY_NS))
        return [Piece.of_text(body) for _, (_, body) in sorted(days.items())]

    def periods(
        self, zone: str, from_ns: int, to_ns: int, now_ns: int, *, refresh: bool = True
    ) -> list[Period]:
        """Periods clipped to [from, to), half-open and without gaps where the record has been judged."""
        if refresh:
            self.refresh(zone, now_ns)
        head = self._head(zone)
        if head is None:
            return []
        whole = joined(p for piece in self.stored_pieces(zone, from_ns, to_ns) for p in piece.periods)
        return [
            replace(
                p,
                from_ns=max(p.from_ns, from_ns),
                to_ns=min(p.to_ns, to_ns),
                provisional=min(p.to_ns, to_ns) > head.open_from_ns,
            )
            for p in whole
            if p.from_ns < to_ns and p.to_ns > from_ns
        ]

    def current(self, zone: str) -> Period | None:
        """The newest stored period, from its true beginning."""
        head = self._head(zone)
        if head is None:
            return None
        days = CHUNK_DAYS
        while True:
            begin = head.until_ns - days * DAY_NS
            found = joined(
                p for piece in self.stored_pieces(zone, begin, head.until_ns) for p in piece.periods
            )
            if not found:
                return None
            # One period alone may have begun before what was read.
            if len(found) > 1 or begin // DAY_NS <= head.first_day:
                return found[-1]
            days *= 4

    def excursions(
        self, zone: str | None, from_ns: int, to_ns: int, now_ns: int, *, refresh: bool = True
    ) -> list[Excursion]:
        """Excursions that touch [from, to), whole, of one zone or all, ascending in time."""
        found: list[Excursion] = []
        for key in [zone] if zone else list(self.setup.zones):
            if refresh:
                self.refresh(key, now_ns)
            head = self._head(key)
            if head is not None:
                found += self._excursions(key, from_ns, to_ns, head.open_from_ns)
        return sorted(found, key=lambda e: (e.from_ns, e.zone, e.rule))

    def _excursions(self, zone: str, from_ns: int, to_ns: int, open_from_ns: int) -> list[Excursion]:
        # A run may have begun before the interval; the days around it make it whole.
        around = self.stored_pieces(zone, from_ns - CHUNK_DAYS * DAY_NS, to_ns + CHUNK_DAYS * DAY_NS)
        runs = joined_runs(run for piece in around for run in piece.runs)
        within = [run for run in runs if run.from_ns < to_ns and run.to_ns > from_ns]
        ruled = [(run, self._rule_at(zone, run)) for run in within]
        jobs = self._jobs(zone)
        return [
            self._asking(excursion(run, rule, open_from_ns), rule, jobs)
            for run, rule in ruled
            if rule is not None
        ]

    def _asking(self, found: Excursion, rule: Rule, jobs: Sequence[Span]) -> Excursion:
        zone = self.setup.at(found.from_ns).zone(found.zone)
        span, clock = (found.from_ns, found.to_ns), self.setup.room.timezone
        asks = asks_disposition(zone, clock, span, disturbs=rule.disturbs, jobs=jobs)
        return found if asks else replace(found, asks_disposition=False)

    def _jobs(self, zone: str) -> list[Span]:
        """Intervals of the zone's inspections; one that still runs has no end."""
        t = inspection_table
        with self.store.read() as conn:
            rows = conn.execute(select(t.c.from_ns, t.c.to_ns).where(t.c.zone == zone)).all()
        return [(r.from_ns, NEVER_NS if r.to_ns is None else r.to_ns) for r in rows]

    def _rule_at(self, zone: str, run: Run) -> Rule | None:
        """The rule as it was in force when it was worst: a limit may have changed since."""
        pieces_of = [r for r in self.setup.rules_of(zone) if r.key == run.rule and r.from_ns <= run.worst_ns]
        return pieces_of[-1] if pieces_of else None

    def judgement(
        self,
        zone: str,
        from_ns: int,
        to_ns: int,
        now_ns: int,
        *,
        activity: str = "",
        refresh: bool = True,
        alone: bool = False,
    ) -> Judgement:
        """A full judgement of the days from that of `from` to `to`, for answers that need every cell.

        `alone`: without what is stored, as for an activity: what a setup not in force would say.
        """
        if refresh and not alone:
            self.refresh(zone, now_ns)
        day = from_ns // DAY_NS
        if activity or alone:
            day -= ACTIVITY_DAYS
            state = self._unknown(zone, day)
        else:
            state = self._state_before(zone, day)
        step_ns = self.setup.step_s * NS
        end_ns = min(-(-to_ns // step_ns) * step_ns, now_ns // step_ns * step_ns)
        grid = self._grid(day * DAY_NS, end_ns)
        window = self._window(zone, grid, now_ns)
        (readings,) = forward(self.store, self.setup.channels_in(zone), [window])
        marks = self.marks()
        return judge_over(
            zone, self.setup, readings, grid, state, now_ns=now_ns, marks=marks, activity=activity
        )

    def check(
        self,
        zone: str,
        from_ns: int,
        to_ns: int,
        now_ns: int,
        *,
        pre_window_s: int | None = None,
        activity: str = "",
        alone: bool = False,
    ) -> Check:
        """Whether the record supports a measurement in a zone over [from, to); `alone` as of `judgement`."""
        before_s = self.asked_before_s(zone, from_ns, to_ns, now_ns, pre_window_s)
        begin_ns = from_ns - before_s * NS
        judgement = self.judgement(zone, begin_ns, to_ns, now_ns, activity=activity, alone=alone)
        return self.checked(judgement, from_ns, to_ns, before_s, activity)

    def asked_before_s(
        self, zone: str, from_ns: int, to_ns: int, now_ns: int, pre_window_s: int | None = None
    ) -> int:
        """The pre-window in s of an interval that can be judged; else IntervalError or UnknownName."""
        self.setup.zone(zone)
        extent = self.store.extent([c for c in self.setup.channels_in(zone) if c in self.store.channels()])
        require(zone, (from_ns, to_ns), extent, now_ns, self.setup.step_s * NS)
        return self.setup.at(from_ns).zone(zone).pre_window_s if pre_window_s is None else pre_window_s

    def checked(
        self, judgement: Judgement, from_ns: int, to_ns: int, pre_window_s: int, activity: str = ""
    ) -> Check:
        """The check of [from, to) by a judgement of its days, which may be longer: the answer is the same."""
        day = (from_ns - pre_window_s * NS) // DAY_NS - (ACTIVITY_DAYS if activity else 0)
        end_ns = -(-to_ns // judgement.grid.step_ns) * judgement.grid.step_ns
        return check(
            part(judgement, day * DAY_NS, end_ns),
            self.setup,
            from_ns,
            to_ns,
            pre_window_s=pre_window_s,
            marks=self.marks(),
            activity=activity,
            software=f"stillroom {__version__}, judge {JUDGE_VERSION}",
        )

    def rule_states(self, zone: str, at_ns: int, now_ns: int) -> list[RuleState]:
        """Every rule in the cell that holds `at_ns`, or in the last complete one before `now_ns`."""
        step_ns = self.setup.step_s * NS
        cell = min(at_ns // step_ns, now_ns // step_ns - 1)
        judgement = self._newest.get(zone)
        if judgement is None or not 0 <= cell - judgement.grid.first < judgement.grid.n:
            judgement = self.judgement(zone, cell * step_ns, (cell + 1) * step_ns, now_ns)
        return rule_states(judgement, cell - judgement.grid.first)

    def statistics(self, zone: str, from_ns: int, to_ns: int, now_ns: int) -> list[ChannelStatistics]:
        """Statistics of each channel of a zone over [from, to)."""
        judgement = self.judgement(zone, from_ns, to_ns, now_ns)
        step_ns, first = judgement.grid.step_ns, judgement.grid.first
        return statistics(
            judgement, self.setup, slice(from_ns // step_ns - first, -(-to_ns // step_ns) - first)
        )

    def corrected(self, channel: str, from_ns: int, to_ns: int) -> tuple[Int, Corrected]:
        """Instants of the valid readings of a channel in [from, to), with corrected values and U."""
        found = self.store.readings(channel, from_ns, to_ns)
        valid = np.isfinite(found.value)
        taken, raw = found.taken_ns[valid], found.value[valid]
        certificates = self.setup.certificates_of(channel)
        return taken, corrected(self.setup.channels[channel], certificates, taken, raw)

    def _stands(self, channel: str, zone: str, at_ns: int) -> bool:
        """Whether the probe of a channel stands in a zone: one that was taken away grows no older."""
        place = position_of(self.setup, channel, at_ns)
        return place is not None and place.zone == zone

    def judge_live(self, now_ns: int) -> None:
        """Judge every zone up to now and keep its newest statement for those who show it."""
        newest = self.store.newest_ok()
        for zone in (z.key for z in self.setup.zones_now()):
            before = self.stored_until(zone)
            self.refresh(zone, now_ns)
            if self.stored_until(zone) == before and zone in self.store.live():
                continue
            judgement, current = self._newest.get(zone), self.current(zone)
            if judgement is None or current is None or not judgement.grid.n:
                continue
            here = [c for c in self.setup.channels_in(zone) if c in newest and self._stands(c, zone, now_ns)]
            ages = [now_ns - newest[c].taken_ns for c in here]
            oldest_s = max(ages) / NS if ages else None
            self.store.put_live(zone, _text(statement(self.setup, judgement, current, oldest_s)))


def _end_ns(judgement: Judgement) -> int:
    return (judgement.grid.first + judgement.grid.n) * judgement.grid.step_ns


def _text(body: object) -> str:
    return json.dumps(body, ensure_ascii=False)
