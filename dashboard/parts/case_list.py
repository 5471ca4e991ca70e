"""The list of cases beside the open one, by week; and how numbers of cases and their lengths are written."""

from __future__ import annotations

from collections.abc import Sequence
from itertools import groupby
from urllib.parse import urlencode

from dash import html
from dash.development.base_component import Component

from logger.inspections.case_record import CaseRecord
from logger.instants import NS, rfc3339

from ..data.queries import Queries
from ..data.words import moment

PATH = "/cases"
RECENT_WEEKS = 6  # of the list are unfolded
WEEKS = 26  # in the list; older ones are opened by their number


def address(record: CaseRecord) -> str:
    """The page of a case."""
    if record.number is not None:
        return f"{PATH}?case={record.number}"
    return f"{PATH}?" + urlencode({"zone": record.case.zone, "at": rfc3339(record.case.from_ns)})


def case_list(q: Queries, records: Sequence[CaseRecord], chosen: CaseRecord | None) -> list[Component]:
    """Open and closed, by week; the older weeks are folded unless one asks for something."""
    asking = [r for r in records if r.case.in_use]
    left = sum(r.waits for r in asking)
    head = html.P([html.Strong(f"{left} open"), f" · {len(asking) - left} closed"])
    by_week = groupby(reversed(records), key=lambda r: _week(q, r))
    weeks = [(week, list(of_week)) for week, of_week in by_week]
    parts = [_week_part(q, week, in_week, chosen) for week, in_week in weeks[:WEEKS]]
    needed = any(r.waits or r == chosen for _, in_week in weeks[RECENT_WEEKS:WEEKS] for r in in_week)
    older = html.Details([html.Summary("Earlier weeks"), *parts[RECENT_WEEKS:]], open=needed)
    ends = [html.P("Open an older case by its number in the address.")] if len(weeks) > WEEKS else []
    return [head, *parts[:RECENT_WEEKS], *([older] if parts[RECENT_WEEKS:] else []), *ends]


def _week_part(q: Queries, week: str, records: list[CaseRecord], chosen: CaseRecord | None) -> Component:
    """The cases of one week; those outside hours of use as a number."""
    quiet = sum(not r.case.in_use for r in records)
    words = f"{quiet} outside hours of use, no decision needed"
    return html.Div(
        [
            html.H2(week),
            *(_entry(q, r, r == chosen) for r in records if r.case.in_use),
            *([html.P(words, className="aside")] if quiet else []),
        ]
    )


def _week(q: Queries, record: CaseRecord) -> str:
    year, week, _ = moment(record.case.from_ns, q.room.timezone).isocalendar()
    return f"{year}-W{week:02d}"


def _entry(q: Queries, r: CaseRecord, here: bool) -> Component:
    names = ", ".join(q.zone(key).name for key in r.case.zones)
    cause = "" if r.cause == "no cause yet" else f", {r.cause}"
    state = f"{r.missing_count} missing" if r.missing_count else r.state
    link = html.A(f"{r.number} {names}", href=address(r))
    words = [link, html.Small(f"{lasting(r)}{cause}"), html.Span(state, className="case-state")]
    css = f"case-entry{' here' if here else ''}{' open' if r.waits else ''}"
    return html.Div(words, className=css)


def lasting(r: CaseRecord) -> str:
    """How long a case lasts: to the minute, or to the hour from two days on."""
    minutes = round((r.case.to_ns - r.case.from_ns) / NS / 60)
    hours, left = divmod(minutes, 60)
    if hours >= 48:
        return f"{hours // 24} d {hours % 24} h"
    return f"{hours} h {left:02d} min" if hours else f"{left} min"


def numbers_in_words(numbers: list[int]) -> str:
    """Numbers of cases, those in a row as one span.

    >>> numbers_in_words([3, 4, 5, 9]), numbers_in_words([7])
    ('cases 3 to 5, 9', 'case 7')
    """
    spans: list[list[int]] = []
    for number in sorted(numbers):
        if spans and number == spans[-1][-1] + 1:
            spans[-1].append(number)
        else:
            spans.append([number])
    words = [f"{span[0]} to {span[-1]}" if len(span) > 1 else str(span[0]) for span in spans]
    return f"case{'s' if len(numbers) > 1 else ''} {', '.join(words)}" if words else ""
