"""Open tasks, most urgent first: alarms, running inspections, soaking parts, cases, probes."""

from __future__ import annotations

import re
from typing import Any

from dash import html
from dash.development.base_component import Component

from logger.first_room.outlook import next_steps
from logger.inspections.readiness import FORGOTTEN_NS
from logger.instants import NS
from logger.model import REASONS, VERDICT_OF, Inspection
from logger.model.roles import Act

from ..access.needs import allowed
from ..data.case_desk import desk
from ..data.queries import OpenAlarm, Queries
from ..data.words import clock, figure, local, plain, quantity_name
from .components import aria, verdict

DAY_NS = 86400 * NS
DAYS = 14  # in which cases that are not closed are looked for


def rows(q: Queries) -> list[Component]:
    """One row each: what, since when, and a figure or an act."""
    rows_ = [*_alarms(q), *_running(q), *_soaking(q), *_cases(q), *_overdue(q), *_young(q)]
    return rows_ or [html.P(_nothing(q), className="calm")]


def _nothing(q: Queries) -> str:
    """That there is no task is no word on the room: a zone that is not stable is named."""
    other = [f"{s.name} is {s.verdict}" for s in q.statements() if s.verdict != "stable"]
    return f"No open task. {'; '.join(other)}: see above." if other else "Nothing to do."


def _row(what: str, since: str, end: Component | str, css: str = "") -> Component:
    return html.Div(
        [
            html.Span(what, className="what"),
            html.Span(since, className="since"),
            html.Span(end, className="end"),
        ],
        className=f"hand {css}",
    )


def alarm_words(alarm: OpenAlarm, q: Queries) -> tuple[str, str]:
    """Zone, rule and worst value; since when and in which state."""
    since = (
        clock(alarm.alarm.since_ns, q.now_ns(), q.room.timezone)
        if alarm.alarm.since_ns
        else "an unknown time"
    )
    return f"{alarm.zone}: {_named(_what(alarm), q)}", f"since {since}, {alarm.alarm.state}"


def _named(words: str, q: Queries) -> str:
    """Channels as a person calls them: the keys of the setup are for files."""
    for key in q.setup.channels:
        probe, _, quantity = key.rpartition(".")
        words = re.sub(rf"\b{re.escape(key)}\b", f"{probe} {quantity_name(quantity)}", words)
    return words


def _what(alarm: OpenAlarm) -> str:
    """Rule and worst value; an alarm without a rule tells which sources are silent."""
    worst, rule = alarm.alarm.worst, alarm.rule
    if worst and worst.words:
        return worst.words
    if not alarm.spec.rule:
        return f"no reading from {', '.join(worst.probes) if worst and worst.probes else 'a probe'}"
    name = rule.name if rule else alarm.spec.rule
    value = f" {figure(worst.value, worst.unit, worst.U)}" if worst and worst.value is not None else ""
    probe = f" on {worst.probe}" if worst and worst.probe else ""
    limit = f", limit {plain(alarm.limit, worst.unit)}" if worst and alarm.limit is not None else ""
    return f"{name}{value}{probe}{limit}"


def acknowledge_button(alarm: OpenAlarm) -> Component:
    """Opens the question for a comment; assets/acts.js hears it."""
    name = alarm.rule.name if alarm.rule else alarm.spec.rule or "evidence"
    named: dict[str, Any] = {"data-acknowledge": alarm.alarm.key}
    label = aria(f"Acknowledge: {alarm.zone}, {name}")
    return html.Button("Acknowledge", type="button", className="act", **named, **label)


def _alarms(q: Queries) -> list[Component]:
    rows_ = []
    for alarm in q.alarms():
        what, since = alarm_words(alarm, q)
        asks = alarm.awaiting and allowed(Act.ACKNOWLEDGE)
        end = acknowledge_button(alarm) if asks else f"{alarm.spec.priority} priority"
        rows_.append(_row(what, since, end, "hand-alarm"))
    return rows_


def _running(q: Queries) -> list[Component]:
    rows_ = []
    for job in q.inspections():
        if job.to_ns is not None:
            continue
        since = clock(job.from_ns, q.now_ns(), q.room.timezone)
        link = html.A("check or stop", href=f"/inspections?inspection={job.key}")
        end = html.Span([_so_far(q, job), link])
        what = f"Inspection {job.title}, {q.zone(job.zone).name}"
        css = "hand-alarm" if q.now_ns() - job.from_ns > FORGOTTEN_NS else ""
        question = "; does it still run?" if css else ""
        rows_.append(_row(what, f"running since {since}{question}", end, css))
    return rows_


def _soaking(q: Queries) -> list[Component]:
    """Parts that come to the temperature of the room, with when they will have."""
    now, rows_ = q.now_ns(), []
    for r in q.source.soaks(now) if allowed(Act.READ_INSPECTIONS) else []:
        ready = f"ready {clock(r.ready_ns, now, q.room.timezone)}" if r.ready_ns else "end not known"
        since = f"from {plain(r.clock.from_C, 'degC')} since {clock(r.clock.at_ns, now, q.room.timezone)}"
        link = html.A("ready" if r.ready else ready, href="/soak")
        rows_.append(_row(f"Soaking: {r.clock.name}, {q.zone(r.clock.zone).name}", since, link))
    return rows_


def _so_far(q: Queries, job: Inspection) -> Component:
    """The worst that the room did since a running inspection began."""
    reasons = [p.reason for p in q.periods(job.zone, job.from_ns, q.now_ns())]
    if not reasons:
        return html.Span("no complete minute yet", className="verdict")
    worst = min(reasons, key=REASONS.index)
    return verdict(VERDICT_OF[worst], worst, apart=True)


def _cases(q: Queries) -> list[Component]:
    """Cases of the last day, and older ones that are not closed, the newest first."""
    now, zone = q.now_ns(), q.room.timezone
    rows_ = []
    recent = [r for r in desk(q).recent(now, DAYS) if r.waits or r.case.to_ns > now - DAY_NS]
    for r in sorted(recent, key=lambda r: -r.case.to_ns)[:4]:
        name = f"Case {r.number}" if r.number is not None else "Case"
        where = ", ".join(q.zone(key).name for key in r.case.zones)
        what = f"{name}, {where}: worst {plain(r.worst.worst, r.worst.unit)}"
        state = f"{len(r.missing)} missing" if r.missing else r.state
        since = f"{clock(r.case.from_ns, now, zone)}–{clock(r.case.to_ns, now, zone)}"
        rows_.append(_row(what, since, html.A(state, href=f"/cases?case={r.number}") if r.number else state))
    return rows_


def _young(q: Queries) -> list[Component]:
    """What a zone still lacks, and what the first hours of its readings bring."""
    now, extent = q.now_ns(), q.source.extent()
    rows_ = []
    for zone in q.setup.zones_now():
        for step in next_steps(q.setup, zone, now if extent is None else extent[0]):
            if step.at_ns is None:
                rows_.append(_row(f"{zone.name}: {step.text}", "", "missing"))
            elif step.at_ns > now:
                rows_.append(
                    _row(f"{zone.name}: {step.text}", "", f"at {clock(step.at_ns, now, q.room.timezone)}")
                )
    return rows_


def _overdue(q: Queries) -> list[Component]:
    by_probe: dict[str, int] = {}
    for o in q.overdue():
        probe = q.setup.channels[o.channel].probe
        by_probe[probe] = min(o.due_ns, by_probe.get(probe, o.due_ns))
    return [
        _row(
            f"Probe {probe} is overdue: confirm it or swap it",
            f"due {local(due - 1, q.room.timezone)[:10]}",
            "overdue",
        )
        for probe, due in by_probe.items()
    ]
