"""What the pages show, put together from stored statements: nothing here judges a rule.

A statement that is too old to trust loses its place: the zone then reads "not shown", with the
age of the last word in words.
"""

from __future__ import annotations

import math
import secrets
import time
from collections.abc import Callable, Mapping, Sequence
from dataclasses import dataclass, replace
from typing import Any

from logger.acts.alarms import alarm_specs, comment_of
from logger.core.alarms.lifecycle import ACKNOWLEDGED, Alarm, AlarmState
from logger.errors import Refused, UnknownName
from logger.inspections.assess import Question
from logger.instants import NS
from logger.model import AlarmSpec, Inspection, Period, Position, Room, Rule, Setup, Zone
from logger.model.plain_forms import AssessmentAnswer
from logger.model.roles import Act

from ..access.needs import allowed
from .channels import channels_in
from .source import Source
from .spots import Spot
from .statements import Statement, statement
from .study_jobs import StudyJobs
from .words import STALE_S


@dataclass(frozen=True)
class OpenAlarm:
    """An alarm that is not normal, with its declaration."""

    alarm: Alarm
    spec: AlarmSpec
    rule: Rule | None
    zone: str
    limit: float | None

    @property
    def awaiting(self) -> bool:
        """Whether a person has still to acknowledge it."""
        return self.alarm.state in ACKNOWLEDGED


@dataclass(frozen=True)
class OverdueChannel:
    """A channel whose certificate in use is past its due day."""

    channel: str
    certificate: str
    due_ns: int


class Queries:
    """Views of one data folder."""

    def __init__(self, source: Source, now_ns: Callable[[], int] = time.time_ns, tick_s: float = 5.0) -> None:
        self.source = source
        self.now_ns = now_ns
        self.tick_s = tick_s  # how often a page asks for news
        self._looked: tuple[tuple[int, int, int], list[Spot]] | None = None
        self._studies: StudyJobs | None = None

    @property
    def setup(self) -> Setup:
        return self.source.setup()

    @property
    def room(self) -> Room:
        return self.setup.room

    @property
    def studies(self) -> StudyJobs:
        """The queue of studies of this record, one for all pages."""
        if self._studies is None:
            self._studies = StudyJobs(self.source.store.folder)
        return self._studies

    def zone(self, key: str) -> Zone:
        return self.setup.zone(key)

    # The word on each zone.

    def statements(self) -> list[Statement]:
        """One for each zone, in the order of the setup; nothing expected beside a value out of limits."""
        live, now = self.source.live(), self.now_ns()
        begun = not live and self._begun()
        statements = [
            statement(zone, live.get(zone.key), now, begun=begun) for zone in self.setup.zones_now()
        ]
        return [
            replace(s, ahead=None, bands=()) if (s.ahead or s.bands) and self._out_of_limits(s.zone) else s
            for s in statements
        ]

    def _begun(self) -> bool:
        """Whether the record is so young that its first verdict is still to come."""
        extent = self.source.extent()
        return extent is not None and self.now_ns() - extent[0] <= STALE_S * NS

    def _out_of_limits(self, zone: str) -> bool:
        """Whether the newest value of a channel is beyond a limit of it, judged or not yet."""
        now, newest = self.now_ns(), self.source.newest()
        rules = [r for r in self.setup.rules_of(zone) if r.kind == "limit" and r.holds(now)]
        for rule in rules:
            low = -math.inf if rule.lower is None else rule.lower
            high = math.inf if rule.upper is None else rule.upper
            for channel in self.setup.channels_of(rule):
                value = self._newest_corrected(channel, newest, now)[0]
                if value is not None and not low <= value <= high:
                    return True
        return False

    def alarms(self) -> list[OpenAlarm]:
        """Alarms that are not normal: those that await a person first, then by priority, then the oldest."""
        setup = self.setup
        specs = {spec.key: spec for spec in alarm_specs(setup)}
        alarms = [
            _open_alarm(setup, specs[alarm.key], alarm)
            for alarm in self.source.alarms()
            if alarm.state is not AlarmState.NORMAL and alarm.key in specs
        ]
        order = ("high", "medium", "low")
        return sorted(
            alarms, key=lambda a: (not a.awaiting, order.index(a.spec.priority), a.alarm.since_ns or 0)
        )

    def inspections(self) -> list[Inspection]:
        """Every job, in order of begin; none for a visitor who may not see jobs."""
        if not allowed(Act.READ_INSPECTIONS):
            return []
        return sorted(self.source.inspections(), key=lambda i: i.from_ns)

    def inspection(self, key: str) -> Inspection:
        """The inspection of that key, or UnknownName."""
        by_key = {i.key: i for i in self.inspections()}
        if key not in by_key:
            raise UnknownName("inspection", key, by_key)
        return by_key[key]

    def overdue(self, at_ns: int | None = None) -> list[OverdueChannel]:
        """Channels in the room whose newest certificate in use is past due, now or at an instant."""
        now, overdue, setup = self.now_ns() if at_ns is None else at_ns, [], self.setup
        for channel in setup.channels:
            used = [c for c in setup.certificates_of(channel) if c.valid_from_ns <= now]
            if setup.position_at(channel, self.now_ns()) is None:
                continue  # taken away: its readings support nothing here
            if used and used[-1].due_ns is not None and used[-1].due_ns <= now:
                overdue.append(OverdueChannel(channel, used[-1].number, used[-1].due_ns))
        return overdue

    def oldest_reading_s(self) -> float | None:
        """Age of the newest reading of the channel that has been silent longest; None without readings."""
        newest, setup, now = self.source.newest(), self.setup, self.now_ns()
        here = [c for c in setup.channels if c in newest and setup.position_at(c, now)]
        newest_ns = [newest[c].taken_ns for c in here]
        return (now - min(newest_ns)) / NS if newest_ns else None

    def stale(self) -> list[tuple[str, float]]:
        """Channels whose newest value is too old to be shown as one of now, with its age; oldest first."""
        newest, now, setup = self.source.newest(), self.now_ns(), self.setup
        ages = [(key, (now - newest[key].taken_ns) / NS) for key in setup.channels if key in newest]
        old = [(k, s) for k, s in ages if s > setup.channels[k].stale_after_s and setup.position_at(k, now)]
        return sorted(old, key=lambda pair: -pair[1])

    # Charts.

    def channels(self, zone: str, name: str) -> list[str]:
        """Channels of one quantity in a zone."""
        return channels_in(self.setup, zone, name)

    def label(self, channel: str) -> str:
        """The probe and its position, in as few last words as tell it from others of the zone."""
        setup = self.setup
        if channel not in setup.channels:
            return self.probe_label(channel.rpartition(".")[0])
        position = setup.position_at(channel, self.now_ns())
        probe = setup.channels[channel].probe
        return f"{probe} {_short_name(position, setup)}" if position else probe

    def probe_label(self, probe: str) -> str:
        """`label` of the first channel of a probe: what is derived from it stands where it stands."""
        channels = [key for key, channel in self.setup.channels.items() if channel.probe == probe]
        return self.label(channels[0]) if channels else probe

    def position_of(self, channel: str) -> Position | None:
        """Where the probe of a channel stands now, or None."""
        return self.setup.position_at(channel, self.now_ns())

    def periods(self, zone: str, from_ns: int, to_ns: int) -> list[Period]:
        now = self.now_ns()
        return self.source.periods(zone, from_ns, min(to_ns, now), now) if min(to_ns, now) > from_ns else []

    def touching(self, zone: str, from_ns: int, to_ns: int) -> list[Inspection]:
        """Inspections of a zone that touch a window."""
        return [
            i
            for i in self.inspections()
            if i.zone == zone and i.from_ns < to_ns and (i.to_ns is None or i.to_ns > from_ns)
        ]

    # Live.

    def cursor(self) -> int:
        """The number of the newest arrival."""
        return self.source.arrived_after(-1)[1]

    def news(self, cursor: int) -> tuple[dict[str, tuple[list[int], list[float | None]]], int]:
        """Corrected readings that arrived after a cursor, by channel; a failed poll breaks the line."""
        rows, newest = self.source.arrived_after(cursor)
        spans: dict[str, tuple[int, int]] = {}
        for _, row in rows:
            if row.late or row.channel not in self.setup.channels:
                continue
            first, last = spans.get(row.channel, (row.taken_ns, row.taken_ns))
            spans[row.channel] = min(first, row.taken_ns), max(last, row.taken_ns)
        news = {}
        for channel, (first, last) in spans.items():
            taken_ns, value, _ = self.source.corrected(channel, first, last + 1)
            news[channel] = (
                taken_ns.tolist(),
                [None if math.isnan(v) else round(v, 4) for v in value.tolist()],
            )
        return news, newest

    def spots(self) -> list[Spot]:
        """Temperature probes in the plan, with their newest corrected value; one look a second serves all."""
        key = self.cursor(), self.now_ns() // NS, self.setup.version
        if self._looked is None or self._looked[0] != key:
            self._looked = key, self._spots()
        return self._looked[1]

    def _spots(self) -> list[Spot]:
        now, newest, spots = self.now_ns(), self.source.newest(), []
        overdue = {o.channel for o in self.overdue()}
        for key, channel in self.setup.channels.items():
            place = self.position_of(key)
            if channel.quantity != "temperature" or place is None:
                continue
            value, U, seconds = self._newest_corrected(key, newest, now)
            why = (
                "certificate overdue"
                if key in overdue
                else ""
                if U is not None
                else "no certificate: as indicated"
            )
            trusted = value is not None and seconds <= channel.stale_after_s and not why
            spots.append(
                Spot(
                    channel.probe,
                    place.name,
                    place.medium,
                    *place.xyz_m,
                    value,
                    U,
                    seconds,
                    trusted,
                    why if value is not None else "",
                )
            )
        return spots

    def newest_corrected(self, channel: str) -> tuple[float | None, float | None, float]:
        """Newest corrected value of a channel, its U, and its age in s; without one: None, infinite age."""
        return self._newest_corrected(channel, self.source.newest(), self.now_ns())

    def _newest_corrected(
        self, key: str, newest: Mapping[str, Any], now: int
    ) -> tuple[float | None, float | None, float]:
        row = newest.get(key)
        if row is None:
            return None, None, float("inf")
        seconds = (now - row.taken_ns) / NS
        if row.value is None:
            return None, None, seconds
        _, value, U = self.source.corrected(key, row.taken_ns, row.taken_ns + 1)
        if not len(value):
            return None, None, seconds
        return float(value[-1]), None if math.isnan(U[-1]) else float(U[-1]), seconds

    def field_range(self) -> tuple[float, float]:
        """The fixed colour range of the plan: the middle half of the narrowest temperature band in force.

        It never follows the data, or the picture would flicker; what lies beyond takes the end colours.
        """
        now = self.now_ns()
        bands = [
            (r.lower, r.upper)
            for r in self.setup.rules
            if r.kind == "limit"
            and r.quantity == "temperature"
            and r.lower is not None
            and r.upper is not None
            and r.holds(now)
        ]
        low, high = min(bands, key=lambda band: band[1] - band[0], default=(19.5, 20.5))
        return (3 * low + high) / 4, (low + 3 * high) / 4

    # The check of an interval, and acts.

    def assess(self, question: Question) -> AssessmentAnswer:
        """The whole answer to a question, with µm and words for a report; a future end is refused."""
        self.zone(question.zone)
        return self.source.assess(question, self.now_ns())

    def decided(self) -> Mapping[str, str]:
        """Key of an inspection -> the newest decision on it."""
        return self.source.decided()

    def answers(self, jobs: Sequence[Inspection]) -> Sequence[AssessmentAnswer | str]:
        """The check of each job, or why it cannot be judged."""
        return self.source.answers(jobs, self.now_ns())

    def readiness(self) -> list[str]:
        """Whether an inspection may begin now, in words, for each zone."""
        now = self.now_ns()
        return [self.source.ready(zone.key, now) for zone in self.setup.zones_now()]

    def acknowledge(self, alarms: Sequence[str], who: str, comment: str) -> None:
        """Acknowledge alarms of one cause; Refused, with nothing changed, without a name or a comment."""
        _require_text(who, "your name")
        self.source.acknowledge(alarms, who.strip(), comment_of(comment), self.now_ns())

    def start_inspection(self, zone: str, title: str, who: str) -> Inspection:
        """A new running inspection with a key of its own."""
        self.zone(zone)
        _require_text(title, "a title: what is measured")
        _require_text(who, "your name")
        now = self.now_ns()
        key = time.strftime("%Y%m%d-%H%M%S", time.gmtime(now // NS)) + "-" + secrets.token_hex(2)
        job = Inspection(key, zone, now, None, title.strip(), person=who.strip())
        self.source.start_inspection(job, who.strip(), now)
        return job

    def stop_inspection(self, key: str, who: str) -> Inspection:
        """The end of a running inspection is now; who started it need not say the name again."""
        job = self.inspection(key)
        if job.to_ns is not None:
            raise Refused(f"Inspection {key} had already ended; nothing was changed.")
        return self.source.stop_inspection(key, who.strip() or job.person, self.now_ns())


def _require_text(text: str, what: str) -> None:
    if not text or not text.strip():
        raise Refused(f"Nothing was changed: expected {what}.")


def _open_alarm(setup: Setup, spec: AlarmSpec, alarm: Alarm) -> OpenAlarm:
    rule = next((r for r in reversed(setup.rules) if r.key == spec.rule), None)  # as changed last
    zone = rule.zone if rule else (spec.rule or spec.key).partition(".")[0]
    name = setup.zones[zone].name if zone in setup.zones else setup.room.name
    return OpenAlarm(alarm, spec, rule, name, alarm.worst.limit if alarm.worst else None)


def _short_name(position: Position, setup: Setup) -> str:
    """As many last words of a position's name as no other position of its zone ends with."""
    words = position.name.split()
    others = [
        other.name.split()
        for other in setup.positions.values()
        if other.zone == position.zone and other.name != position.name
    ]
    return next(
        (
            " ".join(words[-n:])
            for n in range(1, len(words))
            if all(other[-n:] != words[-n:] for other in others)
        ),
        position.name,
    )
