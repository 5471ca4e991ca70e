"""Open tasks, most urgent first: alarms, running inspections, soaking parts, cases, reviews, probes."""

from __future__ import annotations

import re
from collections.abc import Sequence

from dash import html
from dash.development.base_component import Component

from logger.core.alarms.lifecycle import AlarmState
from logger.first_room.outlook import next_steps
from logger.inspections.readiness import FORGOTTEN_NS
from logger.instants import NS
from logger.model import REASONS, VERDICT_OF, Inspection
from logger.model.roles import Act

from ..access.needs import allowed
from ..data.case_desk import desk
from ..data.channels import with_channel_words
from ..data.queries import OpenAlarm, Queries
from ..data.words import clock, figure, local, plain, sentence
from .components import behind, verdict

DAY_NS = 86400 * NS
MOST = 8  # so many are seen at once, the rest is folded
CALIBRATION = "system.calibration"
DAYS = 14  # in which cases that are not closed are looked for


def rows(q: Queries) -> list[Component]:
    """One row each: what, since when, and a figure or an act."""
    rows_ = [*_alarms(q), *_running(q), *_soaking(q), *_cases(q), *_effects(q), *_overdue(q), *_young(q)]
    if len(rows_) > MOST:
        rows_ = [*rows_[:MOST], behind(f"{len(rows_) - MOST} more", *rows_[MOST:])]
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
    """Zone, rule and worst value; since when and in which state. What is no zone's is the room's."""
    begin = since_ns(alarm, q)
    since = clock(begin, q.now_ns(), q.room.timezone) if begin else "an unknown time"
    what = _named(_what(alarm), q)
    if alarm.zone == q.room.name:
        return what[:1].upper() + what[1:], f"since {since}, {alarm.alarm.state}"
    return f"{alarm.zone}: {what}", f"since {since}, {alarm.alarm.state}"


def since_ns(alarm: OpenAlarm, q: Queries) -> int | None:
    """Since when it is so; calibrations from the end of their due day on."""
    due = [o.due_ns for o in q.overdue()] if alarm.alarm.key == CALIBRATION else []
    return min(due, default=alarm.alarm.since_ns)


def _named(words: str, q: Queries) -> str:
    """Channels as a person calls them, the probe once."""
    words = with_channel_words(words, q.setup)
    for probe in q.setup.probes:  # "P6 relative humidity, P6 temperature": the probe once
        words = re.sub(rf"(\b{re.escape(probe)} [^,]+), {re.escape(probe)} ([^,]+)$", r"\1 and \2", words)
    return words


def _what(alarm: OpenAlarm) -> str:
    """Rule and worst value; an alarm without a rule tells which sources are silent."""
    worst, rule = alarm.alarm.worst, alarm.rule
    if worst and worst.words:
        return worst.words
    if not alarm.spec.rule:
        return f"no reading from {', '.join(worst.probes) if worst and worst.probes else 'a probe'}"
    name = rule.name if rule else alarm.spec.rule
    value = (
        f" {figure(worst.value, worst.unit, worst.U, alarm.limit)}"
        if worst and worst.value is not None
        else ""
    )
    probe = f" at {worst.probe}" if worst and worst.probe else ""
    limit = f", limit {plain(alarm.limit, worst.unit)}" if worst and alarm.limit is not None else ""
    return f"{name}{value}{probe}{limit}"


def rule_words(alarm: OpenAlarm, q: Queries) -> str:
    """What an alarm is about, without its value."""
    if alarm.spec.rule:
        return alarm.rule.name if alarm.rule else alarm.spec.rule
    return _named(_what(alarm), q)


def _alarms(q: Queries) -> list[Component]:
    """What the alarms ask to be done, each act once; the alarms themselves stand in the alarm line."""
    by_act: dict[str, list[OpenAlarm]] = {}
    for alarm in q.alarms():
        if alarm.alarm.state is not AlarmState.SHELVED:
            by_act.setdefault(sentence(alarm.spec.action), []).append(alarm)
    return [_act_row(act, alarms, q) for act, alarms in by_act.items()]


def _act_row(act: str, alarms: Sequence[OpenAlarm], q: Queries) -> Component:
    """One act with the zones that ask for it, since when, and the priority of the most urgent."""
    zones = ", ".join(dict.fromkeys(alarm.zone for alarm in alarms if alarm.zone != q.room.name))
    rules = ", ".join(dict.fromkeys(rule_words(alarm, q) for alarm in alarms))
    about = f"{zones}: {rules}" if zones else rules[:1].upper() + rules[1:]
    begin = min((ns for a in alarms if (ns := since_ns(a, q))), default=None)
    since = f" since {clock(begin, q.now_ns(), q.room.timezone)}" if begin else ""
    waits = any(alarm.awaiting for alarm in alarms)
    end = "now" if waits else "acknowledged"
    return _row(act, f"{about}{since}", end, "hand-alarm" if waits else "")


def _running(q: Queries) -> list[Component]:
    rows_ = []
    for job in q.inspections():
        if job.to_ns is not None:
            continue
        since = clock(job.from_ns, q.now_ns(), q.room.timezone)
        link = html.A("open", href=f"/inspections?inspection={job.key}")
        end = html.Span([_so_far(q, job), link])
        what = f"Inspection {job.title}, {q.zone(job.zone).name}"
        css = "hand-alarm" if q.now_ns() - job.from_ns > FORGOTTEN_NS else ""
        question = "; still running?" if css else ""
        rows_.append(_row(what, f"running since {since}{question}", end, css))
    return rows_


def _soaking(q: Queries) -> list[Component]:
    """Parts that come to the temperature of the room, with when they will have."""
    now, rows_ = q.now_ns(), []
    for r in q.source.soaks(now) if allowed(Act.READ_INSPECTIONS) else []:
        ready = f"ready {clock(r.ready_ns, now, q.room.timezone)}" if r.ready_ns else "no ready time yet"
        since = f"from {plain(r.clock.from_C, 'degC')} since {clock(r.clock.at_ns, now, q.room.timezone)}"
        link = html.A("ready" if r.ready else ready, href="/soak")
        rows_.append(_row(f"Soaking: {r.clock.name}, {q.zone(r.clock.zone).name}", since, link))
    return rows_


def _so_far(q: Queries, job: Inspection) -> Component:
    """The worst that the room did since a running inspection began."""
    reasons = [p.reason for p in q.periods(job.zone, job.from_ns, q.now_ns())]
    if not reasons:
        return html.Span("less than one minute of readings", className="verdict")
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
        state = f"{r.missing_count} missing" if r.missing_count else r.state
        since = f"{clock(r.case.from_ns, now, zone)}–{clock(r.case.to_ns, now, zone)}"
        rows_.append(_row(what, since, html.A(state, href=f"/cases?case={r.number}") if r.number else state))
    return rows_


def _effects(q: Queries) -> list[Component]:
    """Corrective actions whose effect is to be reviewed by now."""
    today = local(q.now_ns(), q.room.timezone)[:10]
    return [
        _row(
            f"Case {number}: review the effect of its corrective action",
            f"due {day}",
            html.A("open", href=f"/cases?case={number}"),
        )
        for number, day in sorted(desk(q).effect_days().items(), key=lambda item: item[1])
        if day <= today
    ]


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
    """Probes past their due day; none while an alarm asks for the same."""
    if any(
        alarm.alarm.key == CALIBRATION and alarm.alarm.state is not AlarmState.SHELVED for alarm in q.alarms()
    ):
        return []
    by_probe: dict[str, int] = {}
    for o in q.overdue():
        probe = q.setup.channels[o.channel].probe
        by_probe[probe] = min(o.due_ns, by_probe.get(probe, o.due_ns))
    return [
        _row(
            f"Probe {probe}: calibration overdue. Calibrate or replace it.",
            f"due {local(due - 1, q.room.timezone)[:10]}",
            "overdue",
        )
        for probe, due in by_probe.items()
    ]
