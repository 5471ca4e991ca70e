"""Verdicts of a room: periods, excursions and checks, from the ledger."""

from __future__ import annotations

from collections.abc import Iterator, Mapping
from contextlib import contextmanager
from dataclasses import replace
from zoneinfo import ZoneInfo

import numpy as np

from .. import __version__
from ..core.alarms.suspect_probes import suspect_probes
from ..core.calibration.apply import CorrectedReadings, correct_readings
from ..core.judge.days import DAY_NS, DayVerdicts
from ..core.judge.judgement import JUDGE_VERSION, Judgement
from ..core.judge.periods import join_periods
from ..core.judge.settings import judge_over
from ..core.judge.statement import rule_states
from ..core.measurement.channel_statistics import ChannelStatistics, statistics
from ..core.measurement.check import Check, check, check_verdict
from ..core.measurement.interval import require_judgeable
from ..instants import NS
from ..model import Excursion, Mark, Period, Reason, RuleState, Setup, Verdict
from ..model.reasons import RecordStart, Why
from ..series import Int
from ..store import Store
from ..store.types import JSON
from .check_context import ACTIVITY_DAYS, CheckContext, piece_of
from .comparison import compare_stored
from .excursions import AROUND_DAYS, excursions_in
from .head import NEVER_NS, Head, LedgerComparison
from .ledger import Ledger
from .watched_cache import WatchedCache

ALTERED = "stored verdicts were not what their readings, setup and marks give; they were judged anew"


class Verdicts:
    """Verdicts of one store under one setup. Several processes may use it: they store equal verdicts."""

    def __init__(self, store: Store, setup: Setup) -> None:
        self.store = store
        self.setup = setup
        self.ledger = Ledger(store, setup)

    def marks(self) -> tuple[Mark, ...]:
        """Every interval marked as not to be used."""
        return self.ledger.marks()

    def refresh(self, zone: str, now_ns: int) -> bool:
        """Judge again what is dirty, up to the last complete cell before `now_ns`; whether anything was."""
        return self.ledger.refresh(zone, now_ns)

    def altered_days(self, zone: str) -> list[str]:
        """UTC days whose stored verdicts differ from a judgement anew: somebody edited them."""
        return self.compare_stored(zone).altered_days

    def compare_stored(self, zone: str) -> LedgerComparison:
        """The stored verdicts of a zone, compared with a judgement anew."""
        return compare_stored(self.ledger, zone)

    def prove(self, zone: str, now_ns: int, span: tuple[int, int] | None = None) -> list[str]:
        """Judge a zone anew before a signature; altered days are replaced, journalled and returned.

        From then on the stored verdicts are those of this judgement: all of them, or those of the days
        that touch `span` [from, to) in ns, with as much before them as they hang on.
        """
        days = None if span is None else (span[0] // DAY_NS, (span[1] - 1) // DAY_NS)
        head = self.ledger.head(zone)
        if days is not None and head is not None and head.context == self.ledger.context:
            self.refresh(zone, now_ns)  # what is judged from a stored state is compared, too
        comparison = compare_stored(self.ledger, zone, days)
        self.ledger.replace_altered(zone, comparison)
        self.refresh(zone, now_ns)
        if comparison.altered_days:
            what: dict[str, JSON] = {"zone": zone, "altered": list(comparison.altered_days)}
            self.store.journal.append("verdicts-altered", "stillroom", what, ALTERED)
        return comparison.altered_days

    @contextmanager
    def watch_reads(self) -> Iterator[dict[str, set[int]]]:
        """Zone -> UTC days (numbers since 1970) whose stored verdicts are read while this is open."""
        stored = self.ledger.cache
        watched = WatchedCache(stored)
        self.ledger.cache = watched
        try:
            yield watched.reads
        finally:
            self.ledger.cache = stored

    def stored_until(self, zone: str) -> int | None:
        """Instant up to which verdicts are stored; None when none is."""
        head = self.ledger.head(zone)
        return None if head is None else head.until_ns

    def stored_days(self, zone: str, from_ns: int, to_ns: int) -> list[DayVerdicts]:
        """Stored pieces of the UTC days that touch [from, to)."""
        days = self.ledger.stored_days(zone, max(0, from_ns // DAY_NS), -(-to_ns // DAY_NS))
        return list(days.values())

    def periods(
        self, zone: str, from_ns: int, to_ns: int, now_ns: int, *, refresh: bool = True
    ) -> list[Period]:
        """Periods clipped to [from, to), half-open and without gaps where the record has been judged."""
        if refresh:
            self.refresh(zone, now_ns)
        head = self.ledger.head(zone)
        if head is None:
            return []
        complete = join_periods(p for day in self.stored_days(zone, from_ns, to_ns) for p in day.periods)
        return [
            replace(
                p,
                from_ns=max(p.from_ns, from_ns),
                to_ns=min(p.to_ns, to_ns),
                provisional=min(p.to_ns, to_ns) > head.open_from_ns,
            )
            for p in complete
            if p.from_ns < to_ns and p.to_ns > from_ns
        ]

    def current(self, zone: str) -> Period | None:
        """The newest stored period, from its true beginning."""
        head = self.ledger.head(zone)
        return None if head is None else self.running(zone, head, {})

    def running(self, zone: str, head: Head, unstored: Mapping[int, DayVerdicts]) -> Period | None:
        """The newest period; `unstored`: days that are not stored yet."""
        days = 1
        while True:
            first = max((head.until_ns - 1) // DAY_NS - days + 1, head.first_day)
            end = min([*unstored, NEVER_NS])
            stored = self.ledger.stored_days(zone, first, end) if first < end else {}
            by_day = {**stored, **unstored}
            periods = join_periods(
                p for _, day_verdicts in sorted(by_day.items()) for p in day_verdicts.periods
            )
            # A single period may have begun before the days read.
            if len(periods) != 1 or first <= head.first_day:
                return periods[-1] if periods else None
            days *= 4

    def excursions(
        self, zone: str | None, from_ns: int, to_ns: int, now_ns: int, *, refresh: bool = True
    ) -> list[Excursion]:
        """Excursions that overlap [from, to), unclipped, of one zone or all, ascending in time."""
        excursions: list[Excursion] = []
        for key in [zone] if zone else list(self.setup.zones):
            if refresh:
                self.refresh(key, now_ns)
            head = self.ledger.head(key)
            if head is not None:
                span = (from_ns - AROUND_DAYS * DAY_NS, to_ns + AROUND_DAYS * DAY_NS)
                around = self.stored_days(key, *span)
                excursions += excursions_in(around, self.setup, self.store, key, (from_ns, to_ns), head=head)
        return sorted(excursions, key=lambda e: (e.from_ns, e.zone, e.rule))

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

        `alone`: without stored verdicts, as for an activity and for a setup that is not in force.
        """
        if refresh and not alone:
            self.refresh(zone, now_ns)
        day = from_ns // DAY_NS
        if activity or alone:
            day -= ACTIVITY_DAYS
            state = self.ledger.unknown_state(zone, day)
        else:
            state = self.ledger.state_before(zone, day)
        step_ns = self.setup.step_s * NS
        end_ns = min(-(-to_ns // step_ns) * step_ns, now_ns // step_ns * step_ns)
        grid = self.ledger.grid(day * DAY_NS, end_ns)
        window = self.ledger.window(zone, grid, now_ns)
        readings = self.store.readings.read_channels(self.setup.channels_in(zone), *window)
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
        """Whether the data support a measurement in a zone over [from, to); `alone` as in `judgement`."""
        before_s = self.pre_window_s(zone, from_ns, to_ns, now_ns, pre_window_s)
        begin_ns = from_ns - before_s * NS
        judgement = self.judgement(zone, begin_ns, to_ns, now_ns, activity=activity, alone=alone)
        return self.check_judgement(judgement, from_ns, to_ns, before_s, activity)

    def record(self, zone: str) -> tuple[int, int] | None:
        """First and last instant with a reading of a zone's channels."""
        self.setup.zone(zone)
        stored = set(self.store.readings.channels())
        return self.store.readings.extent([c for c in self.setup.channels_in(zone) if c in stored])

    def pre_window_s(
        self, zone: str, from_ns: int, to_ns: int, now_ns: int, pre_window_s: int | None = None
    ) -> int:
        """The pre-window in s of an interval that can be judged; else IntervalError or UnknownName."""
        return self.pre_window_in_record_s(zone, (from_ns, to_ns), self.record(zone), now_ns, pre_window_s)

    def pre_window_in_record_s(
        self,
        zone: str,
        interval: tuple[int, int],
        record: tuple[int, int] | None,
        now_ns: int,
        pre_window_s: int | None = None,
    ) -> int:
        """`pre_window_s` for a `record` that was read before: its first and last instant in ns."""
        from_ns = interval[0]
        clock = ZoneInfo(self.setup.room.timezone)
        require_judgeable(zone, interval, record, now_ns, self.setup.step_s * NS, clock=clock)
        return self.setup.at(from_ns).zone(zone).pre_window_s if pre_window_s is None else pre_window_s

    def check_context(self, zone: str) -> CheckContext:
        """What checks of a zone need of the store, read once for many of them."""
        return CheckContext(self.marks(), self.ledger.begins_ns(zone))

    def check_judgement(
        self,
        judgement: Judgement,
        from_ns: int,
        to_ns: int,
        pre_window_s: int,
        activity: str = "",
        *,
        context: CheckContext | None = None,
    ) -> Check:
        """The check of [from, to) by a judgement of its days, which may be longer without effect."""
        piece = piece_of(judgement, (from_ns, to_ns), pre_window_s, activity)
        return check(
            piece,
            self.setup,
            from_ns,
            to_ns,
            pre_window_s=pre_window_s,
            marks=self.marks() if context is None else context.marks,
            activity=activity,
            software=f"stillroom {__version__}, judge {JUDGE_VERSION}",
            start=self.record_start(piece, context),
        )

    def verdict_of(
        self,
        judgement: Judgement,
        span: tuple[int, int],
        pre_window_s: int,
        activity: str,
        context: CheckContext,
    ) -> tuple[Verdict, Reason]:
        """Verdict and reason that `check_judgement` gives, without its figures and words."""
        piece = piece_of(judgement, span, pre_window_s, activity)
        start, marks = self.record_start(piece, context), context.marks
        return check_verdict(piece, self.setup, span, pre_window_s=pre_window_s, marks=marks, start=start)

    def record_start(self, judgement: Judgement, context: CheckContext | None = None) -> RecordStart | None:
        """When the record of a zone began; None where no window of the judgement lacks readings."""
        short = (Why.INCOMPLETE, Why.GAP)
        if not any(f.rule.window_s and np.isin(f.why, short).any() for f in judgement.findings):
            return None
        begins_ns = self.ledger.begins_ns(judgement.zone) if context is None else context.begins_ns
        return None if begins_ns is None else RecordStart(begins_ns, ZoneInfo(self.setup.room.timezone))

    def rule_states(self, zone: str, at_ns: int, now_ns: int) -> list[RuleState]:
        """Every rule in the cell that contains `at_ns`, or in the last complete one before `now_ns`."""
        judgement, cell = self._cell(zone, at_ns, now_ns)
        return rule_states(judgement, cell, self.record_start(judgement))

    def doubts(self, zone: str, at_ns: int, now_ns: int) -> dict[str, str]:
        """Suspect channel -> reason in words, in the cell that contains `at_ns`."""
        judgement, cell = self._cell(zone, at_ns, now_ns)
        return suspect_probes(judgement, self.setup, cell)

    def _cell(self, zone: str, at_ns: int, now_ns: int) -> tuple[Judgement, int]:
        """A judgement with the cell that contains an instant, and the cell's place in it."""
        step_ns = self.setup.step_s * NS
        cell = min(at_ns // step_ns, now_ns // step_ns - 1)
        judgement = self.ledger.newest.get(zone)
        if judgement is None or not 0 <= cell - judgement.grid.first < judgement.grid.n:
            judgement = self.judgement(zone, cell * step_ns, (cell + 1) * step_ns, now_ns)
        return judgement, cell - judgement.grid.first

    def statistics(self, zone: str, from_ns: int, to_ns: int, now_ns: int) -> list[ChannelStatistics]:
        """Statistics of each channel of a zone over [from, to)."""
        judgement = self.judgement(zone, from_ns, to_ns, now_ns)
        step_ns, first = judgement.grid.step_ns, judgement.grid.first
        return statistics(
            judgement, self.setup, slice(from_ns // step_ns - first, -(-to_ns // step_ns) - first)
        )

    def corrected_readings(self, channel: str, from_ns: int, to_ns: int) -> tuple[Int, CorrectedReadings]:
        """Instants of the valid readings of a channel in [from, to), with corrected values and U."""
        readings = self.store.readings.read(channel, from_ns, to_ns)
        valid = np.isfinite(readings.value)
        taken_ns, raw = readings.taken_ns[valid], readings.value[valid]
        certificates = self.setup.certificates_of(channel)
        return taken_ns, correct_readings(self.setup.channels[channel], certificates, taken_ns, raw)
