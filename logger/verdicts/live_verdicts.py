"""Every zone judged up to now, with its live statement: the turn of the service each minute."""

from __future__ import annotations

import json
from collections.abc import Mapping
from functools import partial

from ..core.judge.days import DAY_NS, DayVerdicts
from ..core.judge.judgement import Judgement
from ..core.judge.outlook import Gains
from ..core.judge.statement import statement
from ..errors import SeparateErrors, StoreError, StoreGone
from ..instants import NS
from ..model import Setup
from .forecast_gains import DatedGains, ForecastGains
from .head import Head
from .recent import judge_recent
from .verdicts import Verdicts

# Age in days below which readings may still lack for a window: windows are of hours, at most some days.
YOUNG_DAYS = 8
_text = partial(json.dumps, ensure_ascii=False)


class LiveVerdicts:
    """Keeps the verdicts of a record judged up to now. Several processes may: they store equal statements."""

    def __init__(self, verdicts: Verdicts, *, measures_gains: bool = True) -> None:
        """measures_gains: False where another job measures what forecasts gain, and `use_gains` takes it."""
        self._verdicts = verdicts
        self._ledger = verdicts.ledger
        self._measures_gains = measures_gains
        self._gains = ForecastGains(verdicts)
        self._judged_up_to: tuple[int, int] | None = None  # journal entry and cell of the last turn
        self._unread: dict[str, tuple[int, str]] = {}  # zones judged without sealed readings: cell, why

    @property
    def setup(self) -> Setup:
        """The setup by which is judged."""
        return self._verdicts.setup

    def use_gains(self, measured: Mapping[str, DatedGains]) -> None:
        """Take over what forecasts gained, measured elsewhere, for the statements to come."""
        self._gains.use(measured)

    def refuse_unread(self) -> None:
        """Raise StoreError where the last turn had to do without sealed readings of a zone."""
        for _, why in self._unread.values():
            raise StoreError(why)

    def judge(self, now_ns: int) -> None:
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
                self._gains.today(zone, now_ns)  # before anything is stored: a day of it takes a while
            if not self._ledger.refresh(zone, now_ns, partial(self._statement, now_ns)):
                self._store_missing_statement(zone, now_ns)
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
        self._store(zone, self._statement(now_ns, judgement, days, head))

    def _store_missing_statement(self, zone: str, now_ns: int) -> None:
        """Store the live statement of a zone that was judged without one."""
        judgement, head = self._ledger.newest.get(zone), self._ledger.head(zone)
        if zone not in self._ledger.cache.live() and judgement is not None and head is not None:
            self._store(zone, self._statement(now_ns, judgement, {}, head))

    def _store(self, zone: str, text: str | None) -> None:
        if text is not None:
            self._ledger.cache.put_live(zone, text)

    def _statement(
        self, now_ns: int, judgement: Judgement, unstored: Mapping[int, DayVerdicts], head: Head
    ) -> str | None:
        """The live statement on a zone as JSON text, from a judgement about to be stored, or None."""
        zone, current = judgement.zone, self._verdicts.running(judgement.zone, head, unstored)
        if current is None or not judgement.grid.n:
            return None
        newest = self._ledger.newest_values_ns(zone)
        # A removed probe is not counted as stale.
        ages = [now_ns - ns for channel, ns in newest.items() if self.setup.in_zone(channel, zone, now_ns)]
        oldest_s = max(ages) / NS if ages else None
        young = now_ns - head.first_day * DAY_NS < YOUNG_DAYS * DAY_NS
        start = self._verdicts.record_start(judgement) if young else None
        return _text(
            statement(self.setup, judgement, current, oldest_s, self._gained(zone, now_ns), start=start)
        )

    def _gained(self, zone: str, now_ns: int) -> Gains | None:
        """Gains for a statement; where another job measures them the newest there are, None before any."""
        return self._gains.today(zone, now_ns) if self._measures_gains else self._gains.newest(zone)
