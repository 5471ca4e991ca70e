"""Verdicts of a room: periods, excursions, checks and the newest statement, from the ledger."""

from __future__ import annotations

import json
from collections.abc import Iterator, Mapping
from contextlib import contextmanager
from dataclasses import replace
from functools import partial
from zoneinfo import ZoneInfo

import numpy as np

from .. import __version__
from ..core.alarms.suspect_probes import suspect_probes
from ..core.calibration.apply import CorrectedReadings, correct_readings
from ..core.judge.days import DAY_NS, DayVerdicts
from ..core.judge.judgement import JUDGE_VERSION, Judgement
from ..core.judge.outlook import Gains, gains
from ..core.judge.periods import join_periods
from ..core.judge.settings import judge_over
from ..core.judge.statement import rule_states, statement
from ..core.measurement.channel_statistics import ChannelStatistics, statistics
from ..core.measurement.check import Check, check, check_verdict
from ..core.measurement.interval import require_judgeable
from ..errors import SeparateErrors, StoreError, StoreGone
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
from .recent import judge_recent
from .watched_cache import WatchedCache

# Age in days below which readings may still lack for a window: windows are of hours, at most some days.
YOUNG_DAYS = 8
# Days over which forecasts are compared with persistence.
GAIN_DAYS = 28
ALTERED = "stored verdicts were not what their readings, setup and marks give; they were judged anew"
_text = partial(json.dumps, ensure_ascii=False)


class Verdicts:
    """Verdicts of one store under one setup. Several processes may use it: they store equal verdicts."""

    def __init__(self, store: Store, setup: Setup, *, measures_gains: bool = True) -> None:
        """measures_gains: False where another job measures what forecasts gain, and `use_gains` takes it."""
        self.store = store
        self.setup = setup
        self._ledger = Ledger(store, setup)
        self._measures_gains = measures_gains
        self._gains: dict[str, tuple[int, Gains]] = {}
        self._judged_up_to: tuple[int, int] | None = None  # journal entry and cell of the last live turn
        self._unread: dict[str, tuple[int, str]] = {}  # zones judged without sealed readings: cell, why

    def marks(self) -> tuple[Mark, ...]:
        """Every interval marked as not to be used."""
        return self._ledger.marks()

    def refresh(self, zone: str, now_ns: int) -> bool:
        """Judge again what is dirty, up to the last complete cell before `now_ns`; whether anything was."""
        return self._ledger.refresh(zone, now_ns)

    def altered_days(self, zone: str) -> list[str]:
        """UTC days whose stored verdicts differ from a judgement anew: somebody edited them."""
        return self.compare_stored(zone).altered_days

    def compare_stored(self, zone: str) -> LedgerComparison:
        """The stored verdicts of a zone, compared with a judgement anew."""
        return compare_stored(self._ledger, zone)

    def prove(self, zone: str, now_ns: int, span: tuple[int, int] | None = None) -> list[str]:
        """Judge a zone anew before a signature; altered days are replaced, journalled and returned.

        From then on the stored verdicts are those of this judgement: all of them, or those of the days
        that touch `span` [from, to) in ns, with as much before them as they hang on.
        """
        days = None if span is None else (span[0] // DAY_NS, (span[1] - 1) // DAY_NS)
        head = self._ledger.head(zone)
        if days is not None and head is not None and head.context == self._ledger.context:
            self.refresh(zone, now_ns)  # what is judged from a stored state is compared, too
        comparison = compare_stored(self._ledger, zone, days)
        self._ledger.replace_altered(zone, comparison)
        self.refresh(zone, now_ns)
        if comparison.altered_days:
            what: dict[str, JSON] = {"zone": zone, "altered": list(comparison.altered_days)}
            self.store.journal.append("verdicts-altered", "stillroom", what, ALTERED)
        return comparison.altered_days

    @contextmanager
    def watch_reads(self) -> Iterator[dict[str, set[int]]]:
        """Zone -> UTC days (numbers since 1970) whose stored verdicts are read while this is open."""
        stored = self._ledger.cache
        watched = WatchedCache(stored)
        self._ledger.cache = watched
        try:
            yield watched.reads
        finally:
            self._ledger.cache = stored

    def stored_until(self, zone: str) -> int | None:
        """Instant up to which verdicts are stored; None when none is."""
        head = self._ledger.head(zone)
        return None if head is None else head.until_ns

    def stored_days(self, zone: str, from_ns: int, to_ns: int) -> list[DayVerdicts]:
        """Stored pieces of the UTC days that touch [from, to)."""
        days = self._ledger.stored_days(zone, max(0, from_ns // DAY_NS), -(-to_ns // DAY_NS))
        return list(days.values())

    def periods(
        self, zone: str, from_ns: int, to_ns: int, now_ns: int, *, refresh: bool = True
    ) -> list[Period]:
        """Periods clipped to [from, to), half-open and without gaps where the record has been judged."""
        if refresh:
            self.refresh(zone, now_ns)
        head = self._ledger.head(zone)
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
        head = self._ledger.head(zone)
        return None if head is None else self._running(zone, head, {})

    def _running(self, zone: str, head: Head, unstored: Mapping[int, DayVerdicts]) -> Period | None:
        """The newest period; `unstored`: days that are not stored yet."""
        days = 1
        while True:
            first = max((head.until_ns - 1) // DAY_NS - days + 1, head.first_day)
            end = min([*unstored, NEVER_NS])
            stored = self._ledger.stored_days(zone, first, end) if first < end else {}
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
            head = self._ledger.head(key)
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
            state = self._ledger.unknown_state(zone, day)
        else:
            state = self._ledger.state_before(zone, day)
        step_ns = self.setup.step_s * NS
        end_ns = min(-(-to_ns // step_ns) * step_ns, now_ns // step_ns * step_ns)
        grid = self._ledger.grid(day * DAY_NS, end_ns)
        window = self._ledger.window(zone, grid, now_ns)
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
        return CheckContext(self.marks(), self._ledger.begins_ns(zone))

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
            start=self._record_start(piece, context),
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
        start, marks = self._record_start(piece, context), context.marks
        return check_verdict(piece, self.setup, span, pre_window_s=pre_window_s, marks=marks, start=start)

    def _record_start(self, judgement: Judgement, context: CheckContext | None = None) -> RecordStart | None:
        """When the record of a zone began; None where no window of the judgement lacks readings."""
        short = (Why.INCOMPLETE, Why.GAP)
        if not any(f.rule.window_s and np.isin(f.why, short).any() for f in judgement.findings):
            return None
        begins_ns = self._ledger.begins_ns(judgement.zone) if context is None else context.begins_ns
        return None if begins_ns is None else RecordStart(begins_ns, ZoneInfo(self.setup.room.timezone))

    def rule_states(self, zone: str, at_ns: int, now_ns: int) -> list[RuleState]:
        """Every rule in the cell that contains `at_ns`, or in the last complete one before `now_ns`."""
        judgement, cell = self._cell(zone, at_ns, now_ns)
        return rule_states(judgement, cell, self._record_start(judgement))

    def doubts(self, zone: str, at_ns: int, now_ns: int) -> dict[str, str]:
        """Suspect channel -> reason in words, in the cell that contains `at_ns`."""
        judgement, cell = self._cell(zone, at_ns, now_ns)
        return suspect_probes(judgement, self.setup, cell)

    def _cell(self, zone: str, at_ns: int, now_ns: int) -> tuple[Judgement, int]:
        """A judgement with the cell that contains an instant, and the cell's place in it."""
        step_ns = self.setup.step_s * NS
        cell = min(at_ns // step_ns, now_ns // step_ns - 1)
        judgement = self._ledger.newest.get(zone)
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

    def refuse_unread(self) -> None:
        """Raise StoreError where the last live turn had to do without sealed readings of a zone."""
        for _, why in self._unread.values():
            raise StoreError(why)

    def judge_live(self, now_ns: int) -> None:
        """Judge every zone up to now and store its live statement, where anything is new.

        Where sealed readings cannot be read, the newest days are judged without them, see `refuse_unread`.
        A zone that fails does not stop the others; its error is raised after them.
        """
        if (instant := self._ledger.live_instant(now_ns)) == self._judged_up_to:
            return
        errors = SeparateErrors()
        for zone in (z.key for z in self.setup.zones_now()):
            with errors.of(zone):
                self._judge_zone(zone, now_ns, instant[1])
        errors.raise_first()
        self._judged_up_to = instant

    def _judge_zone(self, zone: str, now_ns: int, cell: int) -> None:
        if self._unread.get(zone, (None,))[0] == cell:  # not again in the same cell: it takes a while
            return
        try:
            if self._measures_gains:
                self.forecast_gains(zone, now_ns)  # before anything is stored: a day of it takes a while
            if not self._ledger.refresh(zone, now_ns, partial(self.live_statement, now_ns)):
                self.store_missing_statement(zone, now_ns)
            self._unread.pop(zone, None)
        except StoreGone:
            raise
        except StoreError as error:
            self._judge_recent(zone, now_ns)
            self._unread[zone] = cell, str(error)

    def _judge_recent(self, zone: str, now_ns: int) -> None:
        """The live statement, and the cells for alarms, by the readings that are not sealed."""
        judgement, days, head = judge_recent(self._ledger, zone, now_ns)
        self._ledger.newest[zone] = judgement
        live = self.live_statement(now_ns, judgement, days, head)
        if live is not None:
            self._ledger.cache.put_live(zone, live)

    def live_statement(
        self, now_ns: int, judgement: Judgement, unstored: Mapping[int, DayVerdicts], head: Head
    ) -> str | None:
        """The live statement on a zone as JSON text, from a judgement about to be stored, or None."""
        zone, current = judgement.zone, self._running(judgement.zone, head, unstored)
        if current is None or not judgement.grid.n:
            return None
        newest = self._ledger.newest_values_ns(zone)
        # A removed probe is not counted as stale.
        ages = [now_ns - ns for channel, ns in newest.items() if self.setup.in_zone(channel, zone, now_ns)]
        gains = self._newest_gains(zone, now_ns)
        oldest_s = max(ages) / NS if ages else None
        young = now_ns - head.first_day * DAY_NS < YOUNG_DAYS * DAY_NS
        start = self._record_start(judgement) if young else None
        return _text(statement(self.setup, judgement, current, oldest_s, gains, start=start))

    def measure_gains(self, now_ns: int) -> dict[str, tuple[int, Gains]]:
        """By zone the UTC day (number since 1970) and what forecasts gained; for `use_gains`."""
        for zone in self.setup.zones_now():
            self.forecast_gains(zone.key, now_ns)
        return dict(self._gains)

    def use_gains(self, measured: Mapping[str, tuple[int, Gains]]) -> None:
        """Take over what was measured elsewhere, for the statements to come."""
        self._gains = dict(measured)

    def _newest_gains(self, zone: str, now_ns: int) -> Gains | None:
        """Gains for a statement; where another job measures them the newest there are, None before any."""
        if self._measures_gains:
            return self.forecast_gains(zone, now_ns)
        return self._gains[zone][1] if zone in self._gains else None

    def forecast_gains(self, zone: str, now_ns: int) -> Gains:
        """Gain of forecasts over the last week of a zone; measured once a UTC day."""
        day = now_ns // DAY_NS
        cached = self._gains.get(zone)
        if cached is None or cached[0] != day:
            record = self.record(zone)
            begin_ns = (day - GAIN_DAYS) * DAY_NS
            measured: Gains = {}
            if record is not None and record[0] < now_ns:
                judgement = self.judgement(zone, max(record[0], begin_ns), now_ns, now_ns, refresh=False)
                measured = gains(self.setup, judgement) if judgement.grid.n else {}
            cached = self._gains[zone] = day, measured
        return cached[1]

    def store_missing_statement(self, zone: str, now_ns: int) -> None:
        """Store the live statement of a zone that was judged without one."""
        judgement, head = self._ledger.newest.get(zone), self._ledger.head(zone)
        if zone not in self._ledger.cache.live() and judgement is not None and head is not None:
            live = self.live_statement(now_ns, judgement, {}, head)
            if live is not None:
                self._ledger.cache.put_live(zone, live)
