"""The month ruler: twelve months of a zone side by side, with the time of each verdict and the record."""

from __future__ import annotations

from urllib.parse import urlencode

from dash import html
from dash.development.base_component import Component

from logger.instants import NS
from logger.model import Verdict, Zone
from logger.model.figures import percent
from logger.model.roles import Act
from logger.record.record_months import RecordMonth

from ..access.needs import allowed
from ..data.queries import Queries
from .components import aria

DRAFT = "/records/draft"
MONTHS = 12
LENGTHENED = 4  # where all times of the two lower levels are short, they would not be seen
# From the highest level to the lowest.
SWATCH: dict[Verdict, str] = {
    "stable": "conforming",
    "not shown": "indeterminate",
    "not stable": "nonconforming",
}
CAPTION = (
    "Above each month the shares of its time that were stable, not shown and not stable, in this order. "
    "Press a month that is over and not issued to issue its record, any other to see a draft."
)


def month_ruler(q: Queries, place: Zone, months: list[RecordMonth]) -> Component:
    """The newest twelve of `months` (newest first), the oldest on the left."""
    shares = [(month, _shares(q, place.key, month)) for month in reversed(months[:MONTHS])]
    longest = max(share for _, some in shares for verdict, share in some.items() if verdict != "stable")
    factor = LENGTHENED if longest <= 1 / LENGTHENED else 1
    remark = f" (not shown and not stable are drawn {factor} times as long)" if factor > 1 else ""
    return html.Div(
        [
            html.H3([place.name, html.Span(remark, className="study-remark")]),
            html.Ol(
                [_division(place, month, some, factor) for month, some in shares],
                className="month-ruler",
                **aria(f"Months of {place.name}"),
            ),
        ]
    )


def draft_href(place: Zone, month: RecordMonth) -> str:
    """Address of the draft of a month as PDF."""
    return f"{DRAFT}?{urlencode({'zone': place.key, 'from': month.from_ns, 'to': month.to_ns})}"


def _division(place: Zone, month: RecordMonth, shares: dict[Verdict, float], factor: int) -> Component:
    words = ", ".join(f"{verdict} {percent(share)}" for verdict, share in shares.items() if share)
    issues = month.state.startswith("not issued") and allowed(Act.ISSUE)
    issue_href = f"/records?{urlencode({'zone': place.key, 'issue': month.label})}"
    act = "issue its record" if issues else "see a draft of its record"
    levels = [
        html.Span(
            className=f"swatch-{SWATCH[verdict]}",
            style={"width": f"{100 * share * (1 if verdict == 'stable' else factor):.1f}%"},
        )
        for verdict, share in shares.items()
    ]
    return html.Li(
        html.A(
            [
                html.Span(levels, className="month-levels"),
                html.Span(month.label, className="month-label"),
                " ",
                html.Span(_standing(month), className="month-standing"),
            ],
            href=issue_href if issues else draft_href(place, month),
            target="_self" if issues else "_blank",
            # What is read begins with what is seen.
            **aria(f"{month.label} {_standing(month)}, {place.name}: {words or 'no verdict'}; {act}"),
        )
    )


def _shares(q: Queries, zone: str, month: RecordMonth) -> dict[Verdict, float]:
    """By verdict the share of the judged time of a month, the best first."""
    lasted = dict.fromkeys(SWATCH, 0)
    for period in q.periods(zone, month.from_ns, month.to_ns):
        lasted[period.verdict] += period.to_ns - period.from_ns
    whole = max(sum(lasted.values()), NS)
    return {verdict: ns / whole for verdict, ns in lasted.items()}


def _standing(month: RecordMonth) -> str:
    """What fits below a division: the number of the record, or that there is none."""
    if month.issue is None:
        return "running" if month.running else "not issued"
    return f"record {month.issue.number}" + ("; acts since" if month.acts else "")
