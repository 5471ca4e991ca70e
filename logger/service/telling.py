"""From an alarm to letters: who is told now, in which words, and the journal's entry that says so."""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from dataclasses import dataclass

from sqlalchemy import Connection

from .. import actions
from ..alarms import Alarm, Notice
from ..duty import Address, addresses, not_before
from ..links import LASTS_NS, Permit, link
from ..model import NS, AlarmSpec, Config, Inspection, Setup
from ..notify.text import Around, Wording, wording
from ..store import Store
from ..store.facts import JSON

KIND = "notice"


@dataclass(frozen=True)
class Telling:
    """Puts notices into the outbox, in the transaction of the turn."""

    store: Store
    config: Config
    conn: Connection
    specs: Mapping[str, AlarmSpec]
    now_ns: int

    def put(self, notice: Notice, alarm: Alarm, others: Sequence[Alarm]) -> int:
        """One notice to everybody whom the alarm, and those that it speaks for, are to be told to.

        Gives the instant from which on it goes out.
        """
        spec = self.specs[notice.alarm]
        fellows = [self.specs[o.key] for o in others]
        escalated = notice.step.startswith("escalated")
        names = [n for s in (spec, *fellows) for n in (s.escalate_to if escalated else s.routes)]
        every = addresses(names, self.config, self.now_ns)
        if not every:
            return self.now_ns
        jobs = self._running(zone_of(spec, self.config.setup))
        letters = [(a, self._worded(notice, alarm, others, jobs, a)) for a in every]
        next_ns = self._next_ns([spec, *fellows])
        told = {"priority": spec.priority, "zone": zone_of(spec, self.config.setup)}
        box = actions.outbox(self.store)
        box.put(self.conn, notice, letters, self.now_ns, next_ns=next_ns, told=told)
        what: dict[str, JSON] = {
            "alarm": alarm.key,
            "step": notice.step,
            "occurrence": notice.occurrence,
            "also": list[JSON](o.key for o in others),
            "to": list[JSON](f"{a.route}: {a.recipient or a.route}" for a in every),
            "waits_s": (next_ns - self.now_ns) // NS,
        }
        self.store.journal.append(KIND, "service", what, letters[0][1].subject, self.conn)
        return next_ns

    def _running(self, zone: str) -> list[Inspection]:
        return [job for job in actions.inspections(self.store, zone or None) if job.to_ns is None]

    def _worded(
        self,
        notice: Notice,
        alarm: Alarm,
        others: Sequence[Alarm],
        jobs: Sequence[Inspection],
        to: Address,
    ) -> Wording:
        spec = self.specs[notice.alarm]
        around = Around(
            alarm=alarm,
            others=[(self.specs[o.key], o) for o in others],
            running=jobs,
            link=self._link(notice, to),
            temperature=to.temperature,
            simulated=self.store.simulated,
        )
        return wording(notice, spec, zone_of(spec, self.config.setup), self.config.setup, around=around)

    def _link(self, notice: Notice, to: Address) -> str:
        pages = self.config.notices.pages
        if not pages or not to.recipient or notice.step == "returned":
            return ""
        who = to.person or to.recipient
        permit = Permit(notice.alarm, notice.occurrence, notice.step, who, self.now_ns + LASTS_NS)
        return link(self.store.folder, pages, permit)

    def _next_ns(self, specs: Sequence[AlarmSpec]) -> int:
        if not all(spec.can_wait for spec in specs):
            return self.now_ns
        return not_before(self.config.notices, self.config.setup.room.timezone, self.now_ns)


def annunciation(alarm: Alarm) -> Notice:
    """The first notice of an occurrence, as the alarm is now."""
    at_ns = alarm.annunciated_ns or 0
    assert alarm.worst is not None  # noqa: S101 (what was annunciated has a worst cell)
    since_ns = at_ns if alarm.since_ns is None else alarm.since_ns
    return Notice(
        alarm.key, alarm.occurrence, "annunciated", at_ns, since_ns, alarm.worst, alarm.newest or alarm.worst
    )


def zone_of(spec: AlarmSpec, setup: Setup) -> str:
    """The zone that an alarm is about; empty for the whole room."""
    if not spec.rule:
        return spec.zone
    return next(rule.zone for rule in setup.rules if rule.key == spec.rule)
