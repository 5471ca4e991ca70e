"""The wall view: for a screen by the door, readable from 5 m, without any job. It never scrolls.

No letter is lower than 4.8 % of the screen's height: on a 55-inch screen (0.63 mm a pixel of 1080 rows)
capitals of 23 mm, 16 minutes of arc at 5 m (common practice for signs is 15 to 20, no source). What does not
fit at that size is left out. A number that is too old is never shown in full size: its age takes its place.
"""

from __future__ import annotations

import re
from collections import Counter
from collections.abc import Sequence
from typing import Any

from dash import Dash, Input, Output, State, dcc, html, no_update
from dash.development.base_component import Component

from logger.instants import NS
from logger.model import REASONS, Conformity
from logger.model.roles import Act

from ..access.needs import needs
from ..access.shared_answers import shared
from ..charts.scale import bare_scale
from ..data.deciding import Deciding, deciding, near_limit
from ..data.queries import Queries
from ..data.statements import Statement
from ..data.words import age, clock, figure, local, sentence, to_read_unit, unit
from ..parts.alarm_line import by_priority, priority
from ..parts.components import HIDDEN, aria, digest, svg
from ..parts.todo import rule_words, since_ns
from ..parts.trail import bars

TITLE = "Wall view"
PATH = "/wall"
NEEDS = Act.READ
IN_NAV = False  # linked from the foot of every page
HOURS = 8
MOST = 6  # zones that fit; of more the worst are shown and the others counted
ROWS = 3  # up to so many: one zone a row
LETTERS = {True: 40, False: 31}  # of a line of 52 px beside a number: in one column, in two
LINE_LETTERS = 50
READY = re.compile(r"[Rr]eady at ((?:\d{4}-\d{2}-\d{2} )?\d{2}:\d{2})")


def layout(q: Queries, _: str) -> Component:
    """The room's name, the time, a band for each zone, and the line of the alarms."""
    parts = drawn(q)
    return html.Div(
        [
            html.Div(parts, id="wall", className="wall-rows"),
            dcc.Store(id="wall-seen", data=digest(parts)),
        ],
        className="wall",
    )


def drawn(q: Queries) -> list[Component]:
    """Everything on the wall."""
    statements = q.statements()
    first, rest = chosen_zones(statements)
    wide = len(first) <= ROWS
    # The verdicts stand below each other, behind the longest name.
    names: dict[str, Any] = {
        "--name": str(min(max(350, 31 * max((len(s.name) for s in first), default=0)), 520))
    }
    css = f"wall-zones wall-{len(first)} " + ("wall-wide" if wide else "wall-two")
    zones = html.Div([_zone(q, s, wide=wide) for s in first], className=css, style=names)
    return [_head(q, rest), zones, _line(q, statements)]


def chosen_zones(statements: Sequence[Statement]) -> tuple[list[Statement], list[Statement]]:
    """The zones that are shown, in their order, and those that are only counted: the least bad."""
    if len(statements) <= MOST:
        return list(statements), []
    worst = sorted(
        statements, key=lambda s: (not s.stale, REASONS.index(s.reason) if s.reason in REASONS else 0)
    )
    chosen = {s.zone for s in worst[:MOST]}
    return [s for s in statements if s.zone in chosen], [s for s in statements if s.zone not in chosen]


def _head(q: Queries, rest: Sequence[Statement]) -> Component:
    counted = Counter(s.verdict for s in rest)
    order = ("not stable", "not shown", "stable")
    more = ", ".join(f"{counted[verdict]} {verdict}" for verdict in order if counted[verdict])
    sentences = [html.Span(f"and {len(rest)} more: {more}", className="wall-more")] if rest else []
    now = local(q.now_ns(), q.room.timezone)[11 if rest else 0 :]  # the day is left out where room is short
    return html.Div(
        [html.H1(q.room.name), *sentences, html.Span(now, className="wall-clock")], className="wall-head"
    )


def _zone(q: Queries, s: Statement, *, wide: bool) -> Component:
    number = deciding(q, s)
    mark = html.Div(className=f"wall-mark swatch-{s.reason.replace(' ', '-')}", role="img", **aria(s.reason))
    name = html.P(s.name, className="wall-name")
    verdict = html.H2([html.Span(s.verdict), html.Span(**_gone("not shown"))], className="wall-verdict")
    line = html.P(reason_line(q, s, number, LETTERS[wide]), className="wall-since")
    trace = _trace(q, s)
    value, beside, below = _number(q, s, number)
    old = html.Span(**_gone("", "wall-old"))  # assets/lost.js: how long ago the last news was
    figure_ = html.P([html.Strong([value, old]), html.Span(f" {beside}")], className="wall-figure")
    if wide:
        scale = (
            [svg(bare_scale(number.state, _r(q, number)))]
            if number and number.state.value is not None
            else []
        )
        right = html.Div([figure_, html.P(below, className="wall-below"), *scale], className="wall-value")
        words = [html.Div([name, verdict], className="wall-first"), line, trace]
        return html.Section([mark, html.Div(words, className="wall-words"), right], className=_css(s))
    probe = below.rpartition(", ")[0] or below
    first = html.Div(
        [name, html.P(", ".join(p for p in (beside, probe) if p), className="wall-below")],
        className="wall-both",
    )
    second = html.Div(
        [verdict, html.P(html.Strong([value, old]), className="wall-figure")], className="wall-both"
    )
    return html.Section(
        [mark, html.Div([first, second, line, trace], className="wall-words")], className=_css(s)
    )


def _css(s: Statement) -> str:
    return "wall-zone" + (" wall-stale" if s.stale else "")


def _gone(text: str, css: str = "") -> dict[str, Any]:
    """What stands in place of a verdict or a number when no news comes any more."""
    return {"children": text, "className": f"wall-gone {css}".strip(), **HIDDEN}


def _r(q: Queries, number: Deciding) -> float:
    return next((rule.r for rule in q.setup.rules if rule.key == number.state.rule), 1.0)


def _number(q: Queries, s: Statement, number: Deciding | None) -> tuple[Component, str, str]:
    """The number of a zone, what stands beside it, and below it its probe with its age, and the limit."""
    if s.stale:
        text = "no data" if s.age_s is None else age(s.age_s)
        return html.Span(text, className="wall-none"), "" if s.age_s is None else "old", _limit_of(q, s.zone)
    if number is None:
        return html.Span("no value", className="wall-none"), "", _limit_of(q, s.zone)
    state = number.state
    limit = near_limit(state)
    limit_text = "" if limit is None else f"limit {to_read_unit(limit, state.unit)[0]:.1f}"
    if state.value is None:
        since = f", {age(number.age_s)} ago" if number.age_s is not None else ""
        return html.Span("no value", className="wall-none"), "", f"{state.probe}{since}, {limit_text}"
    value, _, rest = figure(state.value, state.unit, state.U, limit).partition(" ")
    old = f", {age(number.age_s)} ago" if number.age_s is not None else ""
    out = state.conformity is Conformity.NONCONFORMING
    return html.Span(value, className="wall-out" if out else ""), rest, f"{state.probe}{old}, {limit_text}"


def _limit_of(q: Queries, zone: str) -> str:
    """The upper temperature limit of a zone in force, without a value."""
    now = q.now_ns()
    rules = (
        r
        for r in q.setup.rules_of(zone)
        if r.kind == "limit" and r.quantity == "temperature" and r.holds(now)
    )
    upper = next((r.upper for r in rules if r.upper is not None), None)
    return "" if upper is None else f"limit {to_read_unit(upper, 'degC')[0]:.1f} {unit('degC')}"


def reason_line(q: Queries, s: Statement, number: Deciding | None, letters: int) -> str:
    """Since when and what to do, in so many letters; the first of these that fits."""
    now, zone = q.now_ns(), q.room.timezone
    since = f"since {clock(s.since_ns, now, zone)}" if s.since_ns is not None else ""
    act = sentence(s.next_step.partition(". ")[0]).rstrip(".")
    ways: list[str] = []
    if s.stale:
        last = clock(now - round((s.age_s or 0) * NS), now, zone)
        ways += [f"no heartbeat; {last} {s.last_verdict}"] if s.last_verdict else ["no verdict yet"]
    elif number and number.silent:
        gone = clock(now - round((number.silent_s or 0) * NS), now, zone) if number.silent_s else ""
        ways += [f"no reading from {number.silent} since {gone}", f"no reading from {number.silent}"]
    elif s.reason == "nonconforming":
        ways += [f"{since}; stop measuring", "stop measuring"]
    elif s.reason == "settling":
        ready = READY.search(s.next_step)
        ways += [f"settling, ready {ready[1]}"] if ready else [f"settling {since}", "settling"]
    elif s.reason == "guard band":
        ways += [f"{since}; within U of a limit", "within U of a limit"]
    elif s.reason == "marked":
        ways += [f"marked as not to be used {since}", "marked as not to be used"]
    elif s.reason != "conforming":
        ways += [f"{since}; {act}", act]
    ways += [since, s.reason]
    return next((text for text in ways if 0 < len(text.strip("; ")) <= letters), "")


def _trace(q: Queries, s: Statement) -> Component:
    """The verdict trace of the last hours: place tells the verdict, pattern the reason."""
    strip = html.Div(
        bars(q, s.zone, HOURS, "wall-bar"),
        className="wall-strip",
        role="img",
        **aria(f"Verdicts of the last {HOURS} h"),
    )
    return html.Div(strip, className="wall-trace")


def _line(q: Queries, statements: Sequence[Statement]) -> Component:
    """The line at the lower edge: what waits for a person, else how many are acknowledged."""
    alarms = q.alarms()
    waiting = by_priority([a for a in alarms if a.awaiting])
    ages = [s.age_s for s in statements if s.age_s is not None]
    if statements and all(s.stale for s in statements) and ages:
        at = clock(q.now_ns() - round(min(ages) * NS), q.now_ns(), q.room.timezone)
        return html.Div(
            [priority("high"), html.Span(f"No verdict since {at}. Stop measuring.")], className="wall-line on"
        )
    if waiting:
        return html.Div(
            [priority(waiting[0].spec.priority), html.Span(_alarm_sentence(q, waiting))],
            className="wall-line on",
        )
    acknowledged = f" {len(alarms)} acknowledged." if alarms else ""
    return html.Div(f"No new alarm.{acknowledged}", className="wall-line")


def _alarm_sentence(q: Queries, waiting: Sequence[Any]) -> str:
    """The most urgent alarm, since when, how many more there are, and the first act; what fits of it."""
    first = waiting[0]
    begin_ns = since_ns(first, q)
    since = f" since {clock(begin_ns, q.now_ns(), q.room.timezone)}" if begin_ns else ""
    more = f", and {len(waiting) - 1} more" if len(waiting) > 1 else ""
    what = f"{first.zone}, {rule_words(first, q)}{since}{more}"
    act = sentence(first.spec.action.partition(". ")[0])
    ways = (f"{what}. {act}", f"{what}.", f"{first.zone}{since}{more}.", f"{first.zone}{more}.")
    return next((text for text in ways if len(text) <= LINE_LETTERS), ways[-1])


def register(app: Dash, q: Queries) -> None:
    """The wall follows while it hangs there."""

    @app.callback(
        Output("wall", "children"),
        Output("wall-seen", "data"),
        Input("shell-tick", "n_intervals"),
        State("wall-seen", "data"),
        prevent_initial_call=True,
    )
    @shared()
    @needs(Act.READ)
    def follow(_: Any, seen: str) -> tuple[Any, Any]:
        parts = drawn(q)
        now = digest(parts)
        return (no_update, no_update) if now == seen else (parts, now)
