"""Where the pages get their numbers: stored statements, readings and verdicts of one data folder.

The pages never judge: periods, excursions and checks come from `logger.verdicts.verdicts`, which stores
what it judged.
"""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from pathlib import Path
from typing import TYPE_CHECKING, Any

from logger.core.alarms.lifecycle import Alarm
from logger.instants import NS
from logger.model import Excursion, Inspection, Period, Row, Setup
from logger.model.plain_forms import AssessmentAnswer, LiveStatement
from logger.record.names import MACHINES
from logger.series import Float, Int

from .administration import RecordAdministration
from .arrivals import UntilArrival
from .journal_words import QUIET
from .words import STALE_S, parse_ns

if TYPE_CHECKING:
    from logger.core.measurement.soak import SoakPlan
    from logger.inspections.assess import Question
    from logger.inspections.soak_clocks import SoakReading
    from logger.store import JournalEntry, Store
    from logger.verdicts.curves import Curve
    from logger.verdicts.verdicts import Verdicts


class Source:
    """A data folder, read by this process beside the service that writes it."""

    def __init__(self, folder: Path) -> None:
        from logger.store import Store
        from logger.verdicts.current import Current

        self.store: Store = Store.open(folder)
        self.current = Current(self.store)
        self._lock = self.current.judging
        self._newest = UntilArrival(lambda: self.store.readings.newest(ok=True))
        self._extent = UntilArrival(self.store.readings.extent)
        self.keeping = RecordAdministration(self.store, self.setup)

    @property
    def simulated(self) -> bool:
        """Whether the store holds invented data, for ever."""
        return bool(self.store.simulated)

    def _current(self) -> tuple[Setup, Verdicts]:
        """Setup and verdicts of the newest version."""
        return self.current.in_force

    def setup(self) -> Setup:
        """The newest setup that was applied."""
        return self._current()[0]

    def live(self) -> Mapping[str, LiveStatement]:
        """The service's newest statement of each zone."""
        from logger.core.judge.statement import read_statements

        return read_statements(self.store.verdict_cache.live())

    def arrived_after(self, cursor: int) -> tuple[list[tuple[int, Row]], int]:
        """Rows that came in after a cursor, and the new cursor; -1: only the newest cursor."""
        return self.store.readings.arrived_after(cursor)

    def heartbeat(self) -> Mapping[str, Any] | None:
        """When the service last had everything in order, and its parts; None when none ever ran."""
        from logger.service import heartbeat

        return heartbeat.read(self.store.folder)

    def newest(self) -> Mapping[str, Row]:
        """The newest row with a value of each channel."""
        return self._newest(self.arrived_after(-1)[1])

    def extent(self) -> tuple[int, int] | None:
        """First and last instant with a value."""
        return self._extent(self.arrived_after(-1)[1])

    def corrected(self, channel: str, from_ns: int, to_ns: int) -> tuple[Int, Float, Float]:
        """Instants, corrected values and expanded uncertainties, shape (n,) each."""
        taken_ns, corrected = self._current()[1].corrected_readings(channel, from_ns, to_ns)
        return taken_ns, corrected.value, corrected.U

    def curve(self, channel: str, from_ns: int, to_ns: int, bins: int) -> Curve:
        """Corrected extremes of a measured or derived channel in about so many bins, for any window."""
        from logger.verdicts.curves import curve

        return curve(self.store, self.setup(), channel, from_ns, to_ns, bins=bins)

    def acts(self, from_ns: int, to_ns: int, limit: int) -> list[JournalEntry]:
        """What people did in a window, newest first; inspections aside, which have their own list."""
        return self.store.journal.search(
            without=QUIET, not_by=MACHINES, from_ns=from_ns, to_ns=to_ns, limit=limit
        )

    def periods(self, zone: str, from_ns: int, to_ns: int, now_ns: int) -> list[Period]:
        """Periods of a zone, clipped to the interval."""
        verdicts = self._current()[1]
        with self._lock:
            return verdicts.periods(zone, from_ns, to_ns, now_ns, refresh=self._unattended(now_ns))

    def excursions(self, zone: str | None, from_ns: int, to_ns: int, now_ns: int) -> list[Excursion]:
        """Excursions that touch the interval."""
        verdicts = self._current()[1]
        with self._lock:
            return verdicts.excursions(zone, from_ns, to_ns, now_ns, refresh=self._unattended(now_ns))

    def _unattended(self, now_ns: int) -> bool:
        """Whether no service has spoken lately: then what is dirty is judged when it is asked for."""
        judged_at = [parse_ns(body["at"]) for body in self.live().values()]
        return not judged_at or now_ns - max(judged_at) > STALE_S * NS

    def assess(self, question: Question, now_ns: int) -> AssessmentAnswer:
        """The whole answer to a question, as `stillroom check --json` prints it.

        Where it is about a registered inspection its revision is written first.
        """
        from logger.inspections.assess import assess
        from logger.inspections.revisions import revise_assessment

        with self._lock:
            verdicts = self._current()[1]
            assessment = assess(verdicts, question, now_ns)
            revise_assessment(verdicts, assessment, now_ns, "page")
            return assessment.to_dict()

    def answers(self, jobs: Sequence[Inspection], now_ns: int) -> Sequence[AssessmentAnswer | str]:
        """The check of each job, or why it cannot be judged."""
        from logger.inspections.assess import question_of
        from logger.inspections.batch import assess_many

        with self._lock:
            answers = assess_many(self._current()[1], [question_of(job, now_ns) for job in jobs], now_ns)
        return [a.refused if a.assessment is None else a.assessment.to_dict() for a in answers]

    def decided(self) -> Mapping[str, str]:
        """Key of an inspection -> the newest decision on it."""
        from logger.acts.case_book import case_book

        return case_book(self.store).decided()

    def ready(self, zone: str, now_ns: int) -> str:
        """Whether an inspection may begin now, in a sentence."""
        from logger.inspections.readiness import ready

        with self._lock:
            return ready(self._current()[1], zone, now_ns).sentence

    def soaks(self, now_ns: int) -> list[SoakReading]:
        """Parts that stand in a zone until they are as warm as it."""
        from logger.inspections.soak_clocks import clocks, read

        with self._lock:
            verdicts = self._current()[1]
            return [read(verdicts, clock, now_ns) for clock in clocks(self.store)]

    def begin_soak(
        self, zone: str, name: str, from_C: float, plan: SoakPlan, *, who: str, now_ns: int
    ) -> None:
        """A part begins to soak."""
        from logger.inspections.soak_clocks import begin_soak

        begin_soak(self.store, self.setup(), zone, name, from_C=from_C, plan=plan, who=who, now_ns=now_ns)

    def end_soak(self, number: int, who: str) -> None:
        """It is measured, or taken away."""
        from logger.inspections.soak_clocks import end_soak

        end_soak(self.store, number, who)

    def alarms(self) -> list[Alarm]:
        """Every alarm as it stands."""
        from logger.acts import alarms as attending

        return attending.alarm_list(self.store)

    def inspections(self) -> list[Inspection]:
        """Every inspection, in order of start."""
        from logger.acts import inspections as actions

        return actions.inspections(self.store)

    def acknowledge(self, alarms: Sequence[str], who: str, comment: str, now_ns: int) -> None:
        """A person has seen the alarms of one cause: all of them are acknowledged, or none."""
        from logger.acts.alarms import acknowledge_many

        acknowledge_many(self.store, alarms, who, comment, now_ns)

    def start_inspection(self, inspection: Inspection, who: str, now_ns: int) -> None:
        """Register a job that begins now."""
        from logger.inspections.readiness import begin

        begin(self.store, self.setup(), inspection, who, now_ns)

    def stop_inspection(self, key: str, who: str, now_ns: int) -> Inspection:
        """End a running job; gives it as it is now."""
        from logger.acts import inspections as actions

        return actions.stop_inspection(self.store, key, who, now_ns)
