"""The alarm line on every page and the sheet below it: highest first, one row an alarm, grouped by cause.

The line is always there and always of one height, so that nothing in it ever moves a verdict.
"""

from __future__ import annotations

from collections.abc import Sequence
from typing import Any

from dash import html
from dash.development.base_component import Component

from logger.core.alarms.grouping import URGENCY, cause_of
from logger.core.alarms.lifecycle import AlarmState
from logger.model.roles import Act

from ..access.needs import allowed
from ..data.queries import OpenAlarm, Queries
from ..data.words import clock, figure, plain, sentence
from .components import HIDDEN, aria, press_of
from .todo import alarm_words, rule_words

SHEET = "alarm-sheet"
STROKES = {"high": 3, "medium": 2, "low": 1}
COUNTS = (
    "no",
    "one",
    "two",
    "three",
    "four",
    "five",
    "six",
    "seven",
    "eight",
    "nine",
    "ten",
    "eleven",
    "twelve",
)
RETURNED = (AlarmState.RETURNED_UNACKNOWLEDGED, AlarmState.LATCHED_UNACKNOWLEDGED)
ASIDE = (AlarmState.SHELVED, AlarmState.SUPPRESSED, AlarmState.OUT_OF_SERVICE)


def priority(word: str, *, pale: bool = False) -> Component:
    """A priority as a word with as many strokes: three high, two medium, one low."""
    strokes = html.Span(className=f"strokes strokes-{STROKES[word]}", **HIDDEN)
    return html.Span([strokes, word.upper()], className="priority pale" if pale else "priority")


def causes(alarms: Sequence[OpenAlarm]) -> list[list[OpenAlarm]]:
    """Alarms of one cause together, in the order in which the first of each stands."""
    by_cause: dict[tuple[str, int], list[OpenAlarm]] = {}
    for alarm in alarms:
        by_cause.setdefault(cause_of(alarm.alarm) or (alarm.alarm.key, 0), []).append(alarm)
    return list(by_cause.values())


def by_priority(alarms: Sequence[OpenAlarm]) -> list[OpenAlarm]:
    """The most urgent first, then the oldest."""
    return sorted(alarms, key=lambda a: (URGENCY.index(a.spec.priority), a.alarm.since_ns or 0))


def line(q: Queries) -> list[Component]:
    """What waits for a person; else what is acknowledged and still out; else that there are no alarms."""
    alarms = q.alarms()
    waiting = by_priority([a for a in alarms if a.awaiting])
    if waiting:
        return [_waiting(waiting, q)]
    return [_pale(by_priority(alarms), q) if alarms else html.Div("No alarms.", className="calm")]


def _waiting(alarms: Sequence[OpenAlarm], q: Queries) -> Component:
    first = alarms[0]
    wide, narrow = _wording(first, q)
    more = html.Button(
        _more(alarms), type="button", className="more-alarms", **_opener("Alarms in detail: " + _more(alarms))
    )
    act = html.Button("Acknowledge", type="button", className="act", **_opener("Acknowledge: " + first.zone))
    return html.Div(
        [
            priority(first.spec.priority),
            html.Span(wide, className="say wide"),
            html.Span(
                [html.Strong(narrow), *([html.Small(_more(alarms))] if len(alarms) > 1 else [])],
                className="say narrow",
            ),
            more,
            *([act] if allowed(Act.ACKNOWLEDGE) else []),
        ],
        className="alert",
    )


def _opener(label: str) -> dict[str, Any]:
    named: dict[str, Any] = {"data-sheet": "", "aria-expanded": "false", "aria-controls": SHEET}
    return named | aria(label)


def _wording(alarm: OpenAlarm, q: Queries) -> tuple[list[Any], str]:
    """The line in full, and what of it fits on a phone."""
    what, since = alarm_words(alarm, q)
    worst = alarm.alarm.worst
    if worst and _valued(alarm):
        short = f"{alarm.zone}, {plain(worst.value, worst.unit)} at {worst.probe}"
    else:
        short = what
    over = ", over" if alarm.alarm.state in RETURNED else ""
    return [html.Strong(what), f", {since.partition(',')[0]}{over}."], short


def _valued(alarm: OpenAlarm) -> bool:
    worst = alarm.alarm.worst
    return bool(alarm.spec.rule and worst and worst.value is not None and worst.probe and not worst.words)


def _more(alarms: Sequence[OpenAlarm]) -> str:
    """What the rest of the line stands for: how many more there are, and of how many causes."""
    if len(alarms) == 1:
        return "what to do"
    count = len(causes(alarms))
    return f"and {len(alarms) - 1} more, {'one cause' if count == 1 else f'{count} causes'}"


def _pale(alarms: Sequence[OpenAlarm], q: Queries) -> Component:
    """Nothing waits for a person; acknowledging hid no state."""
    first = next((a for a in alarms if a.alarm.state not in ASIDE), alarms[0])
    wide, narrow = _wording(first, q)
    rest = f"and {len(alarms) - 1} more" if len(alarms) > 1 else "details"
    return html.Div(
        [
            priority(first.spec.priority, pale=True),
            html.Span([*wide, html.Span(f" {_state(first, q)}", className="aside")], className="say wide"),
            html.Span([narrow, html.Small(_state(first, q))], className="say narrow"),
            html.Button(rest, type="button", className="more-alarms", **_opener(f"Alarms in detail: {rest}")),
        ],
        className="known",
    )


def _state(alarm: OpenAlarm, q: Queries) -> str:
    """Who acknowledged it and with which words, or how else it waits for nobody."""
    lifecycle = alarm.alarm
    if not lifecycle.acknowledged_by or lifecycle.state in ASIDE:
        return sentence(lifecycle.state.value)
    at = (
        f" {clock(lifecycle.acknowledged_ns, q.now_ns(), q.room.timezone)}"
        if lifecycle.acknowledged_ns
        else ""
    )
    comment = f": {lifecycle.comment}" if lifecycle.comment else ""
    return sentence(f"Acknowledged by {lifecycle.acknowledged_by}{at}{comment}")


def rows(q: Queries) -> list[Component]:
    """The sheet: each cause with its alarms, those that wait for a person first."""
    alarms = q.alarms()
    waiting = causes(by_priority([a for a in alarms if a.awaiting]))
    acknowledged = [a for a in by_priority(alarms) if not a.awaiting]
    groups = [_group(group, q, of=len(waiting)) for group in waiting]
    return [*groups, *([_group(acknowledged, q, of=0)] if acknowledged else [])] or [
        html.P("No alarms.", className="calm")
    ]


def _group(group: Sequence[OpenAlarm], q: Queries, *, of: int) -> Component:
    """One cause as a table; `of` causes wait for a person, none: these are acknowledged or put aside."""
    head = ["priority", "zone, rule", "worst", "since", "what to do" if of else "state"]
    body = html.Tbody([_row(alarm, q, state=not of) for alarm in group])
    table = html.Table(
        [
            html.Caption(_caption(group, q, of=of)),
            html.Thead(html.Tr([html.Th(name, scope="col") for name in head])),
            body,
        ]
    )
    return html.Div(table, className="cause")


def _caption(group: Sequence[OpenAlarm], q: Queries, *, of: int) -> str:
    """How many alarms one cause has, which led, and how soon the others followed."""
    if not of:
        return "Acknowledged or put aside"
    if len(group) == 1:
        return "1 alarm"
    since = [a.alarm.since_ns for a in group if a.alarm.since_ns]
    led = min(group, key=lambda a: a.alarm.since_ns or 0)
    minutes = (max(since) - min(since)) / 60e9 if since else 0
    first = clock(min(since), q.now_ns(), q.room.timezone) if since else "an unknown time"
    return (
        f"{len(group)} alarms, one cause: {led.zone}, {rule_words(led, q)} first, at {first}; "
        f"the others within {max(round(minutes), 1)} min"
    )


def _row(alarm: OpenAlarm, q: Queries, *, state: bool) -> Component:
    lifecycle, worst = alarm.alarm, alarm.alarm.worst
    since = clock(lifecycle.since_ns, q.now_ns(), q.room.timezone) if lifecycle.since_ns else "unknown"
    over = ", over" if lifecycle.state in RETURNED else ""
    value = ""
    if worst and _valued(alarm):
        limit = f", limit {plain(alarm.limit, worst.unit)}" if alarm.limit is not None else ""
        value = f"{figure(worst.value, worst.unit, worst.U, alarm.limit)} at {worst.probe}{limit}"
    cells: list[Any] = [
        priority(alarm.spec.priority, pale=state),
        f"{alarm.zone}, {rule_words(alarm, q)}",
        value,
        since + over,
        _state(alarm, q) if state else sentence(alarm.spec.action),
    ]
    return html.Tr([html.Td(cell) for cell in cells])


def acts(q: Queries) -> list[Component]:
    """A button for each cause that waits for a person; one comment is for all alarms of a cause."""
    if not allowed(Act.ACKNOWLEDGE):
        return []
    groups = causes(by_priority([a for a in q.alarms() if a.awaiting]))
    return [_act(group, alone=len(groups) == 1) for group in groups]


def _act(group: Sequence[OpenAlarm], *, alone: bool) -> Component:
    about = press_of("acknowledging", [a.alarm.key for a in group])
    n = len(group)
    count = COUNTS[n] if n < len(COUNTS) else str(n)
    if alone:
        text = "Acknowledge" if n == 1 else f"Acknowledge all {count}"
    else:
        first = group[0]
        text = f"Acknowledge {first.zone}" + (f" ({n})" if n > 1 else "")
    return html.Button(text, type="button", className="act", **about)
