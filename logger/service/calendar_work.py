"""What a service does by the calendar: seals, checks, backups, records of the month, numbers of cases."""

from __future__ import annotations

from collections.abc import Callable
from pathlib import Path

from ..inspections.cases import number_new
from ..model import Config
from ..processes.deadline import within
from ..store import Store
from ..verdicts.forecast_gains import ForecastGains
from ..verdicts.live_verdicts import LiveVerdicts
from ..verdicts.verdicts import Verdicts
from . import backups
from .daily_check import daily_check
from .jobs import Event
from .month_end import month_end
from .senders import Senders
from .service_calendar import ServiceCalendar
from .shared_loops import SharedWork

NUMBERS = "numbers of cases"
FORECASTS = "skill of forecasts"
BACKUP = "daily backup"
REACHED_S = 30.0  # a share that does not answer within this does not answer


class CalendarWork:
    """This work for one store, under the setup in force; done in threads of the senders."""

    def __init__(
        self,
        store: Store,
        event: Event,
        clock: Callable[[], int],
        senders: Senders,
        shared: SharedWork | None,
    ) -> None:
        self._store = store
        self._event = event
        self._clock = clock
        self._senders = senders
        self._shared = shared
        self._calendar: ServiceCalendar | None = None

    def use(self, config: Config, live: LiveVerdicts) -> None:
        """Work by a setup that is put in force; `live`: the judge's own, whose forecasts are measured."""
        self._config = config
        self._live = live
        if self._calendar is not None:
            self._calendar.do_now(FORECASTS, self._measure_forecasts)
            self._plan_backup()

    def start(self) -> None:
        """Begin; what forecasts gained is measured at once."""
        self._calendar = ServiceCalendar(self._senders, self._shared)
        daily = (
            (self._measure_forecasts, FORECASTS, 0, 5),
            (self._seal, "daily seal", 2, 10),
            (self._check, "daily check", 3, 10),
            (self._scrub, "daily reading of backups", 5, 10),
        )
        for work, name, hour, minute in daily:
            self._calendar.put(name, work, hour=hour, minute=minute)
        self._calendar.put("month's end", self._month_end, day=3, hour=4, minute=10)
        self._calendar.put(NUMBERS, self._number_cases, minute="*/10")
        self._plan_backup()
        self._calendar.start()
        self._calendar.do_now(FORECASTS, self._measure_forecasts)

    def end(self) -> None:
        """End without waiting for what is under way."""
        if self._calendar is not None:
            self._calendar.end()

    def planned(self, name: str) -> str:
        """When something is done, as the calendar has it; "" where it is not."""
        return "" if self._calendar is None else self._calendar.planned(name)

    def _plan_backup(self) -> None:
        """Daily at the time that the setup says, which may be another one than before."""
        if self._calendar is None:
            return
        self._calendar.drop(BACKUP)
        if self._config.backup is not None:
            hour, minute = self._config.backup.at_utc
            self._calendar.put(BACKUP, self._back_up, hour=hour, minute=minute)

    def _number_cases(self) -> None:
        """By verdicts of its own: the judge of this minute is not waited for."""
        number_new(Verdicts(self._store, self._config.setup), self._clock())

    def _measure_forecasts(self) -> None:
        """What forecasts gained over a week, beside the judge; again for a setup taken over meanwhile."""
        served = None
        while served is not self._live:
            served = self._live
            gains = ForecastGains(Verdicts(self._store, served.setup))
            served.use_gains(gains.measure_all(self._clock()))

    def _month_end(self) -> None:
        if self._config.monthly_records:
            self._event("month-end", month_end(self._store, self._config, self._clock()))

    def _back_up(self) -> None:
        if self._config.backup is not None:
            folder = Path(self._config.backup.folder)
            within(REACHED_S, f"the folder of the backups {folder}", lambda _: folder.exists())
            backups.daily(self._store, self._config.backup, self._event, self._clock())

    def _scrub(self) -> None:
        backups.scrub_backups(self._store, self._config.backup, self._event, self._clock())

    def _seal(self) -> None:
        self._store.seal(self._clock())

    def _check(self) -> None:
        daily_check(self._store, self._config.backup, self._event, self._clock())
