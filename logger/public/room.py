"""One record, opened for reading: each method answers with a table or a plain value."""

from __future__ import annotations

import time
from collections.abc import Sequence
from dataclasses import dataclass
from datetime import date, datetime
from pathlib import Path
from types import TracebackType
from typing import TYPE_CHECKING, Any
from zoneinfo import ZoneInfo

from logger import __version__
from logger.config import in_force
from logger.errors import IntervalError, Refused
from logger.instants import parse
from logger.store import Store
from logger.store.hot.address import holds_record
from logger.verdicts.overlay import VerdictOverlay
from logger.verdicts.verdicts import Verdicts

from .names import require_name
from .record_error import RecordError

if TYPE_CHECKING:
    import pandas as pd

Instant = str | date | datetime  # a pandas Timestamp is a datetime


def _tables() -> Any:
    """The module that needs pandas, which takes a while to import: at the first table."""
    from . import tables

    return tables


@dataclass(frozen=True)
class CheckAnswer:
    """The answer of `check`; `to_dict()` is what `stillroom check --json` prints."""

    _content: dict[str, Any]
    _zone: ZoneInfo

    @property
    def verdict(self) -> str:
        """stable, not stable or not shown."""
        return str(self._content["verdict"])

    @property
    def reasons(self) -> pd.DataFrame:
        """Every reason, those of the worst verdict first: one row each, as `excursions` has them."""
        table: pd.DataFrame = _tables().reasons(self._content["reasons"], self._zone)
        return table

    @property
    def conditions(self) -> str | None:
        """The sentence for a certificate; None where the verdict is *not shown*."""
        statement = self._content["statement"]
        return None if statement is None else str(statement)

    @property
    def stamp(self) -> str:
        """The line for a report, by which the answer is found again."""
        return str(self._content["stamp"])

    @property
    def digest(self) -> str:
        """SHA-256 of the answer."""
        return str(self._content["digest"])

    def to_dict(self) -> dict[str, Any]:
        """Everything, as plain data."""
        return dict(self._content)


class RoomRecord:
    """The record of one room. Nothing of it can be changed from here."""

    def __init__(self, store: Store) -> None:
        self._store = store
        versions = store.setups.versions()
        if not versions:
            raise RecordError(f"{store.folder}: expected a record with a setup, found none applied yet.")
        self._setup = in_force(versions).setup
        self._verdicts = Verdicts(store, self._setup)
        store.verdict_cache = VerdictOverlay(store)  # what is judged from here on stays in memory
        self._judging = Verdicts(store, self._setup)
        self._zone = ZoneInfo(self._setup.room.timezone)

    def __enter__(self) -> RoomRecord:
        return self

    def __exit__(
        self, kind: type[BaseException] | None, error: BaseException | None, trace: TracebackType | None
    ) -> None:
        self.close()

    def close(self) -> None:
        """Let go of the files."""
        self._store.close()

    @property
    def name(self) -> str:
        """Name of the room."""
        return self._setup.room.name

    @property
    def timezone(self) -> str:
        """Time zone of the room, as IANA names it."""
        return self._setup.room.timezone

    @property
    def simulated(self) -> bool:
        """Whether its readings come from a simulation: they show nothing of a real room."""
        return self._store.simulated

    @property
    def software(self) -> str:
        """The program that reads it."""
        return f"stillroom {__version__}"

    def zones(self) -> pd.DataFrame:
        """Zones by key: name, extent in plan (x0_m … y1_m), settling_s, pre_window_s, in_use."""
        return self._about(_tables().zones(self._setup))

    def channels(self) -> pd.DataFrame:
        """Channels by key, with their place and certificate.

        Columns probe, serial, quantity, unit, zone, position, medium, x_m, y_m, z_m, certificate, due.

        unit: that of corrected values. Zone, position and certificate are those of now; NA where there is
        none.
        """
        return self._about(_tables().channels(self._setup, time.time_ns()))

    def readings(self, channel: str, start: Instant, end: Instant, *, quality: bool = False) -> pd.DataFrame:
        """Readings of a channel in [start, end): one row each, index `taken` in the room's time zone.

        Columns, for a temperature: indicated_degC (as read), corrected_degC (by the certificate in force at
        that instant), U_K (expanded uncertainty of the corrected value, k = 2), status, why (the reading
        supports no verdict; empty where it does), late (it came by a file or after a lost link). NaN where
        there is no value.
        `quality`: also quality, the flag of QARTOD by which the judge sorts readings; takes longer.
        """
        self._require_channel(channel)
        span = self._span(start, end)
        return self._about(
            _tables().readings(self._store, self._setup, channel, span, self._zone, quality=quality), channel
        )

    def grid(self, channels: Sequence[str], start: Instant, end: Instant) -> pd.DataFrame:
        """Cells as the judge sees them: index `from`, columns (channel, degC) and (channel, U_K) or alike.

        A cell without evidence is NaN: too old a reading, one in doubt, a certificate that is overdue.
        """
        if isinstance(channels, str):
            raise Refused(f"channels: expected a list such as [{channels!r}], found a text.")
        for channel in channels:
            self._require_channel(channel)
        from_ns, to_ns = self._span(start, end)
        return self._about(
            _tables().grid(self._judging, list(channels), (from_ns, to_ns), time.time_ns(), self._zone)
        )

    def verdicts(self, zone: str, start: Instant, end: Instant) -> pd.DataFrame:
        """Stored verdicts of a zone in [start, end), one row for each period without a change.

        Columns from, to, verdict, reason, rule, probe, provisional. Nothing is judged for it: minutes that
        the service has not judged yet are missing at the end.
        """
        self._require_zone(zone)
        periods = self._verdicts.periods(zone, *self._span(start, end), time.time_ns(), refresh=False)
        return self._about(_tables().verdicts(periods, self._zone))

    def excursions(self, zone: str | None, start: Instant, end: Instant) -> pd.DataFrame:
        """Excursions that overlap [start, end), of a zone or of all (None), whole.

        Columns zone, rule, from, to, worst, worst_at, limit, U, unit, exceedance, exceedance_unit, proven,
        probes, basis, provisional, disposition (whether one is asked for). worst, limit: in `unit`.
        """
        if zone is not None:
            self._require_zone(zone)
        runs = self._verdicts.excursions(zone, *self._span(start, end), time.time_ns(), refresh=False)
        return self._about(_tables().excursions(runs, self._zone))

    def cases(self, zone: str | None, start: Instant, end: Instant) -> pd.DataFrame:
        """Excursions gathered by event that touch [start, end), of a zone or of all (None).

        Columns case (NA where no decision is asked for), zones, from, to, settled, state, cause, runs.
        """
        from logger.inspections.cases import cases_in

        if zone is not None:
            self._require_zone(zone)
        span, now_ns = self._span(start, end), time.time_ns()
        records = cases_in(self._verdicts, zone, *span, now_ns, refresh=False, write=False)
        return self._about(_tables().cases(records, self._zone))

    def studies(self, zone: str | None = None) -> pd.DataFrame:
        """Figures of the stored answers of the room study, newest answer first: one row for each figure.

        Columns asked, question, zone, channel, from, to, figure, value, unit, low, high (95 % interval),
        shown, why_not, text, digest. value is NaN where it is not shown, low and high where there is no
        interval; text then says why.
        """
        if zone is not None:
            self._require_zone(zone)
        return self._about(_tables().studies(self._store.studies.newest(zone), self._zone))

    def check(
        self,
        zone: str,
        start: Instant,
        end: Instant,
        *,
        activity: str = "",
        pre_window_s: int | None = None,
    ) -> CheckAnswer:
        """Did the room support what was measured in [start, end)? Answered as by `stillroom check`.

        This one judges, from the stored readings, and stores nothing.
        """
        from logger.inspections.assess import Question, assess

        self._require_zone(zone)
        activities = {r.activity for s in self._setup.by_settings() for r in s.rules if r.zone == zone}
        if activity:
            require_name("activity", activity, activities - {""})
        from_ns, to_ns = self._span(start, end)
        question = Question(zone, from_ns, to_ns, pre_window_s, activity)
        answer = assess(self._judging, question, time.time_ns())
        return CheckAnswer(dict(answer.to_dict()), self._zone)

    def _require_zone(self, zone: str) -> None:
        require_name("zone", zone, self._setup.zones)

    def _require_channel(self, channel: str) -> None:
        require_name("channel", channel, self._setup.channels)

    def _span(self, start: Instant, end: Instant) -> tuple[int, int]:
        from_ns, to_ns = self._instant(start, "start"), self._instant(end, "end")
        if from_ns >= to_ns:
            raise IntervalError(f"start {start!s}: expected an instant before end {end!s}.")
        return from_ns, to_ns

    def _instant(self, time: Instant, what: str) -> int:
        """An instant in ns: a text as on the command line, a day, or a datetime (naive: the room's time)."""
        if isinstance(time, datetime) and time == time:  # noqa: PLR0124 (NaT is equal to nothing)
            nanosecond = int(getattr(time, "nanosecond", 0))  # of a Timestamp
            wall = time.strftime("%Y-%m-%dT%H:%M:%S")
            fraction = f".{time.microsecond:06d}{nanosecond:03d}"
            return parse(wall + fraction + _offset(time), self._zone, what)
        if isinstance(time, date):
            return parse(time.isoformat(), self._zone, what)
        if isinstance(time, str):
            return parse(time, self._zone, what)
        # A datetime64 has no zone: one from the index of a table is UTC, another one may be local.
        raise IntervalError(
            f"{what}: expected a text, a date, a datetime or a Timestamp, such as one of an index, "
            f"found {type(time).__name__}."
        )

    def _about(self, table: pd.DataFrame, channel: str = "") -> pd.DataFrame:
        """The table with where it comes from; no unit stands here, since pandas drops such notes easily."""
        table.attrs = {
            "record": self._store.key,
            "simulated": self.simulated,
            "software": self.software,
            "asked_at": datetime.now(self._zone).isoformat(timespec="seconds"),
            **({"channel": channel} if channel else {}),
        }
        return table


def _offset(time: datetime) -> str:
    text = time.strftime("%z")
    return f"{text[:3]}:{text[3:5]}" if text else ""


def open_record(folder: str | Path) -> RoomRecord:
    """Open the record of a folder for reading; RecordError where there is none.

    Every byte of the folder stays as it is, also while the service writes it.
    """
    path = Path(folder).expanduser()
    if not path.is_dir() or not holds_record(path):
        beside = "a folder without stillroom.db" if path.is_dir() else "no such folder"
        raise RecordError(f"{path}: expected the data folder of a record, found {beside}.")
    store = Store.open(path, read_only=True)
    try:
        return RoomRecord(store)
    except BaseException:
        store.close()
        raise


__all__ = ["CheckAnswer", "RoomRecord", "open_record"]
