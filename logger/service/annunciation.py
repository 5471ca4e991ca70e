"""From an alarm to letters: the recipients now, the words, and the entry in the journal."""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from dataclasses import dataclass, replace

from sqlalchemy import Connection

from ..acts import alarms as attending
from ..acts import inspections as actions
from ..core.alarms.lifecycle import Alarm, AlarmNotice
from ..core.alarms.recipients import Address, addresses, not_before
from ..instants import NS
from ..model import AlarmSpec, Config, Inspection
from ..notify.links import LASTS_NS, Permit, link
from ..notify.text import NoticeContext, Wording, wording, zone_of
from ..store import Store
from ..store.types import JSON

KIND = "notice"


@dataclass(frozen=True)
class NoticeWriter:
    """Puts notices into the outbox, in the transaction of the turn."""

    store: Store
    config: Config
    conn: Connection
    specs: Mapping[str, AlarmSpec]
    now_ns: int

    def put(
        self, notice: AlarmNotice, alarm: Alarm, others: Sequence[Alarm] = (), standing: Sequence[Alarm] = ()
    ) -> int:
        """One notice to every recipient of the alarm and of those that it announces too.

        `others` are announced with it for the first time, `standing` ones of its cause were before. Gives the
        instant (ns) from which on it goes out.
        """
        spec = self.specs[notice.alarm]
        others_specs = [self.specs[o.key] for o in (*others, *standing)]
        escalated = notice.step.startswith("escalated")
        names = [n for s in (spec, *others_specs) for n in (s.escalate_to if escalated else s.routes)]
        recipients = addresses(names, self.config, self.now_ns)
        if not recipients:
            return self.now_ns
        around = self._around(notice, alarm, others, standing)
        letters = [(a, self._wording_for(notice, around, a)) for a in recipients]
        next_ns = self._next_ns([spec, *(self.specs[o.key] for o in others)])
        facts = {"priority": spec.priority, "zone": zone_of(spec, self.config.setup)}
        box = attending.outbox(self.store)
        box.put(self.conn, notice, letters, self.now_ns, next_ns=next_ns, further=facts)
        what: dict[str, JSON] = {
            "alarm": alarm.key,
            "step": notice.step,
            "occurrence": notice.occurrence,
            "also": list[JSON](o.key for o in others),
            "to": list[JSON](f"{a.route}: {a.recipient or a.route}" for a in recipients),
            "waits_s": (next_ns - self.now_ns) // NS,
        }
        self.store.journal.append(KIND, "service", what, letters[0][1].subject, self.conn)
        return next_ns

    def _running(self, zone: str) -> list[Inspection]:
        return [job for job in actions.inspections(self.store, zone or None) if job.to_ns is None]

    def _around(
        self, notice: AlarmNotice, alarm: Alarm, others: Sequence[Alarm], standing: Sequence[Alarm]
    ) -> NoticeContext:
        return NoticeContext(
            alarm=alarm,
            others=[(self.specs[o.key], o) for o in others],
            standing=[(self.specs[o.key], o) for o in standing],
            running=self._running(zone_of(self.specs[notice.alarm], self.config.setup)),
            simulated=self.store.simulated,
        )

    def _wording_for(self, notice: AlarmNotice, around: NoticeContext, to: Address) -> Wording:
        spec = self.specs[notice.alarm]
        mine = replace(around, temperature=to.temperature, links=self._links(notice, around, to))
        return wording(notice, spec, zone_of(spec, self.config.setup), self.config.setup, around=mine)

    def _links(self, notice: AlarmNotice, around: NoticeContext, to: Address) -> dict[str, str]:
        """Key of each alarm in the notice -> the address where its recipient can acknowledge it."""
        pages = self.config.notices.pages
        if not pages or not to.recipient or notice.step == "returned":
            return {}
        leader = [] if around.alarm is None else [replace(around.alarm, occurrence=notice.occurrence)]
        alarms = [*leader, *(alarm for _, alarm in around.others)]
        return {alarm.key: self._link(pages, notice, alarm, to) for alarm in alarms}

    def _link(self, pages: str, notice: AlarmNotice, alarm: Alarm, to: Address) -> str:
        who = to.person or to.recipient
        step = notice.step.split()[0] + (f" {alarm.repeats}" if alarm.repeats else "")
        permit = Permit(alarm.key, alarm.occurrence, step, who, self.now_ns + LASTS_NS)
        return link(self.store.folder, pages, permit)

    def _next_ns(self, specs: Sequence[AlarmSpec]) -> int:
        if not all(spec.can_wait for spec in specs):
            return self.now_ns
        return not_before(self.config.notices, self.config.setup.room.timezone, self.now_ns)


def annunciation(alarm: Alarm) -> AlarmNotice:
    """The first notice of an occurrence, as the alarm is now."""
    at_ns = alarm.annunciated_ns or 0
    assert alarm.worst is not None  # noqa: S101 (what was annunciated has a worst cell)
    since_ns = at_ns if alarm.since_ns is None else alarm.since_ns
    return AlarmNotice(
        alarm.key, alarm.occurrence, "annunciated", at_ns, since_ns, alarm.worst, alarm.newest or alarm.worst
    )
